//! File systems that are recognised and not read.

pub(super) mod apfs;
pub(super) mod btrfs;
pub(super) mod ext;
pub(super) mod hfs;
pub(super) mod journaled;
pub(super) mod log_structured;
pub(super) mod optical;
pub(super) mod refs;
pub(super) mod shared_disk;
pub(super) mod ufs;
pub(super) mod xfs;
