//! The volume header of HFS+ and HFSX, and where in an HFS wrapper the volume lies; big-endian.
//!
//! Sources: Technical Note TN1150 (in libyal/libfshfs, "Hierarchical File System (HFS)"); Linux fs/hfsplus/hfsplus_raw.h and wrapper.c.

use super::fork::Fork;
use crate::base::fields::{be16, be32};

/// Byte of the volume at which the header stands, and how far before its end the alternate one does.
pub const AT: u64 = 1024;
/// Bytes of either.
pub const BYTES: u64 = 512;

const UNMOUNTED: u32 = 0x100;
const INCONSISTENT: u32 = 0x800;
const JOURNALED: u32 = 0x2000;
/// By whom a volume with a journal was mounted last.
const MOUNTED_WITH_JOURNAL: &[u8] = b"HFSJ";

/// The files that hold the file system together, by their catalog node identifiers, with the offsets of their forks.
const SPECIAL_FILES: [(u32, usize); 5] =
    [(ALLOCATION, 112), (EXTENTS, 192), (CATALOG, 272), (ATTRIBUTES, 352), (7, 432)];
/// The extents overflow file.
pub const EXTENTS: u32 = 3;
/// The catalog.
const CATALOG: u32 = 4;
/// The allocation file.
pub const ALLOCATION: u32 = 6;
/// The attributes file.
const ATTRIBUTES: u32 = 8;

/// A volume header.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct VolumeHeader {
    /// Bytes in an allocation block.
    pub block_bytes: u64,
    /// Allocation blocks.
    pub blocks: u64,
    /// Free ones; old in the alternate header.
    pub free_blocks: u64,
    /// Whether it was not cleanly unmounted; the alternate header does not say it.
    pub dirty: Option<bool>,
    /// Whether it has a journal.
    pub is_journaled: bool,
    /// Whether the system that mounted it last keeps a journal: else what stands in one is older than the volume (from memory).
    pub keeps_journal: bool,
    /// Block that tells where the journal lies; zero where there is none.
    pub journal_info: u32,
    /// Forks of the special files.
    pub special: Vec<(u32, Fork)>,
}

impl VolumeHeader {
    /// A header whose fields are in their ranges, for a volume of `volume_bytes`.
    pub fn parse(raw: &[u8], volume_bytes: u64) -> Option<VolumeHeader> {
        if !matches!((raw.get(..2)?, be16(raw, 2)?), (b"H+", 4) | (b"HX", 5)) {
            return None;
        }
        let block_bytes = u64::from(be32(raw, 40)?);
        let (blocks, free_blocks) = (u64::from(be32(raw, 44)?), u64::from(be32(raw, 48)?));
        let fits = block_bytes.is_power_of_two()
            && block_bytes >= 512
            && free_blocks <= blocks
            && blocks > 0
            && blocks * block_bytes <= volume_bytes;
        let attributes = be32(raw, 4)?;
        let fork = |(id, at): (u32, usize)| Some((id, Fork::parse(raw.get(at..at + 80)?, blocks)?));
        let special = SPECIAL_FILES.into_iter().map(fork).collect::<Option<Vec<_>>>()?;
        fits.then_some(VolumeHeader {
            block_bytes,
            blocks,
            free_blocks,
            dirty: Some(attributes & UNMOUNTED == 0 || attributes & INCONSISTENT != 0),
            is_journaled: attributes & JOURNALED != 0,
            keeps_journal: raw.get(8..12)? == MOUNTED_WITH_JOURNAL,
            journal_info: be32(raw, 12)?,
            special,
        })
    }

    /// Whether another header describes the same volume.
    pub fn is_like(&self, other: &VolumeHeader) -> bool {
        (self.block_bytes, self.blocks, &self.special) == (other.block_bytes, other.blocks, &other.special)
    }

    /// The fork of a special file.
    pub fn fork(&self, file: u32) -> &Fork {
        &self.special.iter().find(|(id, _)| *id == file).expect("all special files have a fork").1
    }
}

/// Where in a partition the HFS+ volume lies, by the master directory block of an HFS wrapper: first byte and length.
pub fn embedded(master: &[u8], partition_bytes: u64) -> Option<(u64, u64)> {
    if !master.starts_with(b"BD") || !matches!(master.get(124..126)?, b"H+" | b"HX") {
        return None;
    }
    let block = u64::from(be32(master, 20)?);
    let first = u64::from(be16(master, 28)?) * 512;
    let (start, count) = (u64::from(be16(master, 126)?), u64::from(be16(master, 128)?));
    let at = first.checked_add(start.checked_mul(block)?)?;
    let bytes = count.checked_mul(block)?;
    (bytes > 0 && at.checked_add(bytes)? <= partition_bytes).then_some((at, bytes))
}
