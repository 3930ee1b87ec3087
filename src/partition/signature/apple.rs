//! HFS, HFS+, HFSX, the Apple partition map, Apple RAID and CoreStorage; big-endian, except for CoreStorage.
//!
//! Sources (from memory): Technical Note TN1150; Inside Macintosh: Files, 2-59 (`MDB`) and Devices, 3-12 (partition map);
//! libyal/libfvde, format documentation. HFS and HFS+ are held against `hformat`, `xorriso` and `blkid` by the tests.

use super::checksums::crc32c_from;
use super::fields::{be16, be32, le16, le32, le64, u8_at, uuid};
use super::ground::Ground;
use super::sign::{Certainty, Recognised, Sign};

const AT: u64 = 1024;
const HEADER_BYTES: u64 = 512;

pub(super) fn hfs_plus(ground: &Ground) -> Option<Recognised> {
    let at_end = ground.bytes().checked_sub(AT);
    hfs_plus_at(ground, AT).or_else(|| {
        let mut found = hfs_plus_at(ground, at_end?)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn hfs_plus_at(ground: &Ground, at: u64) -> Option<Recognised> {
    let header = ground.get(at, HEADER_BYTES)?;
    let kind = match (&header[..2], be16(header, 2)?) {
        (b"H+", 4) => Sign::HfsPlus,
        (b"HX", 5) => Sign::Hfsx,
        _ => return None,
    };
    let (block, blocks, free) = (be32(header, 40)?, be32(header, 44)?, be32(header, 48)?);
    if !block.is_power_of_two() || block < 512 || free > blocks {
        return None;
    }
    let bytes = u64::from(block) * u64::from(blocks);
    let mut found = ground.recognised(kind, at, HEADER_BYTES, "volume header H+ or HX");
    found.bytes = Some(bytes);
    found.uuid = header.get(104..112).filter(|id| id.iter().any(|b| *b != 0)).map(hex::encode);
    found.facts = vec![("block", format!("{block} bytes"))];
    // Bit 8: cleanly unmounted.
    if be32(header, 4)? & 0x100 == 0 {
        found.facts.push(("state", "not cleanly unmounted".to_owned()));
    }
    found.certainty = Certainty::of(ground.holds(bytes), None);
    Some(found)
}

pub(super) fn hfs(ground: &Ground) -> Option<Recognised> {
    let block = ground.get(AT, 162).filter(|block| block.starts_with(b"BD"))?;
    let (count, size, start) = (be16(block, 18)?, be32(block, 20)?, be16(block, 28)?);
    if size == 0 || size % 512 != 0 || count == 0 || be16(block, 34)? > count {
        return None;
    }
    let bytes = u64::from(count) * u64::from(size) + u64::from(start) * 512 + AT;
    let wraps = block.get(124..126) == Some(b"H+");
    let kind = if wraps { Sign::HfsPlus } else { Sign::Hfs };
    let mut found = ground.recognised(kind, AT, 512, "master directory block BD");
    let length = usize::from(u8_at(block, 36)?.min(27));
    found.label = Some(String::from_utf8_lossy(&block[37..37 + length]).into_owned()).filter(|name| !name.is_empty());
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{size} bytes"))];
    if wraps {
        found.facts.push(("wrapped in", "HFS".to_owned()));
    }
    found.certainty = Certainty::of(ground.holds(bytes), None);
    Some(found)
}

pub(super) fn partition_map(ground: &Ground) -> Option<Recognised> {
    let first = ground.get(0, 512).filter(|first| first.starts_with(b"ER"))?;
    let block = u64::from(be16(first, 2)?);
    if !block.is_power_of_two() || !(512..=4096).contains(&block) {
        return None;
    }
    // The map's first entry describes the map itself. Optical media count it in blocks of 512 all the same.
    [512, block].into_iter().find_map(|at| {
        let entry = ground.get(at, 512).filter(|entry| entry.starts_with(b"PM"))?;
        let entries = be32(entry, 4)?;
        if !(1..=64).contains(&entries) || be32(entry, 8)? == 0 {
            return None;
        }
        let mut found = ground.recognised(Sign::ApplePartitionMap, at, 512, "partition map PM behind ER");
        found.bytes = Some(u64::from(be32(first, 4)?) * block).filter(|bytes| *bytes > 0);
        found.facts = vec![("entries", entries.to_string())];
        found.certainty = Certainty::of(found.bytes.is_none_or(|bytes| ground.holds(bytes)), None);
        found.first.extend(ground.place(0, at + u64::from(entries) * 512));
        Some(found)
    })
}

pub(super) fn raid(ground: &Ground) -> Option<Recognised> {
    // In the last whole 4 KiB.
    let at = (ground.bytes() / 4096).checked_sub(1)? * 4096;
    ground.stands(at, b"AppleRAIDHeader\0").then(|| {
        let mut found = ground.recognised(Sign::AppleRaid, at, 4096, "AppleRAIDHeader");
        // Nothing else in it is looked at.
        found.certainty = Certainty::Partial;
        found.first.extend(ground.place(at, 4096));
        found
    })
}

pub(super) fn core_storage(ground: &Ground) -> Option<Recognised> {
    let header = ground.get(0, 512).filter(|header| &header[88..90] == b"CS")?;
    let (block, metadata) = (u64::from(le32(header, 96)?), u64::from(le32(header, 100)?));
    if le16(header, 8)? != 1 || le16(header, 10)? != 0x10 || !block.is_power_of_two() || !(512..=65536).contains(&block)
    {
        return None;
    }
    let bytes = le64(header, 64)?;
    let sum = crc32c_from(le32(header, 4)?, &header[8..]);
    let mut found = ground.recognised(Sign::CoreStorage, 0, 512, "physical volume header CS");
    found.uuid = uuid(header, 304);
    found.bytes = Some(bytes);
    found.facts.extend(uuid(header, 320).map(|group| ("volume group", group)));
    found.facts.push(("encryption", "possible: told only by the encrypted metadata".to_owned()));
    found.certainty = Certainty::of(ground.holds(bytes), Some(sum == le32(header, 0)?));
    found.first.extend(ground.place(0, 512));
    for n in 0..4 {
        let at = le64(header, 104 + n * 8)?.checked_mul(block)?;
        found.first.extend((at > 0).then(|| ground.place(at, metadata.min(64 << 20))).flatten());
    }
    Some(found)
}
