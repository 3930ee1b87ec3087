//! GPT, against tables written by the `gpt` crate in both sector sizes.

use crate::partition::building::{Image, MIB, crc32};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::partition::search::THOROUGH;
use gleaner::partition::{Scheme, findings as code};
use gpt::disk::LogicalBlockSize;
use gpt::mbr::ProtectiveMBR;
use gpt::{GptConfig, partition_types};
use std::io::Cursor;

const SIZE: usize = 8 * MIB;

/// A drive as the `gpt` crate writes it: a protective MBR and three partitions, and what the crate itself says of them
/// when it reads them back: number, type, GUID, name, first byte, length.
struct Written {
    image: Image,
    partitions: Vec<(u32, String, String, Option<String>, u64, u64)>,
}

fn written(table: usize, reported: usize, first_name: &str) -> Written {
    let block = LogicalBlockSize::try_from(table as u64).unwrap();
    let mut device = Cursor::new(vec![0; SIZE]);
    let behind_first = u32::try_from(SIZE / table - 1).unwrap();
    ProtectiveMBR::with_lb_size(behind_first).overwrite_lba0(&mut device).unwrap();
    let config = GptConfig::new().writable(true).logical_block_size(block);
    let mut disk = config.create_from_device(device, None).unwrap();
    let sectors = |bytes: usize| (bytes / table) as u64;
    let part = |disk: &mut gpt::GptDisk<Cursor<Vec<u8>>>, name: &str, id, first, kind, flags| {
        disk.add_partition_at(name, id, sectors(first), sectors(MIB), kind, flags).unwrap();
    };
    part(&mut disk, first_name, 1, MIB, partition_types::EFI, 0);
    part(&mut disk, "Meadow plots", 2, 3 * MIB, partition_types::BASIC, 4);
    part(&mut disk, "", 3, 4 * MIB, partition_types::LINUX_FS, 0);
    let device = disk.write().unwrap();
    let again = GptConfig::new().writable(false).logical_block_size(block).open_from_device(device).unwrap();
    let partitions = again
        .partitions()
        .iter()
        .filter(|(_, p)| p.is_used())
        .map(|(number, p)| {
            let upper = |u: &dyn ToString| u.to_string().to_uppercase();
            let name = Some(p.name.clone()).filter(|n| !n.is_empty());
            let (start, bytes) = (p.bytes_start(block).unwrap(), p.bytes_len(block).unwrap());
            (*number, upper(&p.part_type_guid.guid), upper(&p.part_guid), name, start, bytes)
        })
        .collect();
    Written { image: Image::of(again.take_device().into_inner(), reported), partitions }
}

/// The same, in 512-byte sectors all through.
fn plain() -> Written {
    written(512, 512, "Survey system")
}

fn assert_partitions(written: &Written, image: &Image, expected_codes: &[&str]) {
    let seen = image.read();
    let found: Vec<_> = seen
        .entries()
        .map(|(e, x)| {
            let unique = e.unique_id.clone().unwrap();
            (e.number, e.type_id.clone(), unique, e.name.clone(), x.start.0, x.bytes)
        })
        .collect();
    assert_eq!(found, written.partitions);
    assert_eq!(seen.layout.scheme, Scheme::Gpt);
    assert_eq!(seen.codes(), expected_codes, "{:#?}", seen.layout.findings.kept());
}

#[test]
fn every_pairing_of_table_and_reported_sector_size_gives_what_the_gpt_crate_wrote() {
    for (table, reported) in [(512, 512), (4096, 4096), (4096, 512), (512, 4096)] {
        let drive = written(table, reported, "Survey system");
        let expected: &[&str] = if table == reported { &[] } else { &["sector-size-differs"] };
        assert_partitions(&drive, &drive.image, expected);
        let seen = drive.image.read();
        assert_eq!(seen.layout.table_sector.bytes(), table as u64);
        seen.assert_only_tables_were_read();
        assert_eq!(seen.layout, drive.image.read_as_device().layout, "a device gives the same as its image");
        // Array of 16,384 bytes (UEFI 5.3.1); 4096-byte sectors: array in LBA 2 to 5, first usable 6, last usable
        // last - 5.
        let array = 16384;
        let tables: ExtentSet = [
            Extent::between(0, (2 * table + array) as u64),
            Extent::between((SIZE - table - array) as u64, SIZE as u64),
        ]
        .into_iter()
        .collect();
        assert_eq!(seen.layout.table_extents, tables);
        if table == reported {
            assert_eq!(seen.asked, tables, "a sound table of the reported size is read once and whole");
        } else {
            let sentence = seen.sentence(&code::SECTOR_SIZE_DIFFERS);
            assert!(sentence.contains(&format!("sectors of {reported} bytes")), "{sentence}");
            assert!(sentence.contains(&format!("sectors of {table} bytes")), "{sentence}");
        }
    }
}

#[test]
fn types_flags_and_names_are_read() {
    // 36 units of UTF-16, among them a character of two.
    let name = "Fernhöllow 採集 🌿 abcdefghijklmnopqrs";
    assert_eq!(name.encode_utf16().count(), 36);
    let drive = written(512, 512, name);
    let seen = drive.image.read();
    let entries: Vec<_> = seen.entries().map(|(e, _)| e).collect();
    assert_eq!(entries[0].name.as_deref(), Some(name));
    let types: Vec<_> = entries.iter().map(|e| e.type_name.as_str()).collect();
    assert_eq!(types, ["EFI system", "Basic data", "Linux"]);
    // Attribute bit 2, "Legacy BIOS Bootable" (UEFI 5.3.3), was set on the second.
    let bootable: Vec<_> = entries.iter().map(|e| e.bootable).collect();
    assert_eq!(bootable, [false, true, false]);
}

#[test]
fn a_name_that_is_not_utf16_costs_only_the_characters_that_are_not() {
    let drive = plain();
    let mut image = drive.image.clone();
    // A low surrogate on its own, in place of the first letter, in both copies; both CRCs are then wrong.
    image.put(1024 + 56, &[0x00, 0xDC]).put(SIZE - 33 * 512 + 56, &[0x00, 0xDC]);
    let seen = image.read();
    assert_eq!(seen.entries().next().unwrap().0.name.as_deref(), Some("\u{FFFD}urvey system"));
    assert_eq!(seen.codes(), ["gpt-primary-entries", "gpt-backup-entries", "gpt-unverified"]);
}

#[test]
fn a_damaged_copy_costs_nothing_but_a_finding() {
    let drive = plain();
    let backup_header = SIZE - 512;
    let backup_array = SIZE - 33 * 512;
    let damaged = |at: usize| {
        let mut image = drive.image.clone();
        image.bytes[at] ^= 0x10;
        image
    };
    let wiped = |at: usize, bytes: usize| {
        let mut image = drive.image.clone();
        image.bytes[at..at + bytes].fill(0);
        image
    };
    let unreadable = |at: usize, bytes: usize| {
        let mut image = drive.image.clone();
        image.unreadable(at, bytes);
        image
    };
    let primary = ["gpt-primary-header"];
    let primary_entries = ["gpt-primary-entries"];
    // One bit in header fields. Even the header's own CRC of the array is not missed: the backup has it too.
    for at in [8, 16, 24, 40, 72, 80, 88] {
        assert_partitions(&drive, &damaged(512 + at), &primary);
    }
    assert_partitions(&drive, &damaged(1024 + 32), &primary_entries);
    assert_partitions(&drive, &damaged(1024 + 16383), &primary_entries);
    assert_partitions(&drive, &damaged(backup_header + 24), &["gpt-backup-header"]);
    assert_partitions(&drive, &damaged(backup_array + 40), &["gpt-backup-entries"]);
    assert_partitions(&drive, &wiped(512, 512), &primary);
    assert_partitions(&drive, &wiped(512, 33 * 512), &["gpt-primary-header", "gpt-primary-entries"]);
    assert_partitions(&drive, &wiped(backup_array, 33 * 512), &["gpt-backup-header"]);
    assert_partitions(&drive, &unreadable(512, 512), &primary);
    assert_partitions(&drive, &unreadable(1024, 512), &primary_entries);
    assert_partitions(&drive, &unreadable(backup_header, 512), &["gpt-backup-header"]);
    assert_partitions(&drive, &unreadable(backup_array + 512, 512), &["gpt-backup-entries"]);
    // The first sector, with and without the primary header.
    assert_partitions(&drive, &wiped(0, 512), &["protective-mbr-missing"]);
    assert_partitions(&drive, &unreadable(0, 512), &["lba0-unreadable"]);
    assert_partitions(&drive, &wiped(0, 1024), &["protective-mbr-missing", "gpt-primary-header"]);
    assert_partitions(&drive, &unreadable(0, MIB), &["lba0-unreadable", "gpt-primary-header", "gpt-primary-entries"]);
}

#[test]
fn crossed_damage_is_survived_because_each_header_proves_either_array() {
    let drive = plain();
    let mut image = drive.image.clone();
    // Primary array and backup header: the primary header's CRC proves the array in front of the backup header.
    image.bytes[1024 + 40] ^= 1;
    image.bytes[SIZE - 512..].fill(0);
    assert_partitions(&drive, &image, &["gpt-primary-entries", "gpt-backup-header"]);

    let mut image = drive.image.clone();
    // Primary header and backup array: the backup header's CRC proves the array behind the primary header.
    image.bytes[512..1024].fill(0);
    image.bytes[SIZE - 33 * 512 + 40] ^= 1;
    assert_partitions(&drive, &image, &["gpt-primary-header", "gpt-backup-entries"]);

    let mut image = drive.image.clone();
    // Both headers' own CRCs: the arrays still agree with the CRCs the headers hold for them.
    image.bytes[512 + 16] ^= 1;
    image.bytes[SIZE - 512 + 16] ^= 1;
    assert_partitions(&drive, &image, &["gpt-primary-header", "gpt-backup-header"]);
}

#[test]
fn a_copy_on_a_larger_drive_and_one_cut_short() {
    // Backup not at the end (Quyzi/gpt pull request 78).
    let drive = plain();
    let mut image = drive.image.clone();
    image.bytes.resize(SIZE + MIB, 0);
    assert_partitions(&drive, &image, &["protective-mbr-size", "gpt-backup-not-last"]);
    let seen = image.read();
    let sentence = seen.sentence(&code::GPT_BACKUP_NOT_LAST);
    assert!(sentence.contains("2048 sectors of 512 bytes before the last"), "{sentence}");
    seen.assert_only_tables_were_read();

    // Without the primary, the size in the protective entry leads to the backup.
    image.bytes[512..1024].fill(0);
    assert_partitions(&drive, &image, &["protective-mbr-size", "gpt-primary-header", "gpt-backup-not-last"]);

    let mut image = drive.image.clone();
    image.bytes.truncate(4 * MIB + 512);
    let seen = image.read();
    let expected: Vec<_> = drive.partitions.iter().map(|p| (p.0, p.4, p.5.min(4 * MIB as u64 + 512 - p.4))).collect();
    let found: Vec<_> = seen.entries().map(|(e, x)| (e.number, x.start.0, x.bytes)).collect();
    assert_eq!(found, expected);
    assert_eq!(seen.codes(), ["protective-mbr-size", "gpt-backup-header", "gpt-backup-not-last", "partition-past-end"]);
    let sentence = seen.sentence(&code::PARTITION_PAST_END);
    assert!(sentence.contains(&format!("{} bytes more", MIB - 512)), "{sentence}");
}

#[test]
fn copies_that_are_both_sound_and_say_different_things_are_told() {
    let (old, new) = (plain(), written(512, 512, "Renamed"));
    let mut image = new.image.clone();
    let backup = SIZE - 33 * 512;
    image.put(backup, &old.image.bytes[backup..]);
    let seen = image.read();
    assert_eq!(seen.codes(), ["gpt-copies-differ"]);
    assert_eq!(seen.entries().next().unwrap().0.name.as_deref(), Some("Renamed"));
    let sentence = seen.sentence(&code::GPT_COPIES_DIFFER);
    assert!(sentence.contains("3 entries, the first being partition 1"), "{sentence}");
}

#[test]
fn a_hybrid_mbr_is_noted_and_the_gpt_used() {
    let drive = plain();
    let mut image = drive.image.clone();
    image.entry(0, 0, 0, 0xEE, 1, 2047).entry(0, 1, 0x80, 0x0C, 2048, 2048);
    assert_partitions(&drive, &image, &["mbr-hybrid"]);
}

#[test]
fn a_guarding_entry_without_any_gpt_is_told() {
    let mut image = plain().image;
    image.bytes[512..MIB].fill(0);
    image.bytes[SIZE - MIB..].fill(0);
    let seen = image.read();
    assert_eq!((seen.layout.scheme, seen.codes()), (Scheme::Unrecognised, vec!["gpt-lost"]));
    assert_eq!(seen.entries().count(), 0);
    assert!(seen.asked.bytes() <= THOROUGH.bytes, "{:?}", seen.asked);

    // A hybrid's own entries are then better than nothing.
    image.entry(0, 1, 0x80, 0x0C, 2048, 2048).fat(MIB);
    let seen = image.read();
    assert_eq!(seen.partitions(), [(2, "0x0C".to_owned(), MIB as u64, MIB as u64)]);
    assert_eq!(seen.codes(), ["gpt-lost"]);
}

/// Rewrites both arrays with `change` and makes all CRCs right again.
fn rewritten(image: &Image, change: impl Fn(&mut [u8])) -> Image {
    let mut image = image.clone();
    for (header, array) in [(512, 1024), (SIZE - 512, SIZE - 33 * 512)] {
        change(&mut image.bytes[array..array + 16384]);
        let crc = crc32(&image.bytes[array..array + 16384]);
        image.put(header + 88, &crc.to_le_bytes()).put(header + 16, &[0; 4]);
        let crc = crc32(&image.bytes[header..header + 92]);
        image.put(header + 16, &crc.to_le_bytes());
    }
    image
}

#[test]
fn entries_that_cannot_be_are_told_and_cost_only_themselves() {
    let drive = plain();
    let set = |array: &mut [u8], first: u64, last: u64| {
        array[128 + 32..128 + 40].copy_from_slice(&first.to_le_bytes());
        array[128 + 40..128 + 48].copy_from_slice(&last.to_le_bytes());
    };
    let others = [1, 3];
    // (first, last, codes, whether partition 2 still has an area)
    let cases: [(u64, u64, &[&str], bool); 6] = [
        (7000, 6999, &["gpt-entry-reversed"], false),
        (
            0,
            u64::MAX,
            &["gpt-outside-usable", "partition-past-end", "partition-covers-table", "partition-overlap"],
            true,
        ),
        (u64::MAX, u64::MAX, &["gpt-outside-usable", "partition-beyond-drive"], false),
        (1 << 40, 1 << 41, &["gpt-outside-usable", "partition-beyond-drive"], false),
        (2049, 2050, &["partition-overlap"], true),
        (33, 40, &["gpt-outside-usable"], true),
    ];
    for (first, last, codes, stays) in cases {
        let seen = rewritten(&drive.image, |array| set(array, first, last)).read();
        let mut codes_seen = seen.codes();
        codes_seen.dedup();
        assert_eq!(codes_seen, codes, "{first} to {last}: {:#?}", seen.layout.findings.kept());
        let mut numbers: Vec<_> = seen.entries().map(|(e, _)| e.number).filter(|n| *n != 2).collect();
        numbers.sort_unstable();
        assert_eq!(numbers, others);
        assert_eq!(seen.entries().any(|(e, _)| e.number == 2), stays, "{first} to {last}");
    }
}

#[test]
fn numbers_are_those_of_the_slots_used_or_not() {
    let image = rewritten(&plain().image, |array| array.copy_within(2 * 128..3 * 128, 127 * 128));
    let image = rewritten(&image, |array| array[2 * 128..3 * 128].fill(0));
    let numbers: Vec<_> = image.read().entries().map(|(e, _)| e.number).collect();
    assert_eq!(numbers, [1, 2, 128]);
}

#[test]
fn larger_entries_are_read_by_their_size() {
    // UEFI 5.3.2: entry size 128 x 2^n. The same array, each entry of 128 bytes set in one of 256: 64 entries.
    let drive = plain();
    let mut image = drive.image.clone();
    let mut wide = vec![0; 16384];
    for number in 0..64 {
        wide[number * 256..number * 256 + 128].copy_from_slice(&image.bytes[1024 + number * 128..][..128]);
    }
    for header in [512, SIZE - 512] {
        image.put(header + 80, &64u32.to_le_bytes()).put(header + 84, &256u32.to_le_bytes());
    }
    let image = rewritten(&image, |array| array.copy_from_slice(&wide));
    assert_partitions(&drive, &image, &[]);
}

#[test]
fn a_header_that_asks_for_a_monstrous_array_is_refused_without_reading_it() {
    let drive = plain();
    let mut image = drive.image.clone();
    image.put(512 + 80, &u32::MAX.to_le_bytes()).put(512 + 16, &[0; 4]);
    let crc = crc32(&image.bytes[512..604]);
    image.put(512 + 16, &crc.to_le_bytes());
    assert_partitions(&drive, &image, &["gpt-primary-header"]);
    assert!(image.read().asked.bytes() < 64 << 10);
}
