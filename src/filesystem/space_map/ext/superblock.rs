//! The superblock of ext2, ext3 and ext4, as far as the allocation map needs it.
//!
//! Source: Linux, Documentation/filesystems/ext4/super.rst; held against `dumpe2fs` by the tests.

use crate::base::fields::{bytes_at, le16, le32};
use crate::partition::signature::checksums::crc32c_from;

/// Where the first superblock stands, and the length of each, in bytes.
pub const AT: u64 = 1024;
pub const BYTES: u64 = 1024;

const COMPAT_SPARSE_SUPER2: u32 = 0x200;
const INCOMPAT_RECOVER: u32 = 0x4;
const INCOMPAT_META_BG: u32 = 0x10;
const INCOMPAT_64BIT: u32 = 0x80;
const INCOMPAT_FLEX_BG: u32 = 0x200;
const INCOMPAT_CSUM_SEED: u32 = 0x2000;
/// Those that leave the allocation map as it is: file types, extents, multiple mount protection, attributes in inodes, large folders,
/// data in inodes, encrypted files, folded case.
const INCOMPAT_ELSEWHERE: u32 = 0x2 | 0x40 | 0x100 | 0x400 | 0x4000 | 0x8000 | 0x1_0000 | 0x2_0000;
const INCOMPAT_KNOWN: u32 =
    INCOMPAT_RECOVER | INCOMPAT_META_BG | INCOMPAT_64BIT | INCOMPAT_FLEX_BG | INCOMPAT_CSUM_SEED | INCOMPAT_ELSEWHERE;
const RO_COMPAT_SPARSE_SUPER: u32 = 0x1;
const RO_COMPAT_GDT_CSUM: u32 = 0x10;
const RO_COMPAT_BIGALLOC: u32 = 0x200;
const RO_COMPAT_METADATA_CSUM: u32 = 0x400;
const COMPAT_HAS_JOURNAL: u32 = 0x4;

/// The fewest blocks of a group that a formatter makes (`mke2fs`, from memory); what is below would need unbounded memory.
const LEAST_GROUP_BLOCKS: u64 = 256;

/// What protects group descriptors and bitmaps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Checksums {
    /// Nothing; the flags of uninitialised groups mean nothing either.
    None,
    /// CRC-16 in the descriptors.
    Descriptors,
    /// CRC-32C in descriptors and bitmaps.
    Metadata,
}

/// Which groups hold copies of the superblock.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Copies {
    /// All.
    All,
    /// Group 1 and the powers of 3, 5 and 7.
    Sparse,
    /// These two; 0 is none.
    Two([u32; 2]),
}

/// What does not change while a volume is used, and is the same in all copies.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Geometry {
    /// Bytes in a block.
    pub block_bytes: u64,
    /// Blocks of the volume.
    pub blocks: u64,
    /// The first block of the first group.
    pub first_block: u64,
    /// Blocks in a group.
    pub group_blocks: u64,
    /// Blocks that share a bit of the map.
    pub cluster_blocks: u64,
    /// Blocks of a group's inode table.
    pub inode_table_blocks: u64,
    /// Inodes in a group.
    pub group_inodes: u64,
    /// Bytes of an inode.
    pub inode_bytes: u64,
    /// Bytes of a group descriptor.
    pub descriptor_bytes: u64,
    /// Identifier.
    pub uuid: [u8; 16],
}

/// A superblock.
#[derive(Clone, Debug)]
pub struct Superblock {
    /// What all copies have in common.
    pub geometry: Geometry,
    /// Groups with copies.
    pub copies: Copies,
    /// Protection.
    pub checksums: Checksums,
    /// Seed of CRC-32C.
    pub seed: u32,
    /// Blocks reserved behind the descriptors for their growth.
    pub reserved_descriptor_blocks: u64,
    /// The first descriptor block that lies in its own groups; `None` where all lie behind the superblock.
    pub first_meta_block: Option<u64>,
    /// Whether bitmaps and inode tables may lie in other groups.
    pub is_flexible: bool,
    /// Free blocks; old in copies.
    pub free_blocks: u64,
    /// Whether the journal holds what the map does not.
    pub needs_recovery: bool,
    /// Whether there is a journal.
    pub has_journal: bool,
    /// Whether it was not cleanly unmounted; says nothing in copies.
    pub dirty: bool,
    /// Whether errors were found in it while it was mounted.
    pub has_errors: bool,
    /// The journal's inode: its fifteen block words, and its size in bytes, where a copy of them is kept.
    pub journal_inode: Option<([u8; 60], u64)>,
    /// Whether the checksum is right, where there is one.
    pub checksum_holds: Option<bool>,
    /// The group that this superblock says it stands in.
    pub group: u16,
}

/// Why a superblock is of no use.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SuperblockError {
    /// No signature, or fields outside their ranges.
    #[error("no superblock, or fields outside their ranges")]
    Damaged,
    /// Features that are not known.
    #[error("it has features (incompatible: {0:#x}) that may change the map in ways not known here")]
    UnknownFeatures(u32),
}

impl Superblock {
    /// Checks all that the map needs.
    ///
    /// # Errors
    /// [`SuperblockError`].
    pub fn parse(sb: &[u8]) -> Result<Superblock, SuperblockError> {
        Superblock::fields(sb).ok_or(SuperblockError::Damaged)?
    }

    fn fields(sb: &[u8]) -> Option<Result<Superblock, SuperblockError>> {
        let sb: &[u8; 1024] = sb.try_into().ok()?;
        if le16(sb, 0x38)? != 0xEF53 {
            return None;
        }
        // Revision 0 has no feature fields.
        let is_old = le32(sb, 0x4C)? == 0;
        let feature = |at: usize| if is_old { Some(0) } else { le32(sb, at) };
        let (compat, incompat, ro_compat) = (feature(0x5C)?, feature(0x60)?, feature(0x64)?);
        if incompat & !INCOMPAT_KNOWN != 0 {
            return Some(Err(SuperblockError::UnknownFeatures(incompat & !INCOMPAT_KNOWN)));
        }
        let is_64bit = incompat & INCOMPAT_64BIT != 0;
        let number = |low: usize, high: usize| {
            let high = if is_64bit { le32(sb, high)? } else { 0 };
            Some(u64::from(high) << 32 | u64::from(le32(sb, low)?))
        };
        let geometry = geometry(sb, number(0x4, 0x150)?, (is_old, is_64bit, ro_compat & RO_COMPAT_BIGALLOC != 0))?;
        let checksums = match ro_compat {
            _ if ro_compat & RO_COMPAT_METADATA_CSUM != 0 => Checksums::Metadata,
            _ if ro_compat & RO_COMPAT_GDT_CSUM != 0 => Checksums::Descriptors,
            _ => Checksums::None,
        };
        let copies = match ro_compat & RO_COMPAT_SPARSE_SUPER {
            _ if compat & COMPAT_SPARSE_SUPER2 != 0 => Copies::Two([le32(sb, 0x24C)?, le32(sb, 0x250)?]),
            0 => Copies::All,
            _ => Copies::Sparse,
        };
        let seed = match incompat & INCOMPAT_CSUM_SEED {
            0 => crc32c_from(!0, &geometry.uuid),
            _ => le32(sb, 0x270)?,
        };
        let journal_size = u64::from(le32(sb, 0x148)?) << 32 | u64::from(le32(sb, 0x14C)?);
        let journal_words = bytes_at::<60>(sb, 0x10C)?;
        let keeps_journal_inode = sb[0xFD] <= 1 && le32(sb, 0xE0)? != 0 && journal_words.iter().any(|byte| *byte != 0);
        let state = le16(sb, 0x3A)?;
        Some(Ok(Superblock {
            geometry,
            copies,
            checksums,
            seed,
            reserved_descriptor_blocks: le16(sb, 0xCE)?.into(),
            first_meta_block: (incompat & INCOMPAT_META_BG != 0).then_some(le32(sb, 0x104)?.into()),
            is_flexible: incompat & INCOMPAT_FLEX_BG != 0,
            free_blocks: number(0xC, 0x158)?,
            needs_recovery: incompat & INCOMPAT_RECOVER != 0,
            has_journal: compat & COMPAT_HAS_JOURNAL != 0,
            dirty: state & 1 == 0,
            has_errors: state & 2 != 0,
            journal_inode: keeps_journal_inode.then_some((journal_words, journal_size)),
            checksum_holds: (checksums == Checksums::Metadata)
                .then(|| Some(crc32c_from(!0, &sb[..0x3FC])) == le32(sb, 0x3FC)),
            group: le16(sb, 0x5A)?,
        }))
    }
}

fn geometry(sb: &[u8], blocks: u64, (is_old, is_64bit, has_clusters): (bool, bool, bool)) -> Option<Geometry> {
    let log_block = le32(sb, 0x18).filter(|log| *log <= 6)?;
    let block_bytes = 1024u64 << log_block;
    let log_cluster =
        if has_clusters { le32(sb, 0x1C).filter(|log| (log_block..=20).contains(log))? } else { log_block };
    let cluster_blocks = 1u64 << (log_cluster - log_block);
    let first_block = u64::from(le32(sb, 0x14)?);
    let group_blocks = u64::from(le32(sb, 0x20)?);
    let group_inodes = u64::from(le32(sb, 0x28)?);
    let inode_bytes = if is_old { 128 } else { u64::from(le16(sb, 0x58)?) };
    let descriptor_bytes = if is_64bit { u64::from(le16(sb, 0xFE)?) } else { 32 };
    let largest_group = block_bytes * 8 * cluster_blocks;
    let fits = (first_block == u64::from(block_bytes == 1024) || (has_clusters && first_block == 0))
        && (LEAST_GROUP_BLOCKS..=largest_group).contains(&group_blocks)
        && group_blocks % (8 * cluster_blocks) == 0
        && (1..=block_bytes * 8).contains(&group_inodes)
        && inode_bytes.is_power_of_two()
        && (128..=block_bytes).contains(&inode_bytes)
        && descriptor_bytes.is_power_of_two()
        && (if is_64bit { 64 } else { 32 }..=block_bytes.min(1024)).contains(&descriptor_bytes)
        && blocks > first_block
        && blocks.checked_mul(block_bytes).is_some();
    let uuid = bytes_at::<16>(sb, 0x68)?;
    let inode_table_blocks = group_inodes.checked_mul(inode_bytes)?.div_ceil(block_bytes);
    fits.then_some(Geometry {
        block_bytes,
        blocks,
        first_block,
        group_blocks,
        cluster_blocks,
        inode_table_blocks,
        group_inodes,
        inode_bytes,
        descriptor_bytes,
        uuid,
    })
}
