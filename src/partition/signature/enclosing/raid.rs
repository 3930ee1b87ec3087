//! Members of software and firmware arrays.
//!
//! Sources: Linux `include/uapi/linux/raid/md_p.h` and, for the places, md(4) and `drivers/md/md.c` (from memory); SNIA Common
//! RAID Disk Data Format 2.0, 4.1 (from memory).

use crate::base::fields::{be32, le32, le64};
use crate::partition::signature::checksums::crc32_ieee;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

const MAGIC: u32 = 0xA92B_4EFC;
const SECTOR: u64 = 512;

/// Where the superblock of format 0.90 stands: the last whole 64 KiB but one to be cut from the member.
fn place_0_90(bytes: u64) -> Option<u64> {
    (bytes & !0xFFFF).checked_sub(0x1_0000)
}

/// Where that of format 1.0 stands: at least 8 KiB before the end, on a multiple of 4 KiB.
fn place_1_0(bytes: u64) -> Option<u64> {
    Some((bytes / SECTOR).checked_sub(16)? & !7).map(|sector| sector * SECTOR)
}

pub fn md(volume: &VolumeBytes) -> Option<Recognised> {
    let new = [(Some(0), "1.1"), (Some(4096), "1.2"), (place_1_0(volume.bytes()), "1.0")];
    new.into_iter().find_map(|(at, format)| format_1(volume, at?, format)).or_else(|| format_0_90(volume))
}

fn format_1(volume: &VolumeBytes, at: u64, format: &str) -> Option<Recognised> {
    let sb = volume.get(at, 256).filter(|sb| le32(sb, 0) == Some(MAGIC) && le32(sb, 4) == Some(1))?;
    let devices = le32(sb, 220)?;
    if le64(sb, 144)?.checked_mul(SECTOR) != Some(at) || devices > 1920 {
        return None;
    }
    let (data_at, data_bytes) = (le64(sb, 128)?.checked_mul(SECTOR)?, le64(sb, 136)?.checked_mul(SECTOR)?);
    let length = 256 + u64::from(devices) * 2;
    let sum_holds = volume.get(at, length).map(|whole| {
        let (words, tail) = whole.as_chunks::<4>();
        let sum: u64 = words.iter().map(|word| u64::from(u32::from_le_bytes(*word))).sum();
        let tail = if let [low, high] = tail { u64::from(u16::from_le_bytes([*low, *high])) } else { 0 };
        let sum = sum + tail - u64::from(le32(sb, 216).unwrap_or(0));
        Some(folded(sum)) == le32(sb, 216)
    });
    let mut found = volume.recognised(Sign::RaidMember, at, length, format!("superblock A92B4EFC, format {format}"));
    found.uuid = uuid(sb, 16);
    found.label = text(sb, 32, 32);
    found.facts = facts(format, le32(sb, 72)?.cast_signed(), le32(sb, 92)?);
    found.facts.push(("data from byte", data_at.to_string()));
    let fits = data_at.checked_add(data_bytes).is_some_and(|end| volume.holds(end));
    found.certainty = Certainty::of(fits, sum_holds);
    found.first.extend(volume.place(at, 4096));
    Some(found)
}

fn format_0_90(volume: &VolumeBytes) -> Option<Recognised> {
    let at = place_0_90(volume.bytes())?;
    let sb = volume.get(at, 4096)?;
    // In the byte order of the machine that made it.
    let word: fn(&[u8], usize) -> Option<u32> = match (le32(sb, 0)?, be32(sb, 0)?) {
        (MAGIC, _) => le32,
        (_, MAGIC) => be32,
        _ => return None,
    };
    if word(sb, 4)? != 0 || !(90..=91).contains(&word(sb, 8)?) {
        return None;
    }
    let sum: u64 = (0..1024).filter(|n| *n != 38).filter_map(|n| word(sb, n * 4)).map(u64::from).sum();
    let mut found = volume.recognised(Sign::RaidMember, at, 4096, "superblock A92B4EFC, format 0.90");
    let mut id = Vec::new();
    for at in [20, 52, 56, 60] {
        id.extend(word(sb, at)?.to_be_bytes());
    }
    found.uuid = uuid(&id, 0);
    found.facts = facts("0.90", word(sb, 28)?.cast_signed(), word(sb, 40)?);
    let fits = u64::from(word(sb, 32)?).checked_mul(1024).is_some_and(|bytes| bytes <= at);
    found.certainty = Certainty::of(fits, Some(Some(folded(sum)) == word(sb, 152)));
    found.first.extend(volume.place(at, 4096));
    Some(found)
}

fn folded(sum: u64) -> u32 {
    let halves = (sum & 0xFFFF_FFFF) + (sum >> 32);
    #[allow(clippy::cast_possible_truncation, reason = "the kernel's own arithmetic: modulo 2^32")]
    let word = halves as u32;
    word
}

fn facts(format: &str, level: i32, disks: u32) -> Vec<(&'static str, String)> {
    let level = match level {
        -1 => "linear".to_owned(),
        -4 => "multipath".to_owned(),
        level => level.to_string(),
    };
    vec![("format", format.to_owned()), ("level", level), ("members", disks.to_string())]
}

/// Arrays of controllers that follow the common format: the anchor header stands in the last sector.
pub fn ddf(volume: &VolumeBytes) -> Option<Recognised> {
    let at = volume.bytes().checked_sub(SECTOR)?;
    let header = volume.get(at, SECTOR).filter(|header| be32(header, 0) == Some(0xDE11_DE11))?;
    let sum = crc32_ieee(&[&header[..4], &[0xFF; 4], &header[8..]]);
    let mut found = volume.recognised(Sign::RaidMember, at, SECTOR, "anchor header DE11DE11");
    found.facts = vec![("format", "DDF".to_owned())];
    found.facts.extend(text(header, 32, 8).map(|version| ("version", version)));
    found.certainty = Certainty::of(true, Some(Some(sum) == be32(header, 4)));
    found.first.extend(volume.place(at, SECTOR));
    (found.certainty >= Certainty::Consistent).then_some(found)
}
