//! GELI, the volume encryption of FreeBSD: its metadata stands in the last sector.
//!
//! Source: FreeBSD `sys/geom/eli/g_eli.h`, `struct g_eli_metadata` (from memory).

use crate::base::fields::{le16, le32, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    // The sector has the device's size, so the metadata may begin 4096 bytes before the end as well.
    [512u64, 4096].into_iter().find_map(|sector| {
        let at = volume.bytes().checked_sub(sector)?;
        let metadata = volume.get(at, 512).filter(|metadata| metadata.starts_with(b"GEOM::ELI\0"))?;
        let (version, key_bits) = (le32(metadata, 16)?, le16(metadata, 26)?);
        let (bytes, device_sector) = (le64(metadata, 30)?, le32(metadata, 38)?);
        if version > 16 || !device_sector.is_power_of_two() {
            return None;
        }
        let mut found = volume.recognised(Sign::Geli, at, 512, "metadata GEOM::ELI in the last sector");
        found.encrypted = true;
        found.bytes = Some(bytes);
        found.facts = vec![("version", version.to_string()), ("key", format!("{key_bits} bits"))];
        found.certainty = Certainty::of(volume.holds(bytes), None);
        found.first.extend(volume.place(at, sector));
        Some(found)
    })
}
