//! HFS, HFS+ and HFSX; big-endian.
//!
//! Sources (from memory): Technical Note TN1150; Inside Macintosh: Files, 2-59 (`MDB`). Held against `hformat`, `xorriso` and
//! `blkid` by the tests.

use crate::base::fields::{be16, be32, byte};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;

const AT: u64 = 1024;
const HEADER_BYTES: u64 = 512;

pub fn hfs_plus(volume: &VolumeBytes) -> Option<Recognised> {
    let at_end = volume.bytes().checked_sub(AT);
    hfs_plus_at(volume, AT).or_else(|| {
        let mut found = hfs_plus_at(volume, at_end?)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn hfs_plus_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let header = volume.get(at, HEADER_BYTES)?;
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
    let mut found = volume.recognised(kind, at, HEADER_BYTES, "volume header H+ or HX");
    found.bytes = Some(bytes);
    found.uuid = header.get(104..112).filter(|id| id.iter().any(|b| *b != 0)).map(hex::encode);
    found.facts = vec![("block", format!("{block} bytes"))];
    // Bit 8: cleanly unmounted.
    if be32(header, 4)? & 0x100 == 0 {
        found.facts.push(("state", "not cleanly unmounted".to_owned()));
    }
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}

pub fn hfs(volume: &VolumeBytes) -> Option<Recognised> {
    let block = volume.get(AT, 162).filter(|block| block.starts_with(b"BD"))?;
    let (count, size, start) = (be16(block, 18)?, be32(block, 20)?, be16(block, 28)?);
    if size == 0 || size % 512 != 0 || count == 0 || be16(block, 34)? > count {
        return None;
    }
    let bytes = u64::from(count) * u64::from(size) + u64::from(start) * 512 + AT;
    let kind = match block.get(124..126) {
        Some(b"H+") => Sign::HfsPlus,
        Some(b"HX") => Sign::Hfsx,
        _ => Sign::Hfs,
    };
    let mut found = volume.recognised(kind, AT, 512, "master directory block BD");
    let length = usize::from(byte(block, 36)?.min(27));
    found.label = Some(String::from_utf8_lossy(&block[37..37 + length]).into_owned()).filter(|name| !name.is_empty());
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{size} bytes"))];
    if kind != Sign::Hfs {
        found.facts.push(("wrapped in", "HFS".to_owned()));
    }
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}
