//! What a boot sector says about the volume it belongs to, as far as a search needs it: how long the volume is, where
//! its copy stands, and one place where a live volume holds something that can be told.
//!
//! Sources: NTFS: Linux `fs/ntfs/layout.h`; FAT: "FAT: General Overview of On-Disk Format" 1.03, Microsoft; exFAT: exFAT
//! file system specification 1.00, section 3.1.

use crate::base::fields::{u8_at, u16_at, u32_at, u64_at};
use crate::partition::boot_sign::{self, BootSign};

/// A boot sector whose figures agree with one another.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct FoundBoot {
    pub(super) sign: BootSign,
    /// Bytes in a sector as the volume counts: 512 to 4096.
    pub(super) sector: u64,
    /// The whole volume in bytes; for NTFS with the copy behind its last sector.
    pub(super) bytes: u64,
    /// Where the copy stands, from the volume's start; `None` where the format has none.
    pub(super) copy: Option<u64>,
    /// Something to look for in the volume.
    pub(super) mark: Landmark,
    /// The sectors in front of the volume, as its formatter was told; 0 where it was not.
    pub(super) hidden: u64,
    serial: u64,
}

/// Something that a live volume of the kind has at a place which its boot sector gives.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Landmark {
    /// From the volume's start.
    pub(super) at: u64,
    kind: LandmarkKind,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum LandmarkKind {
    /// The first file record of `$MFT`.
    FileRecord,
    /// The first entry of the FAT: the media byte, then ones (FAT specification, section FAT; exFAT 4.1.1).
    FirstEntry(u8),
}

impl Landmark {
    /// Whether `sector`, read from [`Landmark::at`], holds it.
    pub(super) fn stands_in(&self, sector: &[u8]) -> bool {
        match self.kind {
            // BAAD: a record that a driver found torn; it stands in $MFT all the same.
            LandmarkKind::FileRecord => sector.starts_with(b"FILE") || sector.starts_with(b"BAAD"),
            LandmarkKind::FirstEntry(media) => sector.starts_with(&[media, 0xFF, 0xFF]),
        }
    }

    /// What it is, as the end of a sentence.
    pub(super) fn name(&self) -> &'static str {
        match self.kind {
            LandmarkKind::FileRecord => "the first record of $MFT",
            LandmarkKind::FirstEntry(_) => "the first entry of the FAT",
        }
    }
}

impl FoundBoot {
    /// Reads the first 512 bytes of a sector; `None` unless it is the boot sector of a kind that is known, and whole.
    pub(super) fn parse(sector: &[u8]) -> Option<FoundBoot> {
        let sector = sector.get(..512)?;
        match boot_sign::recognise(sector)? {
            BootSign::Ntfs => FoundBoot::ntfs(sector),
            BootSign::Fat => FoundBoot::fat(sector),
            BootSign::ExFat => FoundBoot::exfat(sector),
            _ => None,
        }
    }

    /// Whether this is the copy of `other`, or the other way round.
    pub(super) fn is_twin_of(&self, other: &FoundBoot) -> bool {
        self == other
    }

    fn ntfs(sector: &[u8]) -> Option<FoundBoot> {
        let unit = u64::from(u16_at(sector, 0x0B));
        let field = u8_at(sector, 0x0D);
        // Above 0x80 the field is minus the power of two.
        let per_cluster =
            if field > 0x80 { 1u64.checked_shl(u32::from(field.wrapping_neg()))? } else { u64::from(field) };
        let cluster = per_cluster.checked_mul(unit)?;
        let total = u64_at(sector, 0x28);
        let copy = total.checked_mul(unit)?;
        let sound = matches!(unit, 512 | 1024 | 2048 | 4096)
            && cluster.is_power_of_two()
            && (512..=2 << 20).contains(&cluster)
            && copy >= cluster;
        let table = u64_at(sector, 0x30).checked_mul(cluster)?;
        if !sound || table >= copy {
            return None;
        }
        Some(FoundBoot {
            sign: BootSign::Ntfs,
            sector: unit,
            bytes: copy.checked_add(unit)?,
            copy: Some(copy),
            mark: Landmark { at: table, kind: LandmarkKind::FileRecord },
            hidden: u64::from(u32_at(sector, 0x1C)),
            serial: u64_at(sector, 0x48),
        })
    }

    /// FAT has no name that could not be text as well: the jump in front and the 55 AA at the end are required, which
    /// the specification demands of every volume.
    fn fat(sector: &[u8]) -> Option<FoundBoot> {
        let jumps = matches!(sector, [0xEB, _, 0x90, ..] | [0xE9, ..]);
        if !jumps || sector[510..] != [0x55, 0xAA] {
            return None;
        }
        let unit = u64::from(u16_at(sector, 0x0B));
        let total = match u16_at(sector, 0x13) {
            0 => u64::from(u32_at(sector, 0x20)),
            small => u64::from(small),
        };
        let reserved = u64::from(u16_at(sector, 0x0E));
        let is_32 = u16_at(sector, 0x16) == 0;
        let copy = u64::from(u16_at(sector, 0x32));
        Some(FoundBoot {
            sign: BootSign::Fat,
            sector: unit,
            bytes: total * unit,
            copy: (is_32 && (1..reserved).contains(&copy)).then_some(copy * unit),
            mark: Landmark { at: reserved * unit, kind: LandmarkKind::FirstEntry(u8_at(sector, 0x15)) },
            hidden: u64::from(u32_at(sector, 0x1C)),
            serial: u64::from(u32_at(sector, if is_32 { 0x43 } else { 0x27 })),
        })
    }

    fn exfat(sector: &[u8]) -> Option<FoundBoot> {
        let (shift, cluster_shift) = (u32::from(u8_at(sector, 0x6C)), u32::from(u8_at(sector, 0x6D)));
        if !(9..=12).contains(&shift) || cluster_shift > 25 - shift {
            return None;
        }
        let unit = 1u64 << shift;
        let bytes = u64_at(sector, 0x48).checked_mul(unit)?;
        let fat = u64::from(u32_at(sector, 0x50));
        let heap = u64::from(u32_at(sector, 0x58));
        let clusters = u64::from(u32_at(sector, 0x5C)).checked_mul(unit << cluster_shift)?;
        if fat < 24 || heap <= fat || clusters == 0 || (heap * unit).checked_add(clusters)? > bytes {
            return None;
        }
        Some(FoundBoot {
            sign: BootSign::ExFat,
            sector: unit,
            bytes,
            copy: Some(12 * unit),
            mark: Landmark { at: fat * unit, kind: LandmarkKind::FirstEntry(0xF8) },
            hidden: u64_at(sector, 0x40),
            serial: u64::from(u32_at(sector, 0x64)),
        })
    }
}
