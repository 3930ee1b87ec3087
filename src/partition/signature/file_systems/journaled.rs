//! JFS, ReiserFS and SquashFS: superblocks without a checksum.
//!
//! Sources (from memory; held against the formatters and `blkid` by the tests): Linux `fs/jfs/jfs_superblock.h`,
//! `include/linux/reiserfs_fs.h`, `fs/squashfs/squashfs_fs.h`.

use crate::base::fields::{le16, le32, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn jfs(volume: &VolumeBytes) -> Option<Recognised> {
    const AT: u64 = 32 << 10;
    jfs_at(volume, AT).or_else(|| {
        // The second superblock stands behind the first inode table: 60 KiB (`SUPER2_OFF` with blocks of 4 KiB).
        let mut found = jfs_at(volume, AT + 0x7000)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn jfs_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sb = volume.get(at, 184).filter(|sb| sb.starts_with(b"JFS1"))?;
    let (block, log_block, sector) = (le32(sb, 16)?, le16(sb, 20)?, le32(sb, 24)?);
    if 1u32.checked_shl(u32::from(log_block)) != Some(block)
        || !(512..=4096).contains(&block)
        || 1u32.checked_shl(u32::from(le16(sb, 28)?)) != Some(sector)
    {
        return None;
    }
    let bytes = le64(sb, 8)?.checked_mul(u64::from(sector))?;
    let mut found = volume.recognised(Sign::Jfs, at, 184, "superblock JFS1");
    found.uuid = uuid(sb, 136);
    found.label = text(sb, 152, 16);
    found.bytes = Some(bytes);
    found.facts = vec![("version", le32(sb, 4)?.to_string()), ("block", format!("{block} bytes"))];
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}

pub fn reiserfs(volume: &VolumeBytes) -> Option<Recognised> {
    [64 << 10, 8 << 10].into_iter().find_map(|at| {
        let sb = volume.get(at, 204)?;
        let format = match &sb[52..61] {
            b"ReIsEr2Fs" => "3.6",
            b"ReIsEr3Fs" => "with its journal elsewhere",
            magic if magic.starts_with(b"ReIsErFs") => "3.5",
            _ => return None,
        };
        let block = le16(sb, 44)?;
        if !block.is_power_of_two() || block < 512 {
            return None;
        }
        let bytes = u64::from(le32(sb, 0)?) * u64::from(block);
        let mut found = volume.recognised(Sign::Reiserfs, at, 204, "superblock ReIsErFs");
        // Format 3.5 has neither.
        if format != "3.5" {
            found.uuid = uuid(sb, 84);
            found.label = text(sb, 100, 16);
        }
        found.bytes = Some(bytes);
        found.facts = vec![("format", format.to_owned()), ("block", format!("{block} bytes"))];
        found.certainty = Certainty::of(volume.holds(bytes), None);
        Some(found)
    })
}

pub fn squashfs(volume: &VolumeBytes) -> Option<Recognised> {
    let sb = volume.get(0, 96).filter(|sb| sb.starts_with(b"hsqs"))?;
    let (major, minor) = (le16(sb, 28)?, le16(sb, 30)?);
    let block = le32(sb, 12)?;
    if major != 4 || 1u32.checked_shl(u32::from(le16(sb, 22)?)) != Some(block) || block < 4096 {
        return None;
    }
    let bytes = le64(sb, 40)?;
    let mut found = volume.recognised(Sign::Squashfs, 0, 96, "superblock hsqs");
    found.bytes = Some(bytes);
    found.facts = vec![("version", format!("{major}.{minor}")), ("block", format!("{block} bytes"))];
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}
