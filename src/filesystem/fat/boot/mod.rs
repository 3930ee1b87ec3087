//! The boot sector, and what it is held against where it may be wrong.

pub(super) mod check;
pub(super) mod sector;
