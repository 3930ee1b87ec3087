//! XFS.
//!
//! Source: Linux `fs/xfs/libxfs/xfs_format.h`, `struct xfs_dsb` (from memory; held against `mkfs.xfs` and `blkid` by the
//! tests). Big-endian, except for the checksum.

use crate::base::fields::{be16, be32, be64, byte, le32};
use crate::partition::signature::checksums::crc32c;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

const CHECKSUM_AT: usize = 224;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    let sb = volume.get(0, 512).filter(|sb| sb.starts_with(b"XFSB"))?;
    let block = be32(sb, 4)?;
    let blocks = be64(sb, 8)?;
    let (group_blocks, groups) = (u64::from(be32(sb, 84)?), u64::from(be32(sb, 88)?));
    let sector = be16(sb, 102)?;
    let in_range = (512..=65536).contains(&block)
        && 1u32.checked_shl(u32::from(byte(sb, 120)?)) == Some(block)
        && (512..=32768).contains(&sector)
        && 1u32.checked_shl(u32::from(byte(sb, 121)?)) == Some(u32::from(sector))
        && groups > 0
        && (groups - 1) * group_blocks < blocks
        && blocks <= groups * group_blocks;
    if !in_range {
        return None;
    }
    let bytes = blocks.checked_mul(u64::from(block))?;
    let mut found = volume.recognised(Sign::Xfs, 0, u64::from(sector), "superblock XFSB");
    found.uuid = uuid(sb, 32);
    found.label = text(sb, 108, 12);
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{block} bytes")), ("allocation groups", groups.to_string())];
    // Only version 5 has a checksum.
    let version = be16(sb, 100)? & 0xF;
    let sum_holds = volume.get(0, u64::from(sector)).filter(|_| version == 5).map(|whole| {
        let sum = crc32c(&[&whole[..CHECKSUM_AT], &[0; 4], &whole[CHECKSUM_AT + 4..]]);
        le32(whole, CHECKSUM_AT) == Some(sum)
    });
    found.certainty = Certainty::of(volume.holds(bytes), sum_holds);
    Some(found)
}
