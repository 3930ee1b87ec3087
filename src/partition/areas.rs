//! From a table's entries to areas that cover the whole drive.

use super::findings::{
    PARTITION_BEYOND_DRIVE, PARTITION_COVERS_TABLE, PARTITION_EMPTY, PARTITION_OVERLAP, PARTITION_PAST_END,
};
use super::{Area, AreaKind, PartitionEntry};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::base::units::{ByteOffset, Lba, SectorSize};

/// What a table says of one partition, before it is held against the drive.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct ListedPartition {
    pub(super) entry: PartitionEntry,
    /// First sector, from the start of the drive.
    pub(super) first: Lba,
    /// Number of sectors.
    pub(super) sectors: u64,
    /// Where on the drive the table says so.
    pub(super) said_at: ByteOffset,
    /// Whether a partition of this type begins with a boot sector.
    pub(super) begins_with_boot_sector: bool,
}

/// Areas in ascending order that cover `drive` without a gap: the partitions as claimed, cut to the drive, and
/// what lies between them.
pub(super) fn lay_out(
    claims: Vec<ListedPartition>,
    unit: SectorSize,
    drive: Extent,
    findings: &mut Findings,
) -> Vec<Area> {
    let mut areas: Vec<Area> = Vec::with_capacity(claims.len());
    for claim in claims {
        if let Some(extent) = on_the_drive(&claim, unit, drive, findings) {
            areas.push(Area { extent, kind: AreaKind::Partition(claim.entry) });
        }
    }
    // Stable: where two partitions start at one place, the one with the lower number comes first.
    areas.sort_by_key(|a| a.extent.start);
    note_overlaps(&areas, unit, findings);
    fill_gaps(areas, drive)
}

/// The areas in ascending order, with what none of them covers between them; gaps as they were are left out.
pub(super) fn fill_gaps(mut areas: Vec<Area>, drive: Extent) -> Vec<Area> {
    areas.retain(|a| a.kind != AreaKind::Unpartitioned);
    let taken: ExtentSet = areas.iter().map(|a| a.extent).collect();
    let gaps = taken.missing_from(drive);
    areas.extend(gaps.into_iter().map(|extent| Area { extent, kind: AreaKind::Unpartitioned }));
    areas.sort_by_key(|a| a.extent.start);
    areas
}

/// The part of a claim that lies on the drive, if any.
fn on_the_drive(claim: &ListedPartition, unit: SectorSize, drive: Extent, findings: &mut Findings) -> Option<Extent> {
    let ListedPartition { entry, first, sectors, said_at, .. } = claim;
    let number = entry.number;
    let drive_sectors = drive.bytes / unit.bytes();
    if *sectors == 0 {
        let sentence = format!("Partition {number} is said to start at {first} and to have no sectors.");
        findings.push(Finding::at(&PARTITION_EMPTY, *said_at, sentence));
        return None;
    }
    // Beyond 2^64 bytes is beyond any drive; the figures in the sentence are the table's own.
    let start = unit.offset_of(*first).map_or(u64::MAX, |at| at.0);
    let end = sectors.checked_mul(unit.bytes()).and_then(|bytes| start.checked_add(bytes)).unwrap_or(u64::MAX);
    if start >= drive.end() {
        let sentence = format!(
            "Partition {number} is said to have {sectors} sectors of {unit} bytes from {first}, but the source ends \
             after {drive_sectors} such sectors; check the capacity the drive reports, or whether the image is complete."
        );
        findings.push(Finding::at(&PARTITION_BEYOND_DRIVE, *said_at, sentence));
        return None;
    }
    if end > drive.end() {
        let missing = end - drive.end();
        let sentence = format!(
            "Partition {number} is said to have {sectors} sectors of {unit} bytes from {first}, {missing} bytes more \
             than the source holds ({} bytes); check the capacity the drive reports, or whether the image is complete.",
            drive.bytes
        );
        findings.push(Finding::at(&PARTITION_PAST_END, *said_at, sentence));
    }
    if start == 0 {
        let sentence = format!("Partition {number} is said to start at {first}, where the partition table stands.");
        findings.push(Finding::at(&PARTITION_COVERS_TABLE, *said_at, sentence));
    }
    Some(Extent::between(start, end.min(drive.end())))
}

/// Notes each partition that shares sectors with one that starts before it. `areas` must ascend.
fn note_overlaps(areas: &[Area], unit: SectorSize, findings: &mut Findings) {
    let mut furthest: Option<(&PartitionEntry, Extent)> = None;
    for area in areas {
        let AreaKind::Partition(entry) = &area.kind else { continue };
        if let Some((before, extent)) = furthest
            && let Some(shared) = extent.intersection(&area.extent)
        {
            let sentence = format!(
                "Partitions {} and {} share {} bytes from {}; the first ends at byte {}.",
                before.number,
                entry.number,
                shared.bytes,
                unit.lba_of(shared.start),
                extent.end()
            );
            findings.push(Finding::at(&PARTITION_OVERLAP, shared.start, sentence));
        }
        if furthest.is_none_or(|(_, extent)| area.extent.end() > extent.end()) {
            furthest = Some((entry, area.extent));
        }
    }
}
