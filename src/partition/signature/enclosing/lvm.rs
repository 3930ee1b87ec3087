//! LVM2 physical volumes.
//!
//! Source: LVM2 `lib/format_text/layout.h` and `lib/label/label.h` (from memory; held against `pvcreate` and `blkid` by the
//! tests).

use crate::base::fields::{le32, le64};
use crate::partition::signature::checksums::crc32_le;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;

/// Where LVM2 starts its checksums from (`INITIAL_CRC`).
const SEED: u32 = 0xF597_A6CF;
/// `FMTT_MAGIC`.
const METADATA_MAGIC: &[u8] = b" LVM2 x[5A%r0N*>";

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    // The label stands in one of the first four sectors, the second as a rule, and says in which.
    (0..4u64).find_map(|sector| label(volume, sector))
}

fn label(volume: &VolumeBytes, sector: u64) -> Option<Recognised> {
    let at = sector * 512;
    let label = volume.get(at, 512).filter(|label| label.starts_with(b"LABELONE") && &label[24..32] == b"LVM2 001")?;
    if le64(label, 8)? != sector || crc32_le(SEED, &[&label[20..]]) != le32(label, 16)? {
        return None;
    }
    let header = usize::try_from(le32(label, 20)?).ok()?;
    let id = label.get(header..header.checked_add(32)?)?;
    let bytes = le64(label, header + 32)?;
    let (data, rest) = areas(label, header + 40)?;
    let (metadata, _) = areas(label, rest)?;
    let mut found = volume.recognised(Sign::LvmMember, at, 512, "label LABELONE LVM2 001");
    found.uuid = std::str::from_utf8(id).ok().map(dashed);
    found.bytes = Some(bytes);
    found.first.extend(volume.place(0, 4096));
    let sound = |(at, _): &&(u64, u64)| {
        let header = volume.get(*at, 512)?;
        Some(&header[4..20] == METADATA_MAGIC && crc32_le(SEED, &[&header[4..]]) == le32(header, 0)?)
    };
    // A later file system leaves the label as it was, but not the metadata behind it.
    let intact = metadata.first().as_ref().and_then(sound);
    found.certainty = match intact {
        Some(false) => Certainty::Partial,
        _ => Certainty::of(volume.holds(bytes), intact),
    };
    if intact == Some(false) {
        found.facts.push(("metadata", "damaged or written over".to_owned()));
    }
    if let Some(group) = metadata.first().and_then(|area| group_name(volume, *area)) {
        found.facts.push(("volume group", group));
    }
    if let Some((at, _)) = data.first() {
        found.facts.push(("data from byte", at.to_string()));
    }
    found.first.extend(metadata.iter().filter_map(|(at, bytes)| volume.place(*at, *bytes)));
    Some(found)
}

/// Pairs of offset and length up to one that is zero, and where the next list begins.
fn areas(label: &[u8], mut at: usize) -> Option<(Vec<(u64, u64)>, usize)> {
    let mut list = Vec::new();
    loop {
        let pair = (le64(label, at)?, le64(label, at + 8)?);
        at += 16;
        if pair.0 == 0 {
            return Some((list, at));
        }
        list.push(pair);
    }
}

/// The name that begins the metadata's text, which stands where the header's first entry says.
fn group_name(volume: &VolumeBytes, (area, _): (u64, u64)) -> Option<String> {
    let header = volume.get(area, 512)?;
    let (at, bytes) = (le64(header, 40)?, le64(header, 48)?);
    let text = volume.get(area.checked_add(at)?, bytes.min(128))?;
    let end = text.iter().position(|b| *b == b' ')?;
    let name = std::str::from_utf8(&text[..end]).ok()?;
    (!name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || "+_.-".contains(c))).then(|| name.to_owned())
}

/// The 32 characters of an identifier as LVM2 prints them.
fn dashed(id: &str) -> String {
    const ENDS: [usize; 6] = [6, 10, 14, 18, 22, 26];
    id.chars().enumerate().fold(String::new(), |mut text, (n, c)| {
        if ENDS.contains(&n) {
            text.push('-');
        }
        text.push(c);
        text
    })
}
