//! Whether the capacity is a plausible one.

use super::evidence::{Check, Evidence, Outcome, counted};
use super::tables::Tables;
use crate::base::human;
use crate::filesystem::{exfat, fat, ntfs};
use crate::partition::findings as found;
use crate::source::SourceKind;
use crate::survey::allocation::DriveMap;

/// Below this a hard disk or solid state drive that names its model is small enough to think of a factory fallback capacity, which drives
/// report when they cannot read their own firmware from the medium (common practice, no source).
const SMALL_DRIVE: u64 = 4_000_000_000;

/// The capacity in gigabytes that a drive with this many sectors is sold as, if the count is the customary one.
///
/// Source: IDEMA LBA1-03: 97,696,368 + 1,953,504 x (GB - 50) sectors of 512 bytes; 12,212,046 + 244,188 x (GB - 50) of 4096 bytes (from
/// memory). The formula is meant for 50 GB and more; drives of 8 GB and more that follow it are taken as well.
pub fn customary_gigabytes(sectors: u64, sector_bytes: u64) -> Option<u64> {
    let (base, step) = match sector_bytes {
        512 => (97_696_368, 1_953_504),
        4096 => (12_212_046, 244_188),
        _ => return None,
    };
    // Counted from 8 GB, so that nothing goes below zero.
    let behind = sectors.checked_sub(base - 42 * step)?;
    (behind % step == 0).then(|| 8 + behind / step)
}

/// Holds the capacity against customary ones and against what tables and volumes ask for.
pub(super) fn check(drive: &DriveMap, tables: &Tables) -> Evidence {
    let (bytes, sector) = (drive.identity.bytes, drive.identity.logical_sector.bytes());
    let sectors = bytes / sector;
    let mut said =
        vec![format!("{} sectors of {sector} bytes, {}", human::count(sectors), kind_of_size(sectors, sector, bytes))];
    let mut outcome = Outcome::Holds;
    let worse = |outcome: &mut Outcome, than: Outcome| {
        if *outcome != Outcome::Fails {
            *outcome = than;
        }
    };
    let findings = &drive.layout.findings;
    let beyond = findings.count(&found::PARTITION_PAST_END) + findings.count(&found::PARTITION_BEYOND_DRIVE);
    if beyond > 0 {
        said.push(format!("{} end beyond it", counted(beyond, "partition", "partitions")));
        worse(&mut outcome, Outcome::Fails);
    }
    for finding in findings.kept().iter().filter(|f| f.code == &found::GPT_BACKUP_NOT_LAST) {
        let larger = finding.place.is_none_or(|place| place.0 >= bytes);
        said.push(format!("the GPT was written for a {} drive", if larger { "larger" } else { "smaller" }));
        worse(&mut outcome, if larger { Outcome::Fails } else { Outcome::InPart });
    }
    if findings.count(&found::PROTECTIVE_MBR_SIZE) > 0 && outcome == Outcome::Holds {
        said.push("the protective MBR was written for a drive of another size".to_owned());
        outcome = Outcome::InPart;
    }
    let cut = [&ntfs::VOLUME_CUT, &fat::TRUNCATED, &exfat::TRUNCATED];
    let cut = drive.volumes().filter(|(_, v)| cut.iter().any(|code| v.findings.count(code) > 0)).count() as u64;
    if cut > 0 {
        said.push(format!("{} larger than their room on the drive", counted(cut, "volume is", "volumes are")));
        worse(&mut outcome, Outcome::Fails);
    }
    if tables.nothing_recognised()
        && bytes < SMALL_DRIVE
        && drive.identity.kind == SourceKind::BlockDevice
        && drive.identity.model.is_some()
    {
        said.push("so small that it may be a factory fallback: compare with the label".to_owned());
        worse(&mut outcome, Outcome::InPart);
    }
    Evidence::new(Check::Capacity, outcome, said.join("; "))
}

fn kind_of_size(sectors: u64, sector: u64, bytes: u64) -> String {
    if let Some(gigabytes) = customary_gigabytes(sectors, sector) {
        return format!("the customary count for {} GB", human::count(gigabytes));
    }
    if bytes.is_power_of_two() {
        return "a power of two, as images and flash have".to_owned();
    }
    if bytes.is_multiple_of(1 << 20) {
        return "whole MiB, as images and flash have".to_owned();
    }
    "not one of the customary counts (nor need it be)".to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: sector counts as drives of these sizes state them on their labels (common knowledge, no source); the 4096-byte count is an
    // eighth of the 512-byte one.
    #[test]
    fn counts_on_labels_are_recognised() {
        for (sectors, gigabytes) in [
            (156_301_488, 80),
            (312_581_808, 160),
            (976_773_168, 500),
            (1_953_525_168, 1000),
            (3_907_029_168, 2000),
            (7_814_037_168, 4000),
        ] {
            assert_eq!(customary_gigabytes(sectors, 512), Some(gigabytes));
            assert_eq!(customary_gigabytes(sectors / 8, 4096), (sectors % 8 == 0).then_some(gigabytes));
            assert_eq!(customary_gigabytes(sectors - 1, 512), None);
        }
        assert_eq!(customary_gigabytes(65_536, 512), None);
        assert_eq!(customary_gigabytes(0, 512), None);
        assert_eq!(customary_gigabytes(u64::MAX, 512), None);
        assert_eq!(customary_gigabytes(1_953_525_168, 2048), None);
    }
}
