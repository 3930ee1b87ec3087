//! What the first sector of a volume says it is: a cheap look at published signatures, before anything is parsed.

use super::fields::{byte, u16_at, u32_at};
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
    /// ReFS.
    Refs,
    /// Windows volume encryption (`-FVE-FS-`).
    VolumeEncryption,
    /// LUKS encryption.
    Luks,
    /// XFS.
    Xfs,
    /// An APFS container.
    Apfs,
}

impl BootSign {
    /// The name people use.
    pub fn name(self) -> &'static str {
        match self {
            BootSign::Ntfs => "NTFS",
            BootSign::Fat => "FAT",
            BootSign::ExFat => "exFAT",
            BootSign::Refs => "ReFS",
            BootSign::VolumeEncryption => "Windows volume encryption",
            BootSign::Luks => "LUKS encryption",
            BootSign::Xfs => "XFS",
            BootSign::Apfs => "APFS",
        }
    }
}

/// Identifier that an encrypted removable volume carries at byte 424, behind a FAT32 boot sector that stands in for
/// the volume (libyal/libbde, format documentation; from memory).
const ENCRYPTED_REMOVABLE: [u8; 16] =
    [0x3B, 0xD6, 0x67, 0x49, 0x29, 0x2E, 0xD8, 0x4A, 0x83, 0x99, 0xF6, 0xA3, 0x39, 0xE3, 0xD0, 0x01];

/// Recognises a volume by its first sector, of which at least the first 512 bytes must be given.
///
/// The closing 55 AA is not asked for: volumes without it exist, and every sign here is longer than those two bytes.
/// `None` says nothing about the volume being empty; many file systems keep their first structure further in.
///
/// Sources: Linux `fs/ntfs/layout.h`; exFAT file system specification 1.00, 3.1; Linux
/// `fs/xfs/libxfs/xfs_format.h`; Apple File System Reference, `nx_superblock_t`; LUKS on-disk format 1.2.3; the signs of
/// ReFS and of Windows volume encryption are from memory.
pub fn recognise(first_sector: &[u8]) -> Option<BootSign> {
    let sector = first_sector.get(..512)?;
    let name = &sector[3..11];
    if name == b"NTFS    " {
        return Some(BootSign::Ntfs);
    }
    if name == b"EXFAT   " {
        return Some(BootSign::ExFat);
    }
    if name == b"-FVE-FS-" {
        return Some(BootSign::VolumeEncryption);
    }
    if name == b"ReFS\0\0\0\0" {
        return Some(BootSign::Refs);
    }
    if sector.starts_with(b"LUKS\xBA\xBE") {
        return Some(BootSign::Luks);
    }
    if sector.starts_with(b"XFSB") {
        return Some(BootSign::Xfs);
    }
    if &sector[32..36] == b"NXSB" {
        return Some(BootSign::Apfs);
    }
    if is_fat(sector) {
        let encrypted = sector[424..440] == ENCRYPTED_REMOVABLE;
        return Some(if encrypted { BootSign::VolumeEncryption } else { BootSign::Fat });
    }
    None
}

/// Whether the BIOS parameter block is that of a FAT volume. FAT has no signature, so every field must be in the range
/// that the specification gives, and the regions must fit in the volume.
///
/// Source: "FAT: General Overview of On-Disk Format" 1.03, Microsoft, section Boot Sector and BPB.
fn is_fat(sector: &[u8]) -> bool {
    let sector_bytes = u32::from(u16_at(sector, 0x0B));
    let reserved = u64::from(u16_at(sector, 0x0E));
    let fats = u64::from(byte(sector, 0x10));
    let root_entries = u64::from(u16_at(sector, 0x11));
    let media = byte(sector, 0x15);
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
        && byte(sector, 0x0D).is_power_of_two()
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
    fn signatures_and_what_is_none() {
        let sign = |at: usize, text: &[u8]| {
            let mut sector = vec![0; 512];
            sector[at..at + text.len()].copy_from_slice(text);
            recognise(&sector)
        };
        assert_eq!(sign(3, b"NTFS    "), Some(BootSign::Ntfs));
        assert_eq!(sign(3, b"EXFAT   "), Some(BootSign::ExFat));
        assert_eq!(sign(3, b"-FVE-FS-"), Some(BootSign::VolumeEncryption));
        assert_eq!(sign(0, b"LUKS\xBA\xBE\0\x02"), Some(BootSign::Luks));
        assert_eq!(sign(0, b"XFSB"), Some(BootSign::Xfs));
        assert_eq!(sign(32, b"NXSB"), Some(BootSign::Apfs));
        assert_eq!(sign(0, b""), None);
        assert_eq!(recognise(b"too short"), None);
    }
}
