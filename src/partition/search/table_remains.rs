//! What is left of a table, taken as a list of places to look at. Nothing here is believed: an entry counts when a
//! volume stands where it points.

use crate::base::fields::{guid_at, u64_at};
use crate::base::units::SectorSize;
use crate::partition::mbr::Mbr;

/// Bytes of the entry array that every partitioning program writes: 128 entries of 128 bytes (UEFI Specification 2.x,
/// section 5.3.1: at least 16,384 bytes are reserved for it).
pub(super) const ARRAY_BYTES: u64 = 16384;

const ENTRY_BYTES: usize = 128;

/// The sector sizes that tables count in.
pub(super) const UNITS: [SectorSize; 2] = [SectorSize::S512, SectorSize::S4096];

/// Where an entry array stands when its header is lost: the customary place behind the primary header, and in front of
/// the backup in the last sector.
pub(super) fn array_places(drive_bytes: u64) -> Vec<(u64, SectorSize)> {
    let mut places = Vec::new();
    for unit in UNITS {
        places.push((2 * unit.bytes(), unit));
        let end = drive_bytes / unit.bytes() * unit.bytes();
        places.extend(end.checked_sub(unit.bytes() + ARRAY_BYTES).map(|at| (at, unit)));
    }
    places
}

/// The first bytes of the partitions that the entries of an array name, whatever the state of the array.
pub(super) fn of_array(array: &[u8], unit: SectorSize) -> impl Iterator<Item = u64> {
    array.chunks_exact(ENTRY_BYTES).filter_map(move |entry| {
        let (first, last) = (u64_at(entry, 32), u64_at(entry, 40));
        let in_use = guid_at(entry, 0) != [0; 16] && 0 < first && first <= last;
        in_use.then(|| first.checked_mul(unit.bytes())).flatten()
    })
}

/// The places that the entries of an MBR or a link of an extended chain point to, counted from `base` in sectors of
/// either size; of a sector that ends with 55 AA only.
pub(super) fn of_link(sector: &[u8], base: u64) -> Vec<u64> {
    let Some(mbr) = Mbr::parse(sector).filter(|mbr| mbr.signed) else { return Vec::new() };
    let used = mbr.ordinary().filter(|(_, entry)| !entry.has_odd_flag() && entry.first > 0 && entry.sectors > 0);
    used.flat_map(|(_, entry)| UNITS.map(|unit| base.checked_add(u64::from(entry.first) * unit.bytes())))
        .flatten()
        .collect()
}
