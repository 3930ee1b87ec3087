//! What partition types are called.

use super::Reserved;
use gpt::partition_types::{self as gpt_types, OperatingSystem, Type};
use std::str::FromStr;

/// What an MBR partition type is used for: the customary meanings (list of partition identifiers by A. E. Brouwer;
/// from memory). The same number can mean different things to different systems.
pub(super) fn mbr_name(kind: u8) -> &'static str {
    match kind {
        0x01 => "FAT12",
        0x04 | 0x06 | 0x0E => "FAT16",
        0x05 | 0x0F | 0x85 => "Extended",
        0x07 => "NTFS or exFAT",
        0x0B | 0x0C => "FAT32",
        0x11 => "FAT12, hidden",
        0x14 | 0x16 | 0x1E => "FAT16, hidden",
        0x17 => "NTFS or exFAT, hidden",
        0x1B | 0x1C => "FAT32, hidden",
        0x27 => "Windows recovery",
        0x42 => "Windows dynamic disk",
        0x82 => "Linux swap",
        0x83 => "Linux",
        0x8E => "Linux LVM",
        0xA5 => "FreeBSD",
        0xA6 => "OpenBSD",
        0xA8 | 0xAB => "Apple UFS or boot",
        0xA9 => "NetBSD",
        0xAF => "HFS or HFS+",
        0xDA => "Data without a file system",
        0xDE => "Vendor utility",
        0xEE => "GPT protective",
        0xEF => "EFI system",
        0xFD => "Linux RAID",
        _ => "Unknown",
    }
}

/// The types a bench meets most, in plain words.
const NAMED: &[(&Type, &str)] = &[
    (&gpt_types::BASIC, "Basic data"),
    (&gpt_types::EFI, "EFI system"),
    (&gpt_types::MICROSOFT_RESERVED, "Windows reserved"),
    (&gpt_types::WINDOWS_RECOVERY, "Windows recovery"),
    (&gpt_types::WINDOWS_METADATA, "Windows dynamic disk, metadata"),
    (&gpt_types::WINDOWS_DATA, "Windows dynamic disk, data"),
    (&gpt_types::WINDOWS_STORAGESPACES, "Windows storage pool"),
    (&gpt_types::BIOS, "BIOS boot"),
    (&gpt_types::LINUX_FS, "Linux"),
    (&gpt_types::LINUX_HOME, "Linux home"),
    (&gpt_types::LINUX_SRV, "Linux server data"),
    (&gpt_types::LINUX_ROOT_X64, "Linux root"),
    (&gpt_types::LINUX_ROOT_X86, "Linux root"),
    (&gpt_types::LINUX_ROOT_ARM_32, "Linux root"),
    (&gpt_types::LINUX_ROOT_ARM_64, "Linux root"),
    (&gpt_types::LINUX_SWAP, "Linux swap"),
    (&gpt_types::LINUX_RAID, "Linux RAID"),
    (&gpt_types::LINUX_LVM, "Linux LVM"),
    (&gpt_types::LINUX_LUKS, "LUKS encryption"),
    (&gpt_types::LINUX_DMCRYPT, "Linux encryption"),
    (&gpt_types::MACOS_HFSPLUS, "HFS+"),
    (&gpt_types::MACOS_APFS, "APFS"),
    (&gpt_types::MACOS_CORE, "Apple volume manager"),
    (&gpt_types::MACOS_RAID, "Apple RAID"),
    (&gpt_types::MACOS_RECOVERY, "Apple recovery"),
    (&gpt_types::FREEBSD_UFS, "FreeBSD UFS"),
    (&gpt_types::FREEBSD_ZFS, "FreeBSD ZFS"),
    (&gpt_types::MACOS_ZFS, "ZFS"),
];

/// What a GPT partition type is used for. `guid` is in the customary notation; identifiers are those of the `gpt`
/// crate's table.
pub(super) fn gpt_name(guid: &str) -> String {
    let Ok(kind) = Type::from_str(guid) else { return "Unknown".to_owned() };
    if let Some((_, name)) = NAMED.iter().find(|(named, _)| **named == kind) {
        return (*name).to_owned();
    }
    match kind.os {
        OperatingSystem::None => "Unknown".to_owned(),
        other => format!("{other:?}, other"),
    }
}

/// What partitions of a GPT type are set aside for, where they have no file system by definition: Microsoft's reserved
/// partition (Microsoft, "Windows and GPT FAQ"; from memory) and the one from which a BIOS starts a GPT drive (GNU GRUB
/// manual, "BIOS installation"; from memory).
pub(super) fn reserved_for(guid: &str) -> Option<Reserved> {
    match Type::from_str(guid).ok()? {
        gpt_types::MICROSOFT_RESERVED => Some(Reserved::Space),
        gpt_types::BIOS => Some(Reserved::Code),
        _ => None,
    }
}

/// A GUID in the customary notation, in capitals: its first three fields are stored little-endian (UEFI
/// Specification 2.x, appendix A; from memory).
pub(super) fn guid_text(bytes: [u8; 16]) -> String {
    let mut order = bytes;
    order[..4].reverse();
    order[4..6].reverse();
    order[6..8].reverse();
    let digits = hex::encode_upper(order);
    [&digits[..8], &digits[8..12], &digits[12..16], &digits[16..20], &digits[20..]].join("-")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guids_are_written_in_the_customary_order() {
        // UEFI Specification, table "Defined GPT Partition Entry - Partition Type GUIDs": the EFI system partition.
        let stored = hex::decode("28732ac11ff8d211ba4b00a0c93ec93b").unwrap();
        let text = guid_text(stored.try_into().unwrap());
        assert_eq!(text, "C12A7328-F81F-11D2-BA4B-00A0C93EC93B");
        assert_eq!(gpt_name(&text), "EFI system");
        assert_eq!(gpt_name("2568845D-2332-4675-BC39-8FA5A4748D15"), "Android, other");
        assert_eq!(gpt_name("01234567-89AB-CDEF-0123-456789ABCDEF"), "Unknown");
    }
}
