//! ReFS.
//!
//! Source (from memory): libyal/libfsrefs, format documentation, volume header.

use crate::base::fields::{byte, le16, le32, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;

const SECTOR: u64 = 512;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    look_at(volume, 0).or_else(|| {
        let mut found = look_at(volume, volume.bytes().checked_sub(SECTOR)?)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn look_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sector =
        volume.get(at, SECTOR).filter(|sector| &sector[3..11] == b"ReFS\0\0\0\0" && &sector[16..20] == b"FSRS")?;
    let (sectors, sector_bytes, per_cluster) = (le64(sector, 24)?, le32(sector, 32)?, le32(sector, 36)?);
    if !sector_bytes.is_power_of_two() || !(512..=4096).contains(&sector_bytes) || !per_cluster.is_power_of_two() {
        return None;
    }
    let bytes = sectors.checked_mul(u64::from(sector_bytes))?;
    let mut found = volume.recognised(Sign::Refs, at, SECTOR, "volume header ReFS, FSRS");
    found.uuid = le64(sector, 56).map(|serial| format!("{serial:016X}"));
    found.bytes = Some(bytes);
    found.facts = vec![
        ("version", format!("{}.{}", byte(sector, 40)?, byte(sector, 41)?)),
        ("cluster", format!("{} bytes", u64::from(sector_bytes) * u64::from(per_cluster))),
    ];
    found.certainty = Certainty::of(volume.holds(bytes) && le16(sector, 20)? >= 64, None);
    Some(found)
}
