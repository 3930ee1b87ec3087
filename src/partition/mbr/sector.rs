//! The MBR: four entries and a signature in the drive's first sector, and whether that sector is one at all.
//!
//! Layout: UEFI Specification 2.x, section 5.2.1 "Legacy Master Boot Record" (from memory).

use crate::base::fields::{u8_at, u32_at};
use crate::base::units::{Lba, SectorSize};
use crate::partition::boot_sign::{self, BootSign};

const ENTRIES_AT: usize = 0x1BE;
const ENTRY_BYTES: usize = 16;
const SIGNATURE_AT: usize = 0x1FE;

/// Type of the entry that guards a GPT.
pub(super) const PROTECTIVE: u8 = 0xEE;

/// One of the four entries of an MBR or of a link in an extended chain (EBR).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct MbrEntry {
    /// 80 for the partition to start from, 00 for the others.
    pub flag: u8,
    /// What the partition is for; 0 when the entry is unused.
    pub kind: u8,
    /// First sector: from the drive's start in an MBR, from elsewhere in an EBR.
    pub first: u32,
    /// Number of sectors.
    pub sectors: u32,
    /// Whether all 16 bytes are zero.
    pub blank: bool,
}

impl MbrEntry {
    fn parse(bytes: &[u8]) -> MbrEntry {
        MbrEntry {
            flag: u8_at(bytes, 0),
            kind: u8_at(bytes, 4),
            first: u32_at(bytes, 8),
            sectors: u32_at(bytes, 12),
            blank: bytes.iter().all(|b| *b == 0),
        }
    }

    pub fn is_used(&self) -> bool {
        self.kind != 0
    }

    pub(super) fn is_extended(&self) -> bool {
        matches!(self.kind, 0x05 | 0x0F | 0x85)
    }

    pub fn has_odd_flag(&self) -> bool {
        self.flag & 0x7F != 0
    }

    /// Whether partitions of this type begin with a boot sector that [`boot_sign::recognise`] knows: FAT, NTFS and
    /// exFAT types, their hidden forms, the recovery form of NTFS and the EFI system partition.
    pub fn begins_with_boot_sector(&self) -> bool {
        matches!(self.kind, 0x01 | 0x04 | 0x06 | 0x07 | 0x0B | 0x0C | 0x0E)
            || matches!(self.kind, 0x11 | 0x14 | 0x16 | 0x17 | 0x1B | 0x1C | 0x1E | 0x27 | 0xEF)
    }

    /// Whether the entry could describe a partition of a drive of `drive_bytes` bytes, whichever sector size it
    /// counts in.
    fn is_plausible(&self, drive_bytes: u64) -> bool {
        let start = SectorSize::S512.offset_of(Lba(u64::from(self.first)));
        self.is_used() && self.first > 0 && self.sectors > 0 && start.is_some_and(|at| at.0 < drive_bytes)
    }
}

/// The table in a drive's first sector, or a link of an extended chain: both have the same form.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Mbr {
    pub entries: [MbrEntry; 4],
    /// Whether the sector ends with 55 AA.
    pub signed: bool,
    /// Whether the whole sector is zero.
    pub blank: bool,
}

impl Mbr {
    /// Takes the first 512 bytes of a sector; `None` when there are fewer.
    pub fn parse(sector: &[u8]) -> Option<Mbr> {
        let sector = sector.get(..512)?;
        let entry = |n: usize| {
            let at = ENTRIES_AT + n * ENTRY_BYTES;
            MbrEntry::parse(&sector[at..at + ENTRY_BYTES])
        };
        Some(Mbr {
            entries: [entry(0), entry(1), entry(2), entry(3)],
            signed: sector[SIGNATURE_AT..] == [0x55, 0xAA],
            blank: sector.iter().all(|b| *b == 0),
        })
    }

    /// Byte of entry `index` (0 to 3) within the sector.
    pub(super) fn entry_at(index: usize) -> u64 {
        (ENTRIES_AT + index * ENTRY_BYTES) as u64
    }

    /// The entry that guards a GPT, if there is one.
    pub fn protective(&self) -> Option<&MbrEntry> {
        self.entries.iter().find(|e| e.kind == PROTECTIVE)
    }

    /// Entries in use other than the one that guards a GPT.
    pub fn ordinary(&self) -> impl Iterator<Item = (usize, &MbrEntry)> {
        self.entries.iter().enumerate().filter(|(_, e)| e.is_used() && e.kind != PROTECTIVE)
    }

    /// Whether every entry is either blank or beyond doubt that of a partition, and at least one is in use. Boot code
    /// where the entries would be does not pass.
    pub fn is_beyond_doubt(&self, drive_bytes: u64) -> bool {
        self.entries.iter().any(MbrEntry::is_used)
            && self.entries.iter().all(|e| e.blank || (e.is_plausible(drive_bytes) && !e.has_odd_flag()))
    }
}

/// What the drive's first sector is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum FirstSector {
    /// The boot sector of a volume that fills the drive.
    Volume(BootSign),
    /// An MBR that names partitions and guards no GPT.
    Table(Mbr),
    /// An MBR that guards a GPT.
    Protective(Mbr),
    /// None of these beyond doubt: blank, damaged, or foreign.
    Unclear(Mbr),
}

impl FirstSector {
    /// Judges the drive's first sector; `None` when there are fewer than 512 bytes of it.
    ///
    /// A boot sector also ends with 55 AA and has code or text where an MBR has its entries, and an MBR can carry what
    /// is left of a boot sector. A table whose every entry is beyond doubt wins over a boot sector; otherwise the boot
    /// sector does. (`mkfs.fat --mbr` writes an entry that starts at sector 0 into a boot sector, which is therefore
    /// no table: mkfs.fat(8).)
    pub fn recognise(sector: &[u8], drive_bytes: u64) -> Option<FirstSector> {
        let mbr = Mbr::parse(sector)?;
        let sign = boot_sign::recognise(sector);
        if mbr.signed && mbr.is_beyond_doubt(drive_bytes) {
            return Some(match mbr.protective() {
                Some(_) => FirstSector::Protective(mbr),
                None => FirstSector::Table(mbr),
            });
        }
        if let Some(sign) = sign {
            return Some(FirstSector::Volume(sign));
        }
        Some(if mbr.signed && mbr.protective().is_some() {
            FirstSector::Protective(mbr)
        } else if mbr.signed && mbr.entries.iter().any(|e| e.is_plausible(drive_bytes)) {
            FirstSector::Table(mbr)
        } else {
            FirstSector::Unclear(mbr)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_is_decoded_as_in_the_worked_example() {
        // Bytes worked out by hand from the field table of UEFI section 5.2.1.
        let entry = MbrEntry::parse(&hex::decode("8020210007feffff0008000000200300").unwrap());
        assert_eq!((entry.flag, entry.kind, entry.first, entry.sectors), (0x80, 0x07, 2048, 204_800));
        assert!(!entry.has_odd_flag() && entry.is_used() && !entry.is_extended());
    }
}
