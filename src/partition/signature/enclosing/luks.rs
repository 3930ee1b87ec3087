//! LUKS, versions 1 and 2.
//!
//! Sources (from memory; held against `cryptsetup` and `blkid` by the tests): LUKS1 On-Disk Format Specification 1.2.3,
//! figure 1; LUKS2 On-Disk Format Specification 1.1.1, section 2.1 (binary header; big-endian).

use crate::base::fields::{be16, be32, be64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::text;
use crate::partition::signature::volume_bytes::VolumeBytes;
use sha2::{Digest, Sha256, Sha512};

/// Where the second header of LUKS2 may stand: behind the first, whose length is one of these.
pub const SECOND_AT: [u64; 9] =
    [0x4000, 0x8000, 0x1_0000, 0x2_0000, 0x4_0000, 0x8_0000, 0x10_0000, 0x20_0000, 0x40_0000];
const FIRST_MAGIC: &[u8] = b"LUKS\xBA\xBE";
const SECOND_MAGIC: &[u8] = b"SKUL\xBA\xBE";
const LUKS1_BYTES: u64 = 592;
const SECTOR: u64 = 512;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    if volume.stands(0, FIRST_MAGIC) {
        let version = be16(volume.get(0, 8)?, 6)?;
        return match version {
            1 => version_1(volume),
            2 => version_2(volume, 0),
            _ => None,
        };
    }
    SECOND_AT.iter().filter(|at| volume.stands(**at, SECOND_MAGIC)).find_map(|at| version_2(volume, *at))
}

fn version_1(volume: &VolumeBytes) -> Option<Recognised> {
    // The first sector is enough to be recognised; key slots reach into the second.
    let header = volume.get(0, 512)?;
    let payload = u64::from(be32(header, 104)?).checked_mul(SECTOR)?;
    let key_bytes = be32(header, 108)?;
    if !(1..=1024).contains(&key_bytes) || payload > volume.bytes() {
        return None;
    }
    let mut found = volume.recognised(Sign::Luks1, 0, LUKS1_BYTES, "LUKS header, version 1");
    found.encrypted = true;
    found.uuid = text(header, 168, 40);
    let cipher = [text(header, 8, 32), text(header, 40, 32)].into_iter().flatten().collect::<Vec<_>>().join("-");
    found.facts = vec![("cipher", cipher), ("key", format!("{} bits", key_bytes * 8))];
    if let Some(slots) = volume.get(0, LUKS1_BYTES) {
        let in_use = (0..8).filter(|n| be32(slots, 208 + n * 48) == Some(0x00AC_71F3)).count();
        found.facts.push(("key slots in use", in_use.to_string()));
    }
    // A payload offset of 0 is a header kept apart from its volume; the key material then lies behind the header.
    let keys = if payload == 0 { 2 << 20 } else { payload };
    found.first.extend(volume.place(0, keys));
    Some(found)
}

fn version_2(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sector = volume.get(at, 512)?;
    let header_bytes = be64(sector, 8)?;
    if be16(sector, 6)? != 2 || be64(sector, 256)? != at || !SECOND_AT.contains(&header_bytes) {
        return None;
    }
    let what = if at == 0 { "LUKS header, version 2" } else { "second LUKS header, version 2" };
    let mut found = volume.recognised(Sign::Luks2, at, header_bytes, what);
    found.encrypted = true;
    found.uuid = text(sector, 168, 40);
    found.label = text(sector, 24, 48);
    let algorithm = text(sector, 72, 32).unwrap_or_default();
    let sum_holds = volume.get(at, header_bytes).and_then(|header| {
        let parts = [&header[..448], &[0; 64], &header[512..]];
        let sum = match algorithm.as_str() {
            "sha256" => parts.iter().fold(Sha256::new(), |hash, part| hash.chain_update(part)).finalize().to_vec(),
            "sha512" => parts.iter().fold(Sha512::new(), |hash, part| hash.chain_update(part)).finalize().to_vec(),
            _ => return None,
        };
        Some(header[448..].starts_with(&sum))
    });
    found.certainty = match sum_holds {
        _ if at > 0 => Certainty::Copy,
        Some(true) => Certainty::Checksummed,
        Some(false) => Certainty::Partial,
        None => Certainty::Consistent,
    };
    // Both headers and, behind them, the key slots: 16 MiB in all unless the header says otherwise (the default of
    // `cryptsetup luksFormat`; from memory).
    let json = volume.get(at.saturating_add(4096), header_bytes - 4096).unwrap_or_default();
    let payload = payload_offset(json).unwrap_or(16 << 20);
    found.first.extend(volume.place(0, payload));
    Some(found)
}

/// Where the first segment starts, by the header's JSON text.
fn payload_offset(json: &[u8]) -> Option<u64> {
    let end = json.iter().position(|b| *b == 0).unwrap_or(json.len());
    let parsed: serde_json::Value = serde_json::from_slice(&json[..end]).ok()?;
    let segments = parsed.get("segments")?.as_object()?;
    let offset = |segment: &serde_json::Value| segment.get("offset")?.as_str()?.parse::<u64>().ok();
    segments.values().filter_map(offset).filter(|offset| *offset > 0).min()
}
