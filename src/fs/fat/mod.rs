//! FAT12, FAT16 and FAT32: boot sector, file allocation tables, and the tree of folders.

mod boot;
mod boot_check;
mod chain;
mod copies;
mod directory;
mod findings;
mod infer;
mod long_name;
mod oem;
mod table;
mod volume;
mod walk;

pub use findings::*;
pub use infer::read_inferred;
pub use volume::read;

/// A little-endian word of a structure in memory.
fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

/// A little-endian double word of a structure in memory.
fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}
