//! The Apple partition map and Apple RAID, big-endian; CoreStorage, little-endian.
//!
//! Sources (from memory): Inside Macintosh: Devices, 3-12 (partition map); libyal/libfvde, format documentation.

use crate::base::fields::{be16, be32, le16, le32, le64};
use crate::partition::signature::checksums::crc32c_from;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::uuid;
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn partition_map(volume: &VolumeBytes) -> Option<Recognised> {
    let first = volume.get(0, 512).filter(|first| first.starts_with(b"ER"))?;
    let block = u64::from(be16(first, 2)?);
    if !block.is_power_of_two() || !(512..=4096).contains(&block) {
        return None;
    }
    // The map's first entry describes the map itself. Optical media count it in blocks of 512 all the same.
    [512, block].into_iter().find_map(|at| {
        let entry = volume.get(at, 512).filter(|entry| entry.starts_with(b"PM"))?;
        let entries = be32(entry, 4)?;
        if !(1..=64).contains(&entries) || be32(entry, 8)? == 0 {
            return None;
        }
        let mut found = volume.recognised(Sign::ApplePartitionMap, at, 512, "partition map PM behind ER");
        found.bytes = Some(u64::from(be32(first, 4)?) * block).filter(|bytes| *bytes > 0);
        found.facts = vec![("entries", entries.to_string())];
        found.certainty = Certainty::of(found.bytes.is_none_or(|bytes| volume.holds(bytes)), None);
        found.first.extend(volume.place(0, at + u64::from(entries) * 512));
        Some(found)
    })
}

pub fn raid(volume: &VolumeBytes) -> Option<Recognised> {
    // In the last whole 4 KiB.
    let at = (volume.bytes() / 4096).checked_sub(1)? * 4096;
    volume.stands(at, b"AppleRAIDHeader\0").then(|| {
        let mut found = volume.recognised(Sign::AppleRaid, at, 4096, "AppleRAIDHeader");
        // Nothing else in it is looked at.
        found.certainty = Certainty::Partial;
        found.first.extend(volume.place(at, 4096));
        found
    })
}

pub fn core_storage(volume: &VolumeBytes) -> Option<Recognised> {
    let header = volume.get(0, 512).filter(|header| &header[88..90] == b"CS")?;
    let (block, metadata) = (u64::from(le32(header, 96)?), u64::from(le32(header, 100)?));
    if le16(header, 8)? != 1 || le16(header, 10)? != 0x10 || !block.is_power_of_two() || !(512..=65536).contains(&block)
    {
        return None;
    }
    let bytes = le64(header, 64)?;
    let sum = crc32c_from(le32(header, 4)?, &header[8..]);
    let mut found = volume.recognised(Sign::CoreStorage, 0, 512, "physical volume header CS");
    found.uuid = uuid(header, 304);
    found.bytes = Some(bytes);
    found.facts.extend(uuid(header, 320).map(|group| ("volume group", group)));
    found.facts.push(("encryption", "possible: told only by the encrypted metadata".to_owned()));
    found.certainty = Certainty::of(volume.holds(bytes), Some(sum == le32(header, 0)?));
    found.first.extend(volume.place(0, 512));
    for n in 0..4 {
        let at = le64(header, 104 + n * 8)?.checked_mul(block)?;
        found.first.extend((at > 0).then(|| volume.place(at, metadata.min(64 << 20))).flatten());
    }
    Some(found)
}
