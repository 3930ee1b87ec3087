//! ISO 9660 and UDF.
//!
//! Sources: ECMA-119, 8.4 (primary volume descriptor); ECMA-167, parts 2 and 3 (volume recognition sequence, descriptor
//! tag 3/7.2, anchor 3/10.2, primary volume descriptor 3/10.1), from memory; held against `genisoimage`, `mkudffs` and
//! `blkid` by the tests.

use crate::base::fields::{be16, be32, byte, le16, le32};
use crate::partition::signature::checksums::crc16;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, utf16};
use crate::partition::signature::volume_bytes::VolumeBytes;
use crate::source::{SourceLost, Window};

const RECOGNITION_AT: u64 = 32 << 10;
/// Sector sizes of media that UDF is found on.
const SECTORS: [u64; 4] = [2048, 512, 4096, 1024];
/// The sector that the anchor stands in.
const ANCHOR: u64 = 256;

pub fn iso(volume: &VolumeBytes) -> Option<Recognised> {
    let descriptor = volume.get(RECOGNITION_AT, 2048).filter(|d| d[0] == 1 && &d[1..7] == b"CD001\x01")?;
    let (sectors, block) = (le32(descriptor, 80)?, le16(descriptor, 128)?);
    // Both byte orders are written; they must agree.
    if be32(descriptor, 84)? != sectors || be16(descriptor, 130)? != block || !block.is_power_of_two() || block < 512 {
        return None;
    }
    let bytes = u64::from(sectors) * u64::from(block);
    let mut found = volume.recognised(Sign::Iso9660, RECOGNITION_AT, 2048, "primary volume descriptor CD001");
    found.label = text(descriptor, 40, 32);
    // A disc has no identifier; its times of change and of creation serve as one.
    found.uuid = [830, 813].into_iter().find_map(|at| time(descriptor, at));
    found.bytes = Some(bytes);
    found.certainty = Certainty::of(volume.holds(bytes), None);
    Some(found)
}

/// Sixteen digits, as `YYYY-MM-DD-hh-mm-ss-cc`; `None` when not given.
fn time(descriptor: &[u8], at: usize) -> Option<String> {
    let digits = descriptor.get(at..at + 16)?;
    if !digits.iter().all(u8::is_ascii_digit) || digits.iter().all(|d| *d == b'0') {
        return None;
    }
    let digits = std::str::from_utf8(digits).ok()?;
    let parts =
        [&digits[..4], &digits[4..6], &digits[6..8], &digits[8..10], &digits[10..12], &digits[12..14], &digits[14..]];
    Some(parts.join("-"))
}

/// The descriptor of the volume recognition sequence that announces UDF: its place.
fn announced(volume: &VolumeBytes) -> Option<u64> {
    // Descriptors stand 2 KiB apart, or a sector where that is larger.
    [2048u64, 4096].into_iter().find_map(|step| {
        let places = (0..8).map(|n| RECOGNITION_AT + n * step);
        places.into_iter().find(|at| {
            volume.get(at + 1, 5).is_some_and(|id| id == b"NSR02" || id == b"NSR03") && volume.stands(at + 6, &[1])
        })
    })
}

/// Where UDF is announced, its anchor and the descriptors it points to are read as well.
pub fn read_further(volume: &mut VolumeBytes, window: &Window<'_>) -> Result<(), SourceLost> {
    if announced(volume).is_none() {
        return Ok(());
    }
    for sector in SECTORS {
        volume.read(window, ANCHOR * sector, 512)?;
        if let Some((at, bytes)) = anchor(volume, sector) {
            return volume.read(window, at, bytes.min(DESCRIPTORS_BYTES));
        }
    }
    Ok(())
}

/// Types of descriptors (3/7.2.1).
const PRIMARY_VOLUME: u16 = 1;
const LOGICAL_VOLUME: u16 = 6;

/// What of the volume descriptor sequence is read: it has sixteen sectors at least.
const DESCRIPTORS_BYTES: u64 = 16 << 11;

/// Place and length of the volume descriptor sequence, by an anchor whose checksums hold.
fn anchor(volume: &VolumeBytes, sector: u64) -> Option<(u64, u64)> {
    let anchor = volume.get(ANCHOR * sector, 512).filter(|anchor| tag_holds(anchor, 2, ANCHOR))?;
    Some((u64::from(le32(anchor, 20)?) * sector, u64::from(le32(anchor, 16)?)))
}

/// Whether a descriptor's tag has the type and place, and its checksum and CRC hold (3/7.2).
fn tag_holds(descriptor: &[u8], kind: u16, sector: u64) -> bool {
    let holds = || {
        let sum =
            descriptor.get(..16)?.iter().enumerate().filter(|(n, _)| *n != 4).fold(0u8, |s, (_, b)| s.wrapping_add(*b));
        let length = usize::from(le16(descriptor, 10)?);
        let body = descriptor.get(16..16 + length)?;
        Some(
            le16(descriptor, 0)? == kind
                && byte(descriptor, 4)? == sum
                && u64::from(le32(descriptor, 12)?) == sector
                && crc16(body) == le16(descriptor, 8)?,
        )
    };
    holds().unwrap_or(false)
}

pub fn udf(volume: &VolumeBytes) -> Option<Recognised> {
    let at = announced(volume)?;
    let mut found = volume.recognised(Sign::Udf, at, 2048, "volume recognition sequence NSR");
    found.certainty = Certainty::Partial;
    if let Some((sector, (start, bytes))) = SECTORS.into_iter().find_map(|s| Some((s, anchor(volume, s)?))) {
        found.certainty = Certainty::Checksummed;
        found.facts = vec![("sector", format!("{sector} bytes"))];
        let end = start.saturating_add(bytes.min(DESCRIPTORS_BYTES)) / sector;
        let descriptor =
            |kind| (start / sector..end).find_map(|n| volume.get(n * sector, 512).filter(|d| tag_holds(d, kind, n)));
        found.label = descriptor(LOGICAL_VOLUME).and_then(|logical| dstring(logical.get(84..212)?));
        if let Some(primary) = descriptor(PRIMARY_VOLUME) {
            // Writers begin the name of the volume set with sixteen digits that are unique (OSTA UDF 2.60, 2.2.2.5).
            let set = primary.get(72..200).and_then(dstring).unwrap_or_default().to_lowercase();
            found.uuid = set.get(..16).filter(|id| id.bytes().all(|b| b.is_ascii_hexdigit())).map(str::to_owned);
            found.label = found.label.or_else(|| dstring(primary.get(24..56)?));
        }
        found.first.extend(volume.place(ANCHOR * sector, sector));
        found.first.extend(volume.place(start, bytes.min(1 << 20)));
    }
    Some(found)
}

/// OSTA compressed Unicode in a field whose last byte is its length (OSTA UDF 2.60, 2.1.1 and 2.1.3).
fn dstring(field: &[u8]) -> Option<String> {
    let (length, field) = field.split_last()?;
    let used = field.get(..usize::from(*length))?;
    let (form, units) = used.split_first()?;
    match form {
        8 => Some(units.iter().take_while(|b| **b != 0).map(|b| char::from(*b)).collect()),
        16 => utf16(units, u16::from_be_bytes),
        _ => None,
    }
    .filter(|text: &String| !text.is_empty())
}
