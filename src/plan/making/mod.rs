//! A class map and a request come in; which bytes are read, in which passes, comes out.

pub(super) mod bridge;
pub(super) mod build;
pub(super) mod make;
pub(super) mod no_match;
pub(super) mod order_options;
pub(super) mod owners;
pub(super) mod pick_up;
pub(super) mod request;
pub(super) mod scope;
pub(super) mod sweep;
