//! ReFS, dynamic disks and members of Storage Spaces pools.
//!
//! Sources (from memory): libyal/libfsrefs, format documentation, volume header; Linux `block/partitions/ldm.c`
//! (big-endian). The sign of Storage Spaces is common practice, without a published format behind it.

use super::fields::{be16, be64, le16, le32, le64, text, u8_at};
use super::ground::Ground;
use super::sign::{Certainty, Recognised, Sign};

const SECTOR: u64 = 512;

pub(super) fn refs(ground: &Ground) -> Option<Recognised> {
    refs_at(ground, 0).or_else(|| {
        let mut found = refs_at(ground, ground.bytes().checked_sub(SECTOR)?)?;
        found.certainty = found.certainty.min(Certainty::Copy);
        Some(found)
    })
}

fn refs_at(ground: &Ground, at: u64) -> Option<Recognised> {
    let sector =
        ground.get(at, SECTOR).filter(|sector| &sector[3..11] == b"ReFS\0\0\0\0" && &sector[16..20] == b"FSRS")?;
    let (sectors, sector_bytes, per_cluster) = (le64(sector, 24)?, le32(sector, 32)?, le32(sector, 36)?);
    if !sector_bytes.is_power_of_two() || !(512..=4096).contains(&sector_bytes) || !per_cluster.is_power_of_two() {
        return None;
    }
    let bytes = sectors.checked_mul(u64::from(sector_bytes))?;
    let mut found = ground.recognised(Sign::Refs, at, SECTOR, "volume header ReFS, FSRS");
    found.uuid = le64(sector, 56).map(|serial| format!("{serial:016X}"));
    found.bytes = Some(bytes);
    found.facts = vec![
        ("version", format!("{}.{}", u8_at(sector, 40)?, u8_at(sector, 41)?)),
        ("cluster", format!("{} bytes", u64::from(sector_bytes) * u64::from(per_cluster))),
    ];
    found.certainty = Certainty::of(ground.holds(bytes) && le16(sector, 20)? >= 64, None);
    Some(found)
}

pub(super) fn dynamic_disk(ground: &Ground) -> Option<Recognised> {
    // In the seventh sector of the drive, and again in its last.
    let last = ground.bytes().checked_sub(SECTOR);
    [Some(6 * SECTOR), last].into_iter().flatten().find_map(|at| {
        let header = ground.get(at, SECTOR).filter(|header| header.starts_with(b"PRIVHEAD"))?;
        let (major, minor) = (be16(header, 12)?, be16(header, 14)?);
        let (data_at, data) = (be64(header, 0x11B)?, be64(header, 0x123)?);
        let (database_at, database) = (be64(header, 0x12B)?, be64(header, 0x133)?);
        if major != 2 {
            return None;
        }
        let mut found = ground.recognised(Sign::DynamicDisk, at, SECTOR, "private header PRIVHEAD");
        found.uuid = text(header, 0x30, 64);
        found.label = text(header, 0xF0, 31);
        found.facts = vec![("version", format!("{major}.{minor}"))];
        let end = data_at.checked_add(data)?.max(database_at.checked_add(database)?).checked_mul(SECTOR)?;
        found.bytes = Some(end);
        found.certainty = if at == 6 * SECTOR { Certainty::of(ground.holds(end), None) } else { Certainty::Copy };
        found.first.extend(ground.place(at, SECTOR));
        found.first.extend(ground.place(database_at.checked_mul(SECTOR)?, database.min(1 << 16) * SECTOR));
        Some(found)
    })
}

pub(super) fn storage_spaces(ground: &Ground) -> Option<Recognised> {
    const AT: u64 = 4096;
    ground.stands(AT, b"SPACEDB ").then(|| {
        let mut found = ground.recognised(Sign::StorageSpaces, AT, 512, "SPACEDB");
        // Nothing else in it is known.
        found.certainty = Certainty::Partial;
        found.first.extend(ground.place(0, 1 << 20));
        found
    })
}
