//! MBR and extended chains, against tables written by the `mbrman` crate and against hand-made chains.

use crate::partition::building::{Image, MIB, Seen};
use gleaner::partition::search::THOROUGH;
use gleaner::partition::{Scheme, findings as code};
use mbrman::{CHS, MBR, MBRPartitionEntry};
use std::io::Cursor;

const SIZE: usize = 32 * MIB;

fn primary(flag: u8, kind: u8, first: u32, sectors: u32) -> MBRPartitionEntry {
    let chs = CHS::empty();
    MBRPartitionEntry { boot: flag, first_chs: chs, sys: kind, last_chs: chs, starting_lba: first, sectors }
}

/// Two primaries, an extended partition with three logicals, and gaps, as `mbrman` writes them in sectors of `table`
/// bytes; with what `mbrman` itself then reads: number, type, first byte, length.
fn written(table: u32, reported: usize) -> (Image, Vec<(u32, String, u64, u64)>) {
    let mut device = Cursor::new(vec![0; SIZE]);
    let mut mbr = MBR::new_from(&mut device, table, *b"\x11\x22\x33\x44").unwrap();
    mbr.align = 16;
    mbr[1] = primary(0x80, 0x07, 256, 512);
    mbr[2] = primary(0, 0x0C, 1024, 256);
    mbr[3] = primary(0, 0x0F, 2048, 4096);
    for (kind, first, sectors) in [(0x07, 2048, 512), (0x0B, 3072, 256), (0x83, 4096, 1024)] {
        mbr.push(kind, first, sectors).unwrap();
    }
    mbr.write_into(&mut device).unwrap();
    let again = MBR::read_from(&mut device, table).unwrap();
    let bytes = |sectors: u32| u64::from(sectors) * u64::from(table);
    let expected = again
        .iter()
        .filter(|(_, p)| p.is_used() && !p.is_extended())
        .map(|(n, p)| (u32::try_from(n).unwrap(), format!("0x{:02X}", p.sys), bytes(p.starting_lba), bytes(p.sectors)))
        .collect();
    (Image::of(device.into_inner(), reported), expected)
}

/// Puts boot sectors where `mbrman` put partitions of types that begin with one.
fn with_boot_sectors(mut image: Image, partitions: &[(u32, String, u64, u64)]) -> Image {
    for (_, kind, start, _) in partitions {
        let at = usize::try_from(*start).unwrap();
        match kind.as_str() {
            "0x07" => image.ntfs(at),
            "0x0B" | "0x0C" => image.fat(at),
            _ => &mut image,
        };
    }
    image
}

#[test]
fn every_pairing_of_table_and_reported_sector_size_gives_what_mbrman_wrote() {
    for (table, reported) in [(512, 512), (4096, 4096), (4096, 512), (512, 4096)] {
        let (image, expected) = written(table, reported);
        assert_eq!(expected.len(), 5);
        let seen = with_boot_sectors(image, &expected).read();
        assert_eq!(seen.partitions(), expected, "table of {table}, reported {reported}");
        assert_eq!((seen.layout.scheme, seen.layout.table_sector.bytes()), (Scheme::Mbr, u64::from(table)));
        let chain: Vec<_> = [0u64, 2048, 3072, 4096].iter().map(|lba| lba * u64::from(table)).collect();
        let tables: Vec<_> = seen.layout.table_extents.extents().iter().map(|e| (e.start.0, e.bytes)).collect();
        assert_eq!(tables, chain.iter().map(|at| (*at, u64::from(table))).collect::<Vec<_>>());
        if table == u32::try_from(reported).unwrap() {
            assert_eq!(seen.codes(), [""; 0]);
            seen.assert_only_tables_were_read();
        } else {
            assert_eq!(seen.codes(), ["sector-size-differs"]);
            let sentence = seen.sentence(&code::SECTOR_SIZE_DIFFERS);
            assert!(sentence.contains(&format!("reports sectors of {reported} bytes")), "{sentence}");
            assert!(sentence.contains(&format!("counts in sectors of {table}")), "{sentence}");
            assert!(sentence.contains("5 of 5 boot sectors and chain links"), "{sentence}");
        }
        let flags: Vec<_> = seen.entries().map(|(e, _)| (e.bootable, e.logical)).collect();
        assert_eq!(flags, [(true, false), (false, false), (false, true), (false, true), (false, true)]);
    }
}

#[test]
fn the_reported_sector_size_stands_when_nothing_speaks_for_the_other() {
    // A volume lost its boot sector, or was never formatted: no reason to move partitions about.
    let mut image = Image::blank(SIZE, 512);
    image.entry(0, 0, 0, 0x07, 256, 512);
    let seen = image.read();
    assert_eq!(seen.partitions(), [(1, "0x07".to_owned(), 256 * 512, 512 * 512)]);
    assert_eq!(seen.codes(), [""; 0]);
    // One of two boot sectors is enough for the reported size; the other place is not even looked at.
    image.entry(0, 1, 0, 0x07, 1024, 512).ntfs(256 * 512).ntfs(1024 * 4096);
    let seen = image.read();
    assert_eq!(seen.layout.table_sector.bytes(), 512);
    assert_eq!(seen.codes(), [""; 0]);
}

#[test]
fn partitions_without_a_boot_sector_are_not_read_at_all() {
    let mut image = Image::blank(SIZE, 512);
    image.entry(0, 0, 0, 0x83, 256, 512).entry(0, 1, 0, 0x82, 1024, 512);
    let seen = image.read();
    assert_eq!(seen.entries().count(), 2);
    assert_eq!(seen.asked.bytes(), 512);
}

/// A drive with one extended partition of sectors 2048 to 34815 and links of two entries each: place of the link, its
/// logical partition (counted from the link) and the next link (counted from sector 2048), 0 for none.
fn chain(links: &[(u32, u32, u32)]) -> Image {
    let mut image = Image::blank(SIZE, 512);
    image.entry(0, 0, 0, 0x05, 2048, 32768);
    for (at, logical, next) in links {
        let byte = *at as usize * 512;
        image.entry(byte, 0, 0, 0x83, *logical, 64);
        if *next > 0 {
            image.entry(byte, 1, 0, 0x05, *next, 128);
        }
    }
    image
}

fn starts(seen: &Seen) -> Vec<(u32, u64)> {
    seen.entries().map(|(e, x)| (e.number, x.start.0 / 512)).collect()
}

#[test]
fn offsets_count_from_the_link_and_from_the_extended_partition() {
    // Extended partition at 2048, second link 100000 sectors on: LBA 102048 (layout as in Linux
    // block/partitions/msdos.c; the figures were worked out by hand).
    let mut image = Image::blank(64 * MIB, 512);
    image.entry(0, 0, 0, 0x0F, 2048, 120_000);
    image.entry(2048 * 512, 0, 0, 0x83, 63, 1000).entry(2048 * 512, 1, 0, 0x05, 100_000, 1063);
    image.entry(102_048 * 512, 0, 0, 0x83, 63, 1000);
    let seen = image.read();
    assert_eq!(starts(&seen), [(5, 2111), (6, 102_111)]);
    assert_eq!(seen.codes(), [""; 0]);
    let tables: Vec<_> = seen.layout.table_extents.extents().iter().map(|e| e.start.0 / 512).collect();
    assert_eq!(tables, [0, 2048, 102_048]);
}

#[test]
fn broken_chains_end_with_a_finding_and_keep_what_was_found() {
    // A link that leads to itself: counted from the extended partition, the second link stands 4096 on.
    let seen = chain(&[(2048, 64, 4096), (6144, 64, 4096)]).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112), (6, 6208)], vec!["ebr-loop"]));
    // Back to an earlier one.
    let seen = chain(&[(2048, 64, 4096), (6144, 64, 8192), (10240, 64, 4096)]).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112), (6, 6208), (7, 10304)], vec!["ebr-loop"]));
    assert!(seen.sentence(&code::EBR_LOOP).contains("LBA 6144"));
    // Back to one not seen yet: partitions were deleted and made again.
    let seen = chain(&[(2048, 64, 8192), (10240, 64, 4096), (6144, 64, 0)]).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112), (7, 6208), (6, 10304)], vec!["ebr-backward"]));
    // Past the end of the drive, and with every bit of the link set.
    for next in [65536, u32::MAX] {
        let seen = chain(&[(2048, 64, next)]).read();
        assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112)], vec!["ebr-outside-extended", "ebr-beyond-drive"]));
    }
    // Out of the extended partition, but to a sound link.
    let seen = chain(&[(2048, 64, 40000), (42048, 64, 0)]).read();
    assert_eq!(starts(&seen), [(5, 2112), (6, 42112)]);
    assert_eq!(seen.codes(), ["ebr-outside-extended", "logical-outside-extended"]);
    // To a sector that is no link.
    let seen = chain(&[(2048, 64, 4096)]).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112)], vec!["ebr-signature-missing"]));
    // To one that cannot be read.
    let mut image = chain(&[(2048, 64, 4096), (6144, 64, 0)]);
    let seen = image.unreadable(6144 * 512, 512).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![(5, 2112)], vec!["ebr-unreadable"]));
    assert!(seen.layout.table_extents.covers(image.unreadable[0]), "it is a table's place all the same");
    // None at all.
    let seen = chain(&[]).read();
    assert_eq!((starts(&seen), seen.codes()), (vec![], vec!["extended-empty"]));
}

#[test]
fn an_endless_chain_is_cut() {
    let mut links = Vec::new();
    for n in 0..1000 {
        links.push((2048 + 32 * n, 1, 32 * (n + 1)));
    }
    let mut image = chain(&links);
    for n in 0..1000 {
        // One sector each, so that they do not overlap the next link.
        image.entry((2048 + 32 * n) * 512, 0, 0, 0x83, 1, 1);
    }
    let seen = image.read();
    assert_eq!((seen.entries().count(), seen.codes()), (256, vec!["ebr-too-many"]));
    // The chain is followed no further; the search that its end calls for keeps to its own allowance.
    assert!(seen.asked.bytes() <= 257 * 512 + THOROUGH.bytes);
}

#[test]
fn entries_that_do_not_belong_in_a_link() {
    // Linux block/partitions/msdos.c takes a third and fourth entry when they lie in the extended partition.
    let mut image = chain(&[(2048, 64, 0)]);
    image.entry(2048 * 512, 2, 0, 0x83, 1024, 64).entry(2048 * 512, 3, 0, 0x83, 60000, 64);
    let seen = image.read();
    assert_eq!(starts(&seen), [(5, 2112), (6, 3072)]);
    assert_eq!(seen.codes(), ["ebr-extra-entry", "ebr-extra-entry"]);
    // A logical partition that reaches out of its extended one.
    let mut image = chain(&[(2048, 64, 0)]);
    image.entry(2048 * 512, 0, 0, 0x83, 64, 40000);
    assert_eq!(image.read().codes(), ["logical-outside-extended"]);
}

#[test]
fn several_extended_partitions_are_each_followed() {
    let mut image = chain(&[(2048, 64, 0)]);
    image.entry(0, 2, 0, 0x85, 40000, 1000).entry(40000 * 512, 0, 0, 0x83, 64, 64);
    let seen = image.read();
    assert_eq!(
        (starts(&seen), seen.codes()),
        (vec![(5, 2112), (6, 40064)], vec!["extended-several", "mbr-entry-taken-out"])
    );
}

#[test]
fn odd_entries_are_told_with_their_figures() {
    let table = |entries: &[(u8, u8, u32, u32)]| {
        let mut image = Image::blank(SIZE, 512);
        for (index, (flag, kind, first, sectors)) in entries.iter().enumerate() {
            image.entry(0, index, *flag, *kind, *first, *sectors);
        }
        image.read()
    };
    let drive = u32::try_from(SIZE / 512).unwrap();
    let seen = table(&[(0x7F, 0x83, 2048, 64)]);
    assert_eq!((starts(&seen), seen.codes()), (vec![(1, 2048)], vec!["mbr-boot-flag"]));
    let seen = table(&[(0, 0x83, 2048, 64), (0, 0x83, 4096, 0)]);
    assert_eq!((starts(&seen), seen.codes()), (vec![(1, 2048)], vec!["partition-zero-length"]));
    let seen = table(&[(0, 0x83, 2048, 64), (0, 0x83, 2100, 64), (0, 0x83, 2048, 32)]);
    assert_eq!(starts(&seen), [(1, 2048), (3, 2048), (2, 2100)]);
    assert_eq!(seen.codes(), ["partition-overlap", "partition-overlap"]);
    let shares = "Partitions 1 and 2 share 6144 bytes from LBA 2100";
    assert!(seen.layout.findings.kept()[1].sentence.starts_with(shares), "{:?}", seen.layout.findings.kept()[1]);
    let seen = table(&[(0, 0x83, drive - 64, 65)]);
    assert_eq!((starts(&seen), seen.codes()), (vec![(1, u64::from(drive) - 64)], vec!["partition-past-end"]));
    assert!(seen.sentence(&code::PARTITION_PAST_END).contains("512 bytes more than the source holds"));
    let seen = table(&[(0, 0x83, 2048, 64), (0, 0x83, drive, 1), (0, 0x83, u32::MAX, u32::MAX)]);
    assert_eq!(starts(&seen), [(1, 2048)]);
    assert_eq!(seen.codes(), ["partition-beyond-drive", "partition-beyond-drive"]);
    let seen = table(&[(0, 0x83, 2048, 64), (0, 0x83, 0, 64)]);
    assert_eq!((starts(&seen), seen.codes()), (vec![(2, 0), (1, 2048)], vec!["partition-covers-table"]));
    let place = seen.layout.findings.kept()[0].place.unwrap().0;
    assert_eq!(place, 0x1CE, "the second entry's own place");
}

#[test]
fn an_unsigned_table_counts_only_when_it_leads_to_boot_sectors() {
    let mut image = Image::blank(SIZE, 512);
    image.entry(0, 0, 0x80, 0x07, 2048, 4096).put(510, &[0, 0]);
    assert_eq!(image.read().layout.scheme, Scheme::Unrecognised);
    let seen = image.ntfs(2048 * 512).read();
    assert_eq!((seen.layout.scheme, seen.codes()), (Scheme::Mbr, vec!["mbr-signature-missing"]));
    assert_eq!(starts(&seen), [(1, 2048)]);
}
