//! The partition that an entry of an MBR or of a link in an extended chain lists.

use super::sector::MbrEntry;
use crate::base::finding::{Finding, Findings};
use crate::base::units::{ByteOffset, Lba};
use crate::partition::PartitionEntry;
use crate::partition::areas::ListedPartition;
use crate::partition::findings::MBR_BOOT_FLAG;
use crate::partition::kinds::mbr_name;

/// What an entry of an MBR or a link says, `first` being counted from the start of the drive.
pub(super) fn listed_partition(
    entry: &MbrEntry,
    number: u32,
    first: Lba,
    said_at: ByteOffset,
    logical: bool,
    findings: &mut Findings,
) -> ListedPartition {
    if entry.has_odd_flag() {
        let sentence = format!("Partition {number} has the boot flag {:02X}; only 00 and 80 are defined.", entry.flag);
        findings.push(Finding::at(&MBR_BOOT_FLAG, said_at, sentence));
    }
    let partition = PartitionEntry {
        number,
        type_id: format!("0x{:02X}", entry.kind),
        type_name: mbr_name(entry.kind).to_owned(),
        name: None,
        unique_id: None,
        bootable: entry.flag == 0x80,
        logical,
    };
    ListedPartition {
        entry: partition,
        first,
        sectors: u64::from(entry.sectors),
        said_at,
        begins_with_boot_sector: entry.begins_with_boot_sector(),
    }
}
