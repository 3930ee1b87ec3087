//! exFAT: boot regions, allocation bitmap, file allocation table, and the tree of folders.
//!
//! Source of all formats: "exFAT file system specification" 1.00, Microsoft (MicrosoftDocs/win32,
//! desktop-src/FileIO/exfat-specification.md); sections are named where they are used.

mod bitmap;
mod boot;
mod boot_region;
mod entry;
mod findings;
mod heap;
mod infer;
mod shared;
mod table;
mod up_case;
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

/// A little-endian quad word of a structure in memory.
fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}
