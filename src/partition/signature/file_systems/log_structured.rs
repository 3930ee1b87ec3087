//! F2FS and NILFS2.
//!
//! Sources: Linux `include/linux/f2fs_fs.h` (from memory) and `include/uapi/linux/nilfs2_ondisk.h`.

use crate::base::fields::{le16, le32, le64};
use crate::partition::signature::checksums::crc32_le;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, utf16, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn f2fs(volume: &VolumeBytes) -> Option<Recognised> {
    f2fs_at(volume, 1024).or_else(|| {
        let mut found = f2fs_at(volume, 4096 + 1024)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn f2fs_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sb = volume.get(at, 1024 + 512).filter(|sb| le32(sb, 0) == Some(0xF2F5_2010))?;
    let (log_sector, log_sectors, log_block) = (le32(sb, 8)?, le32(sb, 12)?, le32(sb, 16)?);
    let in_range = (9..=12).contains(&log_sector)
        && (12..=16).contains(&log_block)
        && log_sector.checked_add(log_sectors) == Some(log_block)
        && le32(sb, 20)? == 9;
    if !in_range {
        return None;
    }
    let bytes = le64(sb, 36)?.checked_mul(1 << log_block)?;
    let mut found = volume.recognised(Sign::F2fs, at, 3072, "superblock F2F52010");
    found.uuid = uuid(sb, 108);
    found.label = utf16(&sb[124..124 + 1024], u16::from_le_bytes);
    found.bytes = Some(bytes);
    found.facts = vec![("version", format!("{}.{}", le16(sb, 4)?, le16(sb, 6)?))];
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}

pub fn nilfs2(volume: &VolumeBytes) -> Option<Recognised> {
    nilfs2_at(volume, 1024).or_else(|| {
        // `NILFS_SB2_OFFSET_BYTES`: the last but one whole block of 4 KiB.
        let mut found = nilfs2_at(volume, (volume.bytes() >> 12).checked_sub(1)? << 12)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn nilfs2_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sb = volume.get(at, 1024).filter(|sb| le16(sb, 6) == Some(0x3434))?;
    let summed = usize::from(le16(sb, 8)?);
    if !(20..=1024).contains(&summed) || le32(sb, 20)? > 6 {
        return None;
    }
    let bytes = le64(sb, 32)?;
    let sum = crc32_le(le32(sb, 12)?, &[&sb[..16], &[0; 4], &sb[20..summed]]);
    let mut found = volume.recognised(Sign::Nilfs2, at, 1024, "superblock 3434");
    found.uuid = uuid(sb, 0x98);
    found.label = text(sb, 0xA8, 80);
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{} bytes", 1024u32 << le32(sb, 20)?))];
    found.certainty = Certainty::of(volume.holds(bytes), Some(sum == le32(sb, 16)?));
    // The signature has but two bytes.
    (found.certainty >= Certainty::Consistent).then_some(found)
}
