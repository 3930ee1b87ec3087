//! ext2, ext3 and ext4.
//!
//! Source: Linux `fs/ext4/ext4.h`, `struct ext4_super_block`, and Documentation/filesystems/ext4/super.rst (from memory);
//! held against `mke2fs` and `blkid` by the tests.

use crate::base::fields::{le16, le32};
use crate::partition::signature::checksums::crc32c;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

/// Where the superblock stands, and its length.
const AT: u64 = 1024;
const BYTES: u64 = 1024;

/// Where the second superblock stands with blocks of 1, 2 and 4 KiB: at the start of the second group, which has eight
/// blocks for each byte of a block (and with blocks of 1 KiB the first group starts at block 1).
pub const COPIES_AT: [u64; 3] = [8193 << 10, 16384 * 2048, 32768 * 4096];

const COMPAT_JOURNAL: u32 = 0x4;
const INCOMPAT_JOURNAL_DEVICE: u32 = 0x8;
/// What ext3 knows beside ext2; anything else makes it ext4: filetype, needs recovery, meta block groups.
const INCOMPAT_OF_EXT3: u32 = 0x2 | 0x4 | 0x10;
const INCOMPAT_64BIT: u32 = 0x80;
const INCOMPAT_ENCRYPT: u32 = 0x1_0000;
/// Sparse superblocks, large files, B-tree folders.
const RO_COMPAT_OF_EXT3: u32 = 0x1 | 0x2 | 0x4;
/// A bit of the allocation map is a cluster of blocks.
const RO_COMPAT_BIGALLOC: u32 = 0x200;
const RO_COMPAT_METADATA_CHECKSUM: u32 = 0x400;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    superblock(volume, AT, 0).or_else(|| COPIES_AT.iter().find_map(|at| copy(volume, *at)))
}

/// A second superblock, whose number of blocks must put it where it is.
fn copy(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let mut found = superblock(volume, at, 1)?;
    found.certainty = found.certainty.min(Certainty::Copy);
    Some(found)
}

fn superblock(volume: &VolumeBytes, at: u64, group: u16) -> Option<Recognised> {
    let sb = volume.get(at, BYTES)?;
    if le16(sb, 0x38)? != 0xEF53 || le16(sb, 0x5A)? != group {
        return None;
    }
    let log_block = le32(sb, 0x18)?;
    let block = 1024u64 << Some(log_block).filter(|log| *log <= 6)?;
    let (compat, incompat, ro_compat) = (le32(sb, 0x5C)?, le32(sb, 0x60)?, le32(sb, 0x64)?);
    let high = if incompat & INCOMPAT_64BIT == 0 { 0 } else { le32(sb, 0x150)? };
    let blocks = u64::from(high) << 32 | u64::from(le32(sb, 0x04)?);
    let bytes = blocks.checked_mul(block)?;
    let first = u64::from(le32(sb, 0x14)?);
    let per_group = u64::from(le32(sb, 0x20)?);
    let inodes_per_group = le32(sb, 0x28)?;
    let has_clusters = ro_compat & RO_COMPAT_BIGALLOC != 0;
    let log_cluster = if has_clusters { le32(sb, 0x1C)? } else { log_block };
    let cluster_blocks = 1u64 << log_cluster.checked_sub(log_block).filter(|log| *log <= 20)?;
    let in_range = (first == u64::from(block == 1024) || (has_clusters && first == 0))
        && (1..=block * 8 * cluster_blocks).contains(&per_group)
        && blocks > first
        && (group == 0 || (first + per_group).checked_mul(block)? == at);
    let is_journal = incompat & INCOMPAT_JOURNAL_DEVICE != 0;
    if !is_journal && (!in_range || inodes_per_group == 0) {
        return None;
    }
    let kind = if is_journal {
        Sign::ExtJournal
    } else if incompat & !INCOMPAT_OF_EXT3 != 0 || ro_compat & !RO_COMPAT_OF_EXT3 != 0 {
        Sign::Ext4
    } else if compat & COMPAT_JOURNAL != 0 {
        Sign::Ext3
    } else {
        Sign::Ext2
    };
    let mut found = volume.recognised(kind, at, BYTES, "superblock EF53");
    found.label = text(sb, 0x78, 16);
    found.uuid = uuid(sb, 0x68);
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{block} bytes"))];
    if incompat & INCOMPAT_ENCRYPT != 0 {
        found.facts.push(("folders", "some may be encrypted".to_owned()));
    }
    if le16(sb, 0x3A)? & 1 == 0 {
        found.facts.push(("state", "not cleanly unmounted".to_owned()));
    }
    let has_sum = ro_compat & RO_COMPAT_METADATA_CHECKSUM != 0;
    let sum_holds = has_sum.then(|| Some(!crc32c(&[&sb[..0x3FC]])) == le32(sb, 0x3FC));
    found.certainty = Certainty::of(volume.holds(bytes), sum_holds);
    Some(found)
}
