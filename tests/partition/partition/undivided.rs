//! Drives without a table: one volume, nothing, or something that cannot be told.

use crate::common::fixture;
use crate::partition::building::{Image, MIB};
use gleaner::partition::{AreaKind, Scheme};

#[test]
fn volumes_that_fill_the_drive_as_formatters_make_them() {
    // Made by mkntfs and mkfs.fat; their boot code stands where an MBR has its entries.
    for name in ["ntfs-rich", "fat12-floppy", "fat12-clusters-4k", "fat16", "fat16-sector-4096", "fat32-clusters-512"] {
        let image = Image::of(fixture(name), 512);
        let seen = image.read();
        assert_eq!((seen.layout.scheme, seen.codes()), (Scheme::SingleVolume, vec![]), "{name}");
        assert_eq!(seen.layout.areas.len(), 1);
        assert_eq!(seen.layout.areas[0].kind, AreaKind::Volume);
        assert!(seen.layout.table_extents.is_empty(), "the boot sector is the volume's own");
        assert_eq!(seen.asked.bytes(), 512, "{name}: only the boot sector is read");
    }
}

#[test]
fn a_boot_sector_that_pretends_to_have_a_table_is_a_volume() {
    // mkfs.fat(8), option --mbr: one partition "which starts at sector 0 (includes MBR itself) and spans whole disk".
    let mut image = Image::blank(4 * MIB, 512);
    image.fat(0).entry(0, 0, 0x80, 0x06, 0, 8192);
    assert_eq!(image.read().layout.scheme, Scheme::SingleVolume);
    // Text where the entries would be.
    image.put(0x1BE, b"Remove disks or other media.\xFF\r\nDisk error\xFF\r\nPress any key");
    assert_eq!(image.read().layout.scheme, Scheme::SingleVolume);
}

#[test]
fn a_table_in_a_sector_with_an_old_parameter_block_is_a_table() {
    let mut image = Image::blank(4 * MIB, 512);
    image.fat(0).entry(0, 0, 0x80, 0x06, 2048, 4096);
    let seen = image.read();
    assert_eq!(seen.layout.scheme, Scheme::Mbr);
    assert_eq!(seen.partitions(), [(1, "0x06".to_owned(), MIB as u64, 2 * MIB as u64)]);
}

/// Volumes made by their own formatters (testdata/README.md), on the bare drive; one of them is a disc's content behind an
/// MBR whose entry begins at sector 0.
#[test]
fn encrypted_and_foreign_volumes_without_a_table() {
    for name in [
        "luks1",
        "luks2",
        "luks2-second-header",
        "xfs",
        "ext4",
        "lvm",
        "btrfs",
        "swap-4k",
        "md-1.0",
        "iso9660",
        "iso9660-mbr",
    ] {
        let seen = Image::of(fixture(&format!("foreign-{name}")), 512).read();
        assert_eq!(seen.layout.scheme, Scheme::SingleVolume, "{name}");
        assert_eq!(seen.codes(), Vec::<&str>::new(), "{name}");
    }
    // A signature and nothing else: no volume. exFAT stays one, since its reader has more to say of what is missing.
    for (at, sign, scheme) in [
        (0, &b"XFSB"[..], Scheme::Unrecognised),
        (32, b"NXSB", Scheme::Unrecognised),
        (3, b"EXFAT   ", Scheme::SingleVolume),
    ] {
        let mut image = Image::blank(MIB, 512);
        image.put(at, sign);
        assert_eq!(image.read().layout.scheme, scheme, "{sign:?}");
    }
}

#[test]
fn blank_odd_and_unreadable_drives_are_told_apart_within_a_few_places() {
    let blank = Image::blank(4 * MIB, 512);
    let mut odd = blank.clone();
    odd.bytes[..512].fill(0xA7);
    let mut unreadable = blank.clone();
    unreadable.unreadable(0, 4 * MIB);
    let mut empty_table = blank.clone();
    empty_table.sign(0);
    for (image, scheme, codes, words) in [
        (&blank, Scheme::Unrecognised, vec!["no-table"], "is all zero"),
        (&odd, Scheme::Unrecognised, vec!["no-table"], "neither a partition table nor a known boot sector"),
        (&unreadable, Scheme::Unrecognised, vec!["lba0-unreadable", "no-table"], "was not read"),
        (&empty_table, Scheme::Mbr, vec!["mbr-empty"], "names no partition"),
    ] {
        let seen = image.read();
        assert_eq!((seen.layout.scheme, seen.codes()), (scheme, codes));
        assert!(seen.layout.findings.kept().iter().any(|f| f.sentence.contains(words)));
        assert_eq!(seen.layout.areas.len(), 1);
        assert_eq!(seen.layout.areas[0].kind, AreaKind::Unpartitioned);
        assert!(seen.layout.outside_unexplained);
        // The search's places and those of foreign superblocks (`signs::look`).
        assert!(seen.asked.bytes() <= 1 << 20, "{:?}", seen.asked);
    }
}

#[test]
fn sources_shorter_than_anything() {
    for bytes in [1, 100, 511] {
        let seen = Image::blank(bytes, 512).read();
        assert_eq!(seen.codes(), ["source-too-short"]);
    }
    for bytes in [512, 513, 1024, 4095, 4096, 5000] {
        for reported in [512, 4096] {
            assert_eq!(Image::blank(bytes, reported).read().codes(), ["no-table"], "{bytes} bytes");
        }
    }
}
