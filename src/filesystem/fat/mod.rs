//! FAT12, FAT16 and FAT32: boot sector, file allocation tables, and the tree of folders.

mod boot;
mod copies;
mod findings;
mod folder;
mod infer;
mod table;
mod volume;
mod walk;

pub use findings::*;
pub use volume::{read, read_inferred};
