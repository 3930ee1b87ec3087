//! Numbers in a drive's tables that no other drive has: by them a drive is known behind any bridge and under any name.

use super::mbr::FirstSector;
use crate::base::fields::{guid_at, u32_at};
use std::collections::BTreeSet;
use std::fmt;

/// Such a number.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum DriveMark {
    /// The disk GUID of a GPT.
    DiskGuid([u8; 16]),
    /// The disk signature of an MBR.
    DiskSignature(u32),
    /// The GUID that a GPT gives one partition.
    PartitionGuid(String),
    /// The serial number or UUID of a volume.
    Volume(String),
}

impl fmt::Display for DriveMark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            DriveMark::DiskGuid(guid) => write!(f, "the disk GUID {}", super::kinds::guid_text(*guid)),
            DriveMark::DiskSignature(number) => write!(f, "the MBR disk signature {number:08X}"),
            DriveMark::PartitionGuid(guid) => write!(f, "the partition GUID {guid}"),
            DriveMark::Volume(serial) => write!(f, "the volume serial number {serial}"),
        }
    }
}

/// The marks of the tables in the first and the last bytes of a drive of `drive_bytes` bytes. A GPT header counts wherever it begins on
/// 512 bytes, sound or not: a bridge may have moved it.
///
/// Source: UEFI Specification 2.x, 5.2.1 (`UniqueMBRSignature`, byte 440) and 5.3.2 (`DiskGUID`, byte 56); from memory.
pub fn drive_marks(first: &[u8], last: &[u8], drive_bytes: u64) -> BTreeSet<DriveMark> {
    let mut marks = BTreeSet::new();
    for sector in first.chunks_exact(512).chain(last.chunks_exact(512)) {
        if sector.starts_with(b"EFI PART") {
            marks.insert(DriveMark::DiskGuid(guid_at(sector, 56)));
        }
    }
    // A boot sector of a volume has code there, the same on many drives.
    if let Some(FirstSector::Table(mbr) | FirstSector::Protective(mbr) | FirstSector::Unclear(mbr)) =
        FirstSector::recognise(first, drive_bytes)
        && mbr.signed
    {
        marks.insert(DriveMark::DiskSignature(u32_at(first, 440)));
    }
    marks.remove(&DriveMark::DiskGuid([0; 16]));
    marks.remove(&DriveMark::DiskSignature(0));
    marks
}
