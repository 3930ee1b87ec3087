//! What encloses other content: encryption, arrays, pools, and partition tables that are not read.

pub(super) mod apple;
pub(super) mod cache;
pub(super) mod geli;
pub(super) mod luks;
pub(super) mod lvm;
pub(super) mod raid;
pub(super) mod volume_encryption;
pub(super) mod windows;
pub(super) mod zfs;
