//! Where the bands of one head lie: patterns of bands, zones that each have one, and the searches that find them.

pub(super) mod ensemble;
mod fold;
pub(super) mod pattern;
pub(super) mod rezone;
pub(super) mod search;
pub(super) mod zones;
