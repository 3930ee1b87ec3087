//! What the first sector of a volume says it is: a cheap look at published signatures, before anything is parsed.

use crate::base::fields::{u8_at, u16_at, u32_at};
use crate::partition::signature::{self, Sign};
use serde::Serialize;

/// What a first sector was recognised as.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum BootSign {
    /// NTFS.
    Ntfs,
    /// FAT12, FAT16 or FAT32.
    Fat,
    /// exFAT.
    ExFat,
    /// Something that is recognised and not read.
    Foreign(Sign),
}

impl BootSign {
    /// The name people use.
    pub fn name(self) -> &'static str {
        match self {
            BootSign::Ntfs => "NTFS",
            BootSign::Fat => "FAT",
            BootSign::ExFat => "exFAT",
            BootSign::Foreign(sign) => sign.name(),
        }
    }
}

/// Recognises a volume by its first sector, of which at least the first 512 bytes must be given.
///
/// The closing 55 AA is not required: volumes without it exist, and every sign here is longer than those two bytes.
/// `None` says nothing about the volume being empty; many file systems keep their first structure further in.
///
/// Sources: Linux `fs/ntfs/layout.h`; exFAT file system specification 1.00, 3.1; for all that is not read, `crate::partition::signature`.
pub fn recognise(first_sector: &[u8]) -> Option<BootSign> {
    let sector = first_sector.get(..512)?;
    let name = &sector[3..11];
    if name == b"NTFS    " {
        return Some(BootSign::Ntfs);
    }
    if name == b"EXFAT   " {
        return Some(BootSign::ExFat);
    }
    // Before FAT: an encrypted removable volume begins with a boot sector of FAT32 that stands in for it.
    if let Some(found) = signature::of_first_sector(sector) {
        return Some(BootSign::Foreign(found.kind));
    }
    is_fat(sector).then_some(BootSign::Fat)
}

/// Whether the BIOS parameter block is that of a FAT volume. FAT has no signature, so every field must be in the range
/// that the specification gives, and the regions must fit in the volume.
///
/// Source: "FAT: General Overview of On-Disk Format" 1.03, Microsoft, section Boot Sector and BPB.
fn is_fat(sector: &[u8]) -> bool {
    let sector_bytes = u32::from(u16_at(sector, 0x0B));
    let reserved = u64::from(u16_at(sector, 0x0E));
    let fats = u64::from(u8_at(sector, 0x10));
    let root_entries = u64::from(u16_at(sector, 0x11));
    let media = u8_at(sector, 0x15);
    let total = match u64::from(u16_at(sector, 0x13)) {
        0 => u64::from(u32_at(sector, 0x20)),
        small => small,
    };
    let fat_sectors = match u64::from(u16_at(sector, 0x16)) {
        // Only FAT32 has its size further back, and FAT32 has no fixed root.
        0 if root_entries == 0 => u64::from(u32_at(sector, 0x24)),
        small => small,
    };
    let plausible = matches!(sector_bytes, 512 | 1024 | 2048 | 4096)
        && u8_at(sector, 0x0D).is_power_of_two()
        && reserved > 0
        && matches!(fats, 1 | 2)
        && (media == 0xF0 || media >= 0xF8)
        && fat_sectors > 0;
    plausible && reserved + fats * fat_sectors + (root_entries * 32).div_ceil(u64::from(sector_bytes)) < total
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The boot sector of a 1.44 MB diskette: 512-byte sectors, 1 to a cluster, 1 reserved, 2 FATs of 9 sectors, 224
    /// root entries, 2880 sectors (the worked row of the FAT specification's type determination).
    fn diskette() -> Vec<u8> {
        let mut sector = vec![0; 512];
        sector[..3].copy_from_slice(&[0xEB, 0x3C, 0x90]);
        sector[0x0B..0x18].copy_from_slice(&[0, 2, 1, 1, 0, 2, 224, 0, 0x40, 0x0B, 0xF0, 9, 0]);
        sector[510..].copy_from_slice(&[0x55, 0xAA]);
        sector
    }

    #[test]
    fn fat_is_told_by_every_field_of_its_parameter_block() {
        assert_eq!(recognise(&diskette()), Some(BootSign::Fat));
        // Values seen where a drive's first sector was taken for a FAT boot sector (MabezDev/embedded-fatfs issues 51
        // and 52): bytes in a sector 0 and 36352.
        for (at, value) in
            [(0x0C, 0), (0x0C, 142), (0x0D, 0), (0x0D, 3), (0x0E, 0), (0x10, 0), (0x10, 3), (0x15, 0), (0x16, 0)]
        {
            let mut sector = diskette();
            sector[at] = value;
            assert_eq!(recognise(&sector), None, "byte {at:#x} = {value}");
        }
        let mut sector = diskette();
        sector[0x17] = 0x10;
        assert_eq!(recognise(&sector), None, "FATs of 4105 sectors do not fit in 2880");
    }

    #[test]
    fn a_volume_without_its_closing_signature_is_still_recognised() {
        // rafalh/rust-fatfs issue 102: a missing 55 AA should not reject an otherwise valid volume.
        let mut sector = diskette();
        sector[510] = 0;
        assert_eq!(recognise(&sector), Some(BootSign::Fat));
    }

    #[test]
    fn a_stand_in_for_an_encrypted_volume_is_no_fat() {
        let mut sector = diskette();
        let identifier = hex::decode("3bd66749292ed84a8399f6a339e3d001").unwrap();
        sector[424..440].copy_from_slice(&identifier);
        sector[440..448].copy_from_slice(&0x20_0000u64.to_le_bytes());
        assert_eq!(recognise(&sector), Some(BootSign::Foreign(Sign::VolumeEncryption)));
    }

    #[test]
    fn signatures_and_what_is_none() {
        let sign = |at: usize, text: &[u8]| {
            let mut sector = vec![0; 512];
            sector[at..at + text.len()].copy_from_slice(text);
            recognise(&sector)
        };
        assert_eq!(sign(3, b"NTFS    "), Some(BootSign::Ntfs));
        assert_eq!(sign(3, b"EXFAT   "), Some(BootSign::ExFat));
        // A sign without the fields that belong to it.
        assert_eq!(sign(3, b"-FVE-FS-"), None);
        assert_eq!(sign(0, b"XFSB"), None);
        assert_eq!(sign(0, b""), None);
        assert_eq!(recognise(b"too short"), None);
    }
}
