//! Dynamic disks and members of Storage Spaces pools.
//!
//! Source (from memory): Linux `block/partitions/ldm.c` (big-endian). The sign of Storage Spaces is common practice, without
//! a published format behind it.

use crate::base::fields::{be16, be64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::text;
use crate::partition::signature::volume_bytes::VolumeBytes;

const SECTOR: u64 = 512;

pub fn dynamic_disk(volume: &VolumeBytes) -> Option<Recognised> {
    // In the seventh sector of the drive, and again in its last.
    let last = volume.bytes().checked_sub(SECTOR);
    [Some(6 * SECTOR), last].into_iter().flatten().find_map(|at| {
        let header = volume.get(at, SECTOR).filter(|header| header.starts_with(b"PRIVHEAD"))?;
        let (major, minor) = (be16(header, 12)?, be16(header, 14)?);
        let (data_at, data) = (be64(header, 0x11B)?, be64(header, 0x123)?);
        let (database_at, database) = (be64(header, 0x12B)?, be64(header, 0x133)?);
        if major != 2 {
            return None;
        }
        let mut found = volume.recognised(Sign::DynamicDisk, at, SECTOR, "private header PRIVHEAD");
        found.uuid = text(header, 0x30, 64);
        found.label = text(header, 0xF0, 31);
        found.facts = vec![("version", format!("{major}.{minor}"))];
        let end = data_at.checked_add(data)?.max(database_at.checked_add(database)?).checked_mul(SECTOR)?;
        found.bytes = Some(end);
        found.certainty = if at == 6 * SECTOR { Certainty::of(volume.holds(end), None) } else { Certainty::Copy };
        found.first.extend(volume.place(at, SECTOR));
        found.first.extend(volume.place(database_at.checked_mul(SECTOR)?, database.min(1 << 16) * SECTOR));
        Some(found)
    })
}

pub fn storage_spaces(volume: &VolumeBytes) -> Option<Recognised> {
    const AT: u64 = 4096;
    volume.stands(AT, b"SPACEDB ").then(|| {
        let mut found = volume.recognised(Sign::StorageSpaces, AT, 512, "SPACEDB");
        // Nothing else in it is known.
        found.certainty = Certainty::Partial;
        found.first.extend(volume.place(0, 1 << 20));
        found
    })
}
