//! No false alarm: sound volumes, empty ones, full ones, and drives with only a table.

use super::{Judged, random_bytes};
use crate::common::fixture;
use gleaner::base::units::SectorSize;
use gleaner::source::MemorySource;
use gleaner::survey::coherence::{Check, Outcome, Verdict};
use std::io::{Cursor, Write};

#[test]
fn every_fixture_is_sound_and_costs_one_sector() {
    let folder = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/testdata")).unwrap();
    let mut names: Vec<String> = folder
        .filter_map(|entry| Some(entry.unwrap().file_name().to_str()?.strip_suffix(".img.zst")?.to_owned()))
        .filter(|name| ["ntfs", "fat", "exfat", "drive"].iter().any(|kind| name.starts_with(kind)))
        .collect();
    names.sort();
    assert!(names.len() >= 24, "{names:?}");
    for name in names {
        let native = name.contains("4kn") || name.contains("sector-4096");
        let sector = if native { SectorSize::S4096 } else { SectorSize::S512 };
        let judged = Judged::of(MemorySource::new(fixture(&name), sector));
        assert_eq!(judged.verdict(), Verdict::Sound, "{name}: {}", judged.told());
        assert!(judged.coherence.read.bytes <= sector.bytes(), "{name}: nothing but the last sector");
        assert!(judged.coherence.findings.kept().is_empty(), "{name}");
        assert_eq!(judged.outcome(Check::LastSector), Outcome::Holds, "{name}");
        assert_eq!(judged.outcome(Check::BootSectors), Outcome::Holds, "{name}");
    }
}

/// Freshly formatted by the fatfs crate; nothing in it.
fn empty_fat(megabytes: usize) -> Vec<u8> {
    let mut memory = Cursor::new(vec![0; megabytes << 20]);
    fatfs::format_volume(&mut memory, fatfs::FormatVolumeOptions::new()).unwrap();
    memory.into_inner()
}

#[test]
fn empty_volumes_are_sound() {
    for megabytes in [1, 3, 40, 300] {
        let judged = Judged::image(empty_fat(megabytes));
        assert_eq!(judged.verdict(), Verdict::Sound, "{megabytes} MiB: {}", judged.told());
    }
}

#[test]
fn a_volume_full_of_encrypted_files_is_sound() {
    let mut memory = Cursor::new(empty_fat(40));
    let volume = fatfs::FileSystem::new(&mut memory, fatfs::FsOptions::new()).unwrap();
    volume.root_dir().create_file("vault.bin").unwrap().write_all(&random_bytes(7, 38 << 20)).unwrap();
    volume.unmount().unwrap();
    let judged = Judged::image(memory.into_inner());
    assert_eq!(judged.verdict(), Verdict::Sound, "{}", judged.told());
}

/// A GPT without partitions, by the gpt crate, on `drive`.
fn empty_gpt(mut drive: Vec<u8>) -> Vec<u8> {
    let sectors = drive.len() as u64 / 512;
    let mut cursor = Cursor::new(&mut drive[..]);
    let mbr = gpt::mbr::ProtectiveMBR::with_lb_size(u32::try_from(sectors - 1).unwrap());
    mbr.overwrite_lba0(&mut cursor).unwrap();
    let table = gpt::GptConfig::new()
        .writable(true)
        .logical_block_size(gpt::disk::LogicalBlockSize::Lb512)
        .create_from_device(&mut cursor, None)
        .unwrap();
    table.write().unwrap();
    drive
}

#[test]
fn a_drive_with_only_a_table_raises_no_alarm() {
    let judged = Judged::image(empty_gpt(vec![0; 64 << 20]));
    assert_eq!(judged.verdict(), Verdict::Blank, "{}", judged.told());
    assert_eq!(judged.outcome(Check::Tables), Outcome::Holds);
    assert!(judged.coherence.sentence.contains("outside the table"), "{}", judged.told());

    // A signed MBR without entries.
    let mut drive = vec![0; 64 << 20];
    drive[510..512].copy_from_slice(&[0x55, 0xAA]);
    let judged = Judged::image(drive);
    assert_eq!(judged.verdict(), Verdict::Blank, "{}", judged.told());

    // One partition, never formatted.
    let mut drive = vec![0; 64 << 20];
    drive[446..462].copy_from_slice(&[0, 0, 0, 0, 7, 0, 0, 0, 0, 8, 0, 0, 0, 0, 1, 0]);
    drive[510..512].copy_from_slice(&[0x55, 0xAA]);
    let judged = Judged::image(drive);
    assert_eq!(judged.verdict(), Verdict::Blank, "{}", judged.told());
    assert!(judged.figures(Check::BootSectors).contains("never have been formatted"), "{}", judged.told());
}

#[test]
fn a_table_over_old_content_is_not_called_garbage() {
    // The table is sound, the rest is what an earlier volume left: media and text, no structure.
    let mut drive: Vec<u8> = b"The quick brown fox counts plants. ".iter().copied().cycle().take(64 << 20).collect();
    for (at, byte) in drive.iter_mut().enumerate() {
        *byte ^= (at >> 9).to_le_bytes()[0] & 0x0F;
    }
    let judged = Judged::image(empty_gpt(drive));
    assert_eq!(judged.verdict(), Verdict::Unclear, "{}", judged.told());
}

#[test]
fn foreign_volumes_raise_no_alarm() {
    for name in
        ["ext4", "xfs", "btrfs", "f2fs", "hfsplus", "apfs", "iso9660", "lvm", "md-1.2", "swap-4k", "ext2", "jfs"]
    {
        let judged = Judged::image(fixture(&format!("foreign-{name}")));
        assert!(matches!(judged.verdict(), Verdict::Sound | Verdict::Unclear), "{name}: {}", judged.told());
    }
    for name in ["ext4", "xfs", "btrfs"] {
        let judged = Judged::image(fixture(&format!("foreign-{name}")));
        assert_eq!(judged.verdict(), Verdict::Sound, "{name} proves itself by a checksum: {}", judged.told());
    }
}
