//! The screens of what a case holds.

pub(super) mod audit;
pub(super) mod hand_over;
pub(super) mod mended;
pub(super) mod record;
pub(super) mod taken;
pub(super) mod verify;
