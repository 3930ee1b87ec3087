//! Volumes that Windows encrypts (signature `-FVE-FS-`), fixed and removable; other encryption: `luks`, `geli`, and APFS in `file_systems`.
//!
//! Source: libyal/libbde, format documentation, volume header (from memory); the identifiers also in dissect.fve 4.6,
//! `bde/c_bde.py`.

use crate::base::fields::{byte, le16, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::guid;
use crate::partition::signature::volume_bytes::VolumeBytes;

/// The identifier in front of the metadata's places, and where it stands: on fixed volumes, on volumes of which only
/// the used part is encrypted, and behind the FAT32 boot sector that stands in for a removable volume.
const IDENTIFIERS: [&str; 2] = ["4967d63b-2e29-4ad8-8399-f6a339e3d001", "92a84d3b-dd80-4d0e-9e4e-b1e3284eaed8"];
const FIXED_AT: usize = 160;
const REMOVABLE_AT: usize = 424;
/// Room that is kept for each of the three blocks of metadata.
const METADATA_BYTES: u64 = 64 << 10;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    let sector = volume.get(0, 512)?;
    let signed = &sector[3..11] == b"-FVE-FS-";
    let known = |at: &usize| guid(sector, *at).is_some_and(|id| IDENTIFIERS.contains(&id.as_str()));
    let identifier = [FIXED_AT, REMOVABLE_AT].into_iter().find(known);
    let sector_bytes = u64::from(le16(sector, 11)?);
    let cluster = sector_bytes * u64::from(byte(sector, 13)?);
    let mut places: Vec<u64> = match identifier {
        Some(at) => (0..3).filter_map(|n| le64(sector, at + 16 + n * 8)).collect(),
        // The first version keeps only the cluster of the first block, where NTFS has that of its mirror.
        None if signed => vec![le64(sector, 56)?.checked_mul(cluster)?],
        None => return None,
    };
    places.retain(|at| *at > 0);
    let in_range = sector_bytes.is_power_of_two() && (512..=4096).contains(&sector_bytes) && !places.is_empty();
    if !in_range {
        return None;
    }
    let what = if signed { "boot sector -FVE-FS-" } else { "boot sector of FAT32 with the identifier of encryption" };
    let mut found = volume.recognised(Sign::VolumeEncryption, 0, 512, what);
    found.encrypted = true;
    let form = match (identifier, signed) {
        (Some(REMOVABLE_AT), _) => "removable",
        (None, _) => "first version",
        _ => "fixed",
    };
    let listed = places.iter().map(u64::to_string).collect::<Vec<_>>().join(", ");
    found.facts = vec![("form", form.to_owned()), ("metadata at bytes", listed)];
    let within = places.iter().all(|at| at.checked_add(METADATA_BYTES).is_some_and(|end| volume.holds(end)));
    found.certainty = Certainty::of(within, None);
    found.first.extend(volume.place(0, 8 << 10));
    found.first.extend(places.iter().filter_map(|at| volume.place(*at, METADATA_BYTES)));
    Some(found)
}
