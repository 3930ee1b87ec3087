//! The boot sector, and the two regions in which it and its backup stand.

pub(super) mod region;
pub(super) mod sector;
