//! Volumes found without their table. The drives are those whose tables sfdisk and fdisk wrote and whose volumes are real
//! (`testdata/README.md`); their tables are then destroyed in many ways. Oracle: the tables as those programs read them
//! back (`testdata/*.table.json`), and what the undamaged volumes read as.

use crate::common::{damaged::Random, fixture, json};
use crate::partition::building::{Image, MIB, unit};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::filesystem::Content;
use gleaner::partition::search::THOROUGH;
use gleaner::partition::{self, AreaKind, FoundBy, findings as code};
use gleaner::plan::{PlanRequest, Scope, make};
use gleaner::source::{MemorySource, ReadTotals, Reader};
use gleaner::survey::allocation::{Class, DriveMap, read_drive};
use std::collections::BTreeMap;

const DRIVES: [&str; 5] =
    ["drive-gpt", "drive-mbr-extended", "drive-gpt-4kn", "drive-usb-4k-table", "drive-usb-4k-gpt"];

/// A drive: its table's sector size, where its tables stand, and the volumes it has: first byte and length.
#[derive(Clone)]
struct Drive {
    name: &'static str,
    bytes: Vec<u8>,
    sector: usize,
    gpt: bool,
    volumes: Vec<(u64, u64)>,
    /// First sectors of links in its extended chain.
    links: Vec<usize>,
}

fn drive(name: &'static str) -> Drive {
    let document = json(&format!("{name}.table.json"));
    let table = &document["partitiontable"];
    let sector = usize::try_from(table["sectorsize"].as_u64().unwrap()).unwrap();
    let mut volumes = Vec::new();
    for partition in table["partitions"].as_array().unwrap() {
        let bytes = |field: &str| partition[field].as_u64().unwrap() * sector as u64;
        if partition["type"] != "5" {
            volumes.push((bytes("start"), bytes("size")));
        }
    }
    volumes.sort_unstable();
    // sfdisk leaves 1 MiB in front of each logical partition, at the start of which its link stands.
    let links = if name == "drive-mbr-extended" { vec![57344, 71680, 112_640] } else { Vec::new() };
    let links = links.into_iter().map(|lba| lba * sector).collect();
    Drive { name, bytes: fixture(name), sector, gpt: table["label"] == "gpt", volumes, links }
}

impl Drive {
    fn zero(&mut self, at: usize, bytes: usize) {
        self.bytes[at..at + bytes].fill(0);
    }

    fn sectors(&self) -> usize {
        self.bytes.len() / self.sector
    }

    /// Bytes of the entry array: 128 entries of 128 bytes.
    fn array(&self) -> [usize; 2] {
        [2 * self.sector, (self.sectors() - 1) * self.sector - 16384]
    }

    fn headers(&self) -> [usize; 2] {
        [self.sector, (self.sectors() - 1) * self.sector]
    }

    /// Everything that divides the drive, zeroed.
    fn without_any_table(mut self) -> Drive {
        self.zero(0, self.sector);
        if self.gpt {
            for at in self.headers() {
                self.zero(at, self.sector);
            }
            for at in self.array() {
                self.zero(at, 16384);
            }
        }
        for at in self.links.clone() {
            self.zero(at, self.sector);
        }
        self
    }
}

struct Read {
    map: DriveMap,
    totals: ReadTotals,
    asked: ExtentSet,
}

fn read(bytes: Vec<u8>, reported: usize, unreadable: &[Extent]) -> Read {
    let source = MemorySource::new(bytes, unit(reported));
    let source = unreadable.iter().fold(source, |source, extent| source.with_unreadable(*extent));
    let reader = Reader::new(Box::new(source), None);
    let map = read_drive(&reader).unwrap();
    let overlap = [&code::FOUND_OVERLAP, &code::PARTITION_OVERLAP, &code::PARTITION_TOO_SHORT];
    if overlap.iter().all(|code| map.layout.findings.count(code) == 0) {
        // Where the drive's sectors are longer than a volume's, two tables may share one.
        let shared = if reported == 512 { 0 } else { 64 * reported as u64 };
        assert!(reader.totals().repeated_bytes <= shared, "{}", reader.totals().repeated_bytes);
    }
    Read { map, totals: reader.totals(), asked: reader.asked() }
}

/// Every volume that could be read, by its place: what it holds, in words.
fn volumes(map: &DriveMap) -> BTreeMap<(u64, u64), String> {
    let mut list = BTreeMap::new();
    for area in &map.areas {
        let Some(Content::Volume(volume)) = &area.content else { continue };
        let mut words = format!("{:?} {} {:?} {:?}\n", volume.kind, volume.serial, volume.geometry, volume.allocation);
        for node in volume.catalog.nodes() {
            let runs: Vec<_> = node.streams().flat_map(|s| s.runs().collect::<Vec<_>>()).collect();
            words += &format!("{:?} {} {runs:?}\n", node.id(), node.is_deleted());
        }
        list.insert((area.area.extent.start.0, area.area.extent.bytes), words);
    }
    list
}

/// Checks that all volumes of the undamaged drive are there, at their places, with the same content.
fn check(what: &str, drive: &Drive, undamaged: &BTreeMap<(u64, u64), String>, reported: usize) -> Read {
    let read = read(drive.bytes.clone(), reported, &[]);
    let found = volumes(&read.map);
    let findings: Vec<_> = read.map.layout.findings.kept().iter().map(|f| (f.code.id, &f.sentence)).collect();
    for place in &drive.volumes {
        let name = drive.name;
        let content = found.get(place).unwrap_or_else(|| {
            panic!("{name}, {what}, {reported}: no volume at {place:?}, but at {:?}; {findings:#?}", found.keys())
        });
        assert!(content == &undamaged[place], "{name}, {what}: the volume at {place:?} reads differently");
    }
    let most = 2 * THOROUGH.reads;
    assert!(read.totals.requests < most, "{what}: {} requests", read.totals.requests);
    read
}

fn undamaged(drive: &Drive) -> BTreeMap<(u64, u64), String> {
    let volumes = volumes(&read(drive.bytes.clone(), drive.sector, &[]).map);
    assert_eq!(volumes.keys().copied().collect::<Vec<_>>(), drive.volumes, "{}", drive.name);
    volumes
}

#[test]
fn all_volumes_are_found_without_any_table() {
    for name in DRIVES {
        let base = drive(name);
        let intact = undamaged(&base);
        for reported in [512, 4096] {
            let lost = base.clone().without_any_table();
            let read = check("no table", &lost, &intact, reported);
            let layout = &read.map.layout;
            assert_eq!(layout.scheme, partition::Scheme::Searched, "{name}");
            assert!(layout.outside_unexplained);
            let found: Vec<_> = read
                .map
                .areas
                .iter()
                .filter_map(|a| match &a.area.kind {
                    AreaKind::Found(volume) => Some((volume.number, a.area.extent.start.0, a.area.extent.bytes)),
                    _ => None,
                })
                .collect();
            let expected: Vec<_> =
                (1..).zip(&lost.volumes).map(|(number, (start, bytes))| (number, *start, *bytes)).collect();
            assert_eq!(found, expected, "{name}: nothing else is found");
            assert_eq!(layout.findings.count(&code::VOLUME_FOUND), expected.len() as u64);
            assert_eq!(layout.findings.count(&code::SEARCHED), 1);
            assert_eq!(layout.findings.count(&code::SEARCH_CUT_SHORT), 0);
            let outside = lost.bytes.len() as u64 - expected.iter().map(|v| v.2).sum::<u64>();
            let unpartitioned = read.map.areas.iter().filter(|a| a.area.kind == AreaKind::Unpartitioned);
            assert_eq!(unpartitioned.map(|a| a.area.extent.bytes).sum::<u64>(), outside, "{name}");
        }
    }
}

#[test]
fn tables_overwritten_by_noise_lead_nobody_astray() {
    let mut random = Random(0x5EED_0001);
    for name in DRIVES {
        let base = drive(name);
        let intact = undamaged(&base);
        for signed in [false, true] {
            let mut lost = base.clone().without_any_table();
            let places: Vec<usize> = lost.links.iter().copied().chain([0]).chain(lost.headers()).collect();
            for at in places {
                for byte in &mut lost.bytes[at..at + lost.sector] {
                    *byte = u8::try_from(random.below(256)).unwrap();
                }
                if signed {
                    lost.bytes[at + 510..at + 512].copy_from_slice(&[0x55, 0xAA]);
                }
            }
            let read = check("noise", &lost, &intact, lost.sector);
            assert!(read.map.layout.outside_unexplained, "{name}: what lies outside is not explained");
        }
    }
}

#[test]
fn each_part_of_a_gpt_destroyed_alone_and_in_pairs() {
    for name in ["drive-gpt", "drive-gpt-4kn", "drive-usb-4k-gpt"] {
        let base = drive(name);
        let intact = undamaged(&base);
        let parts: Vec<(&str, usize, usize)> = vec![
            ("MBR", 0, base.sector),
            ("primary header", base.headers()[0], base.sector),
            ("primary array", base.array()[0], 16384),
            ("backup header", base.headers()[1], base.sector),
            ("backup array", base.array()[1], 16384),
        ];
        for mask in 1u32..32 {
            let mut lost = base.clone();
            let mut what = Vec::new();
            for (bit, (part, at, bytes)) in parts.iter().enumerate() {
                if mask >> bit & 1 == 1 {
                    lost.zero(*at, *bytes);
                    what.push(*part);
                }
            }
            check(&what.join(" + "), &lost, &intact, lost.sector);
        }
    }
}

#[test]
fn entries_of_a_gpt_that_no_crc_proves() {
    let mut random = Random(0x5EED_0002);
    for name in ["drive-gpt", "drive-gpt-4kn", "drive-usb-4k-gpt"] {
        let base = drive(name);
        let intact = undamaged(&base);
        for entry in 0..base.volumes.len() {
            for kind in ["zeroed", "noise", "start"] {
                let mut lost = base.clone();
                for array in lost.array() {
                    let at = array + entry * 128;
                    match kind {
                        "zeroed" => lost.zero(at, 128),
                        "start" => lost.bytes[at + 32] ^= 0x55,
                        _ => {
                            for byte in &mut lost.bytes[at..at + 128] {
                                *byte = u8::try_from(random.below(256)).unwrap();
                            }
                        }
                    }
                }
                check(&format!("entry {entry} {kind}"), &lost, &intact, lost.sector);
            }
        }
    }
}

#[test]
fn single_entries_and_links_of_mbr_tables() {
    let mut random = Random(0x5EED_0003);
    for name in ["drive-mbr-extended", "drive-usb-4k-table"] {
        let base = drive(name);
        let intact = undamaged(&base);
        let sectors: Vec<usize> = [0].into_iter().chain(base.links.clone()).collect();
        for at in sectors {
            for entry in 0..3 {
                let place = at + 0x1BE + entry * 16;
                if base.bytes[place..place + 16] == [0; 16] {
                    continue;
                }
                for kind in ["zeroed", "noise", "type", "size", "start"] {
                    let mut lost = base.clone();
                    // A last entry that is taken out leaves no trace but the gap behind; it is looked at from 32 MiB on.
                    lost.bytes.resize(lost.bytes.len() + 40 * MIB, 0);
                    match kind {
                        "zeroed" => lost.zero(place, 16),
                        "type" => lost.bytes[place + 4] = 0,
                        "size" => lost.bytes[place + 12..place + 16].copy_from_slice(&[3, 0, 0, 0]),
                        "start" => lost.bytes[place + 9] ^= 0x13,
                        _ => {
                            for byte in &mut lost.bytes[place..place + 16] {
                                *byte = u8::try_from(random.below(256)).unwrap();
                            }
                        }
                    }
                    check(&format!("entry {entry} of {at}: {kind}"), &lost, &intact, lost.sector);
                }
            }
            let mut lost = base.clone();
            lost.bytes.resize(lost.bytes.len() + 40 * MIB, 0);
            lost.zero(at, lost.sector);
            check(&format!("sector at {at} zeroed"), &lost, &intact, lost.sector);
        }
    }
}

#[test]
fn outside_is_planned_last_where_no_table_explains_it_unless_it_is_refused() {
    // Source: the rule is this project's own ("what is not explained is planned unless refused").
    let base = drive("drive-gpt");
    for (lost, without, planned) in [(false, false, false), (true, false, true), (true, true, false)] {
        let bytes = if lost { base.clone().without_any_table().bytes } else { base.bytes.clone() };
        let reader = Reader::new(Box::new(MemorySource::new(bytes, unit(512))), None);
        let map = read_drive(&reader).unwrap();
        let mut request = PlanRequest::new(Scope::Allocated);
        if without {
            request.without.push(Class::Outside);
        }
        let plan = make(&reader, &map, &request, &[]).unwrap();
        let outside: Vec<_> = plan.passes.iter().filter(|pass| pass.header.class == Class::Outside).collect();
        assert_eq!(outside.len(), usize::from(planned), "lost: {lost}, refused: {without}");
        assert_eq!(plan.passes.last().unwrap().header.class == Class::Outside, planned);
        // One volume chosen refuses what lies outside it.
        let one = make(&reader, &map, &request, &[1]).unwrap();
        assert!(one.passes.iter().all(|pass| pass.header.class != Class::Outside));
    }
}

#[test]
fn a_first_boot_sector_lost_with_the_table_is_made_up_for_by_its_copy() {
    // NTFS in its last sector (Linux fs/ntfs/layout.h), FAT32 6 sectors behind, exFAT 12 (their specifications).
    for (name, sector) in [
        ("ntfs-cluster-1k", 512),
        ("ntfs-sector-4096", 4096),
        ("fat32-clusters-512", 512),
        ("fat32-sector-4096", 4096),
        ("exfat-clusters-4k", 512),
        ("exfat-sector-4096", 4096),
    ] {
        let volume = fixture(name);
        for start in [MIB, 63 * sector, 5 * MIB] {
            // NTFS's copy is where the volume ends, and that is looked at only at customary places.
            let behind = if name.starts_with("ntfs") && start % MIB > 0 { 0 } else { 3 * MIB };
            let mut image = Image::blank(start + volume.len() + behind, sector);
            image.put(start, &volume);
            image.bytes[start..start + 512].fill(0);
            let read = read(image.bytes.clone(), sector, &[]);
            let found = read.map.areas.iter().find(|a| matches!(a.area.kind, AreaKind::Found(_)));
            let found = found.unwrap_or_else(|| panic!("{name} at {start}: {:#?}", read.map.layout.findings));
            let AreaKind::Found(how) = &found.area.kind else { unreachable!() };
            assert_eq!((found.area.extent.start.0, how.by), (start as u64, FoundBy::Copy), "{name}");
            assert!(matches!(found.content, Some(Content::Volume(_))), "{name} at {start} is not read");
        }
    }
}

#[test]
fn a_deleted_partition_is_seen_in_a_gap_and_a_sound_table_without_one_costs_nothing() {
    let volume = fixture("ntfs-cluster-1k");
    for (gap, seen) in [(30, false), (40, true)] {
        // An MBR with one partition at the front; behind it a gap with a volume, or nothing, in it.
        let mut image = Image::blank(3 * MIB + gap * MIB, 512);
        let front = fixture("fat12-floppy");
        image.entry(0, 0, 0, 0x01, 2048, u32::try_from(front.len() / 512).unwrap()).put(MIB, &front);
        let empty = read(image.bytes.clone(), 512, &[]);
        assert_eq!(empty.map.layout.scheme, partition::Scheme::Mbr);
        assert!(!empty.map.layout.outside_unexplained);
        let places = Extent::between(3 * MIB as u64, image.bytes.len() as u64);
        let looked = empty.asked.bytes_within(places);
        assert!(if seen { (1..=128 << 10).contains(&looked) } else { looked == 0 }, "{looked} bytes of {gap} MiB");
        let at = 3 * MIB;
        image.put(at, &volume);
        let with = read(image.bytes.clone(), 512, &[]);
        let found: Vec<_> = volumes(&with.map).into_keys().collect();
        assert_eq!(found.contains(&(at as u64, volume.len() as u64)), seen, "a gap of {gap} MiB: {found:?}");
    }
}

#[test]
fn a_drive_image_in_a_file_is_no_volume_of_the_drive() {
    // The volume holds what a file with a drive's image in it would: a FAT volume at 1 MiB multiples of the drive.
    let mut image = Image::blank(80 * MIB, 512);
    let outer = fixture("ntfs-rich");
    image.put(MIB, &outer);
    let inner = fixture("fat12-floppy");
    image.put(40 * MIB, &inner);
    let seen = image.read();
    let found: Vec<_> =
        seen.layout.areas.iter().filter(|a| matches!(a.kind, AreaKind::Found(_))).map(|a| a.extent).collect();
    assert_eq!(found, [Extent::new(MIB as u64, outer.len() as u64).unwrap()]);
}

#[test]
fn the_search_ends_on_a_drive_that_answers_nowhere() {
    let whole = Extent::new(0, 512 * MIB as u64).unwrap();
    let read = read(vec![0; 512 * MIB], 512, &[whole]);
    let findings = &read.map.layout.findings;
    assert_eq!(findings.count(&code::SEARCH_CUT_SHORT), 1);
    // The default limit to trouble ends it (docs/coherence.md).
    assert!(findings.count(&code::SEARCH_UNREADABLE) > 0);
    assert!(read.totals.failed_requests <= 16, "{} failed requests", read.totals.failed_requests);
    assert_eq!(read.map.layout.scheme, partition::Scheme::Unrecognised);
}

#[test]
fn boot_sectors_with_absurd_figures_cost_neither_memory_nor_sectors_of_the_drive() {
    let mut random = Random(0x5EED_0004);
    let extremes = [0u64, 1, 0x7FFF_FFFF, 0xFFFF_FFFF, 1 << 40, 1 << 54, u64::MAX / 512, u64::MAX >> 1, u64::MAX];
    for round in 0..300 {
        let mut image = Image::blank(8 * MIB, 512);
        for at in [MIB, 2 * MIB, 63 * 512, 8 * MIB - 512, 3 * MIB] {
            let boot = fixture_sector(round % 3);
            image.put(at, &boot);
            let field = at + random.of(&[0x0B, 0x0D, 0x13, 0x20, 0x28, 0x30, 0x32, 0x48, 0x50, 0x58, 0x5C, 0x6C]);
            image.put(field, &random.of(&extremes).to_le_bytes());
        }
        let seen = image.read();
        for area in &seen.layout.areas {
            assert!(area.extent.end() <= 8 * MIB as u64);
        }
    }
}

fn fixture_sector(kind: usize) -> Vec<u8> {
    thread_local!(static SECTORS: [Vec<u8>; 3] =
        ["ntfs-cluster-1k", "fat32-clusters-512", "exfat-clusters-4k"].map(|name| fixture(name)[..512].to_vec()));
    SECTORS.with(|sectors| sectors[kind].clone())
}

/// One sector each does not answer: the MBR's and every boot sector's. All copies are sound, and so every volume is found, in
/// whatever order they stand; and a place that does not answer costs few failed reads.
#[test]
fn boot_sectors_that_do_not_answer_are_made_up_for_by_their_copies() {
    let kinds = ["ntfs-cluster-8k", "fat32-clusters-512", "exfat-clusters-4k"];
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        let contents = order.map(|kind| fixture(kinds[kind]));
        for gap in [0, 3 * MIB] {
            let mut image = Image::blank(2 * MIB + contents.iter().map(|c| c.len() + gap).sum::<usize>(), 512);
            let mut at = MIB;
            let mut places = Vec::new();
            for (index, content) in contents.iter().enumerate() {
                image.entry(
                    0,
                    index,
                    0,
                    0x07,
                    u32::try_from(at / 512).unwrap(),
                    u32::try_from(content.len() / 512).unwrap(),
                );
                image.put(at, content);
                places.push((at as u64, content.len() as u64));
                at += content.len() + gap;
            }
            let sector = |at: u64| Extent::new(at, 512).unwrap();
            let unreadable: Vec<Extent> =
                [0].into_iter().chain(places.iter().map(|place| place.0)).map(sector).collect();
            let read = read(image.bytes.clone(), 512, &unreadable);
            let found: Vec<(u64, u64)> = volumes(&read.map).into_keys().collect();
            let findings: Vec<_> = read.map.layout.findings.kept().iter().map(|f| (f.code.id, &f.sentence)).collect();
            assert_eq!(found, places, "{order:?}, gaps of {gap}: {findings:#?}");
            assert!(read.totals.failed_requests <= 40, "{order:?}: {} failed requests", read.totals.failed_requests);
            println!("{order:?} {gap}: {} failed of {} requests", read.totals.failed_requests, read.totals.requests);
        }
    }
}

/// The drive's first megabytes do not answer, as under a dead head: the table and the volume's boot sector are among them. The copy at the
/// volume's end says where it lies, and nothing is spent on one likely place after the other in what does not answer.
#[test]
fn a_volume_whose_beginning_does_not_answer_is_found_by_its_end() {
    let volume = fixture("ntfs-cluster-8k");
    for (before, behind) in [(0, 0), (MIB, MIB), (MIB, 2 * MIB)] {
        let mut image = Image::blank(before + volume.len() + behind, 512);
        image.put(before, &volume);
        let place = (before as u64, volume.len() as u64);
        let intact = volumes(&read(image.bytes.clone(), 512, &[Extent::new(0, before as u64).unwrap()]).map);
        let dead = Extent::new(0, (before + MIB / 2) as u64).unwrap();
        let read = read(image.bytes.clone(), 512, &[dead]);
        let findings: Vec<_> = read.map.layout.findings.kept().iter().map(|f| (f.code.id, &f.sentence)).collect();
        let found: Vec<(u64, u64)> = volumes(&read.map).into_keys().collect();
        println!("{before} {behind}: {} failed of {} requests", read.totals.failed_requests, read.totals.requests);
        assert_eq!(found, [place], "{findings:#?}");
        assert_eq!(intact.keys().collect::<Vec<_>>(), [&place]);
        assert!(read.totals.failed_requests <= 14, "{} failed requests", read.totals.failed_requests);
    }
}
