//! The main job: the plan of scope `allocated`, with gaps never read through, is exactly what independent parsers say is in use,
//! plus tables and boot sectors with their backups: no byte missing, no byte more.
//!
//! Sources: the reference parsers' allocation maps beside each fixture (dissect.ntfs, libfsntfs, dissect.fat, libfsfat; for exFAT a decoder
//! written from the specification, see tests/filesystem/exfat);
//! for partition tables the crates `gpt` and `mbrman`; for what a boot region is, "FAT: General Overview of On-Disk Format" 1.03
//! (reserved region), "exFAT file system specification" 1.00, table 1, and Linux fs/ntfs/layout.h (backup boot sector in the last sector of the partition).

use crate::common;

use common::{answers, fixture};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Findings;
use gleaner::base::units::SectorSize;
use gleaner::plan::{BridgeRule, Fingerprint, Plan, PlanRequest, PlanSource, Scope, Sweeps, build};
use gleaner::source::{MemorySource, ReadTotals, Reader};
use gleaner::survey::allocation::{
    Choices, Class, ClassMap, DEFAULT_BULK, LANE_BEHIND_VALID, Patterns, classify, read_drive, tables,
};
use serde_json::Value;
use std::io::Cursor;

fn set(list: impl IntoIterator<Item = (u64, u64)>) -> ExtentSet {
    list.into_iter().map(|(start, bytes)| Extent::new(start, bytes).unwrap()).collect()
}

fn pairs(value: &Value) -> impl Iterator<Item = (u64, u64)> + '_ {
    value.as_array().unwrap().iter().map(|pair| (pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap()))
}

/// What must be read of one volume, by the reference parser's answer.
fn volume_extents(answer: &Value, volume_bytes: u64) -> Vec<(u64, u64)> {
    let start = answer["volume_start"].as_u64().unwrap();
    let cluster = answer["cluster_bytes"].as_u64().unwrap();
    let heap = start + answer["first_cluster_byte"].as_u64().unwrap();
    let ntfs = answer["kind"] == "ntfs";
    let first = if ntfs { 0 } else { 2 };
    let mut list: Vec<(u64, u64)> = pairs(&answer["allocated"])
        .map(|(number, count)| (heap + (number - first) * cluster, count * cluster))
        .collect();
    if ntfs {
        let sector = answer["sector_bytes"].as_u64().unwrap();
        list.push((start + volume_bytes - sector, sector));
    } else if answer["kind"] == "exfat" {
        // Both boot regions and the FAT; between them nothing but alignment.
        list.extend(
            pairs(&answer["boot_regions"]).chain(pairs(&answer["fats"])).map(|(at, bytes)| (start + at, bytes)),
        );
    } else {
        // Reserved region, FATs and a fixed root folder: all that lies before cluster 2.
        list.push((start, heap - start));
    }
    list
}

/// The sectors of a GPT, by the `gpt` crate.
fn gpt_sectors(image: &[u8], size: gpt::disk::LogicalBlockSize, sector: u64) -> Vec<(u64, u64)> {
    let mut copy = image.to_vec();
    let table =
        gpt::GptConfig::new().logical_block_size(size).open_from_device(Cursor::new(&mut copy[..])).expect("a GPT");
    let mut list = vec![(0, sector)];
    for header in [table.primary_header().unwrap(), table.backup_header().unwrap()] {
        list.push((header.current_lba * sector, sector));
        let array = u64::from(header.num_parts) * u64::from(header.part_size);
        list.push((header.part_start * sector, array.next_multiple_of(sector)));
    }
    list
}

/// The sectors of an MBR and its extended chain, by the `mbrman` crate.
fn mbr_sectors(image: &[u8], sector: u32) -> Vec<(u64, u64)> {
    let table = mbrman::MBR::read_from(&mut Cursor::new(image), sector).expect("an MBR");
    let sector = u64::from(sector);
    let ebrs = table.logical_partitions.iter().map(|l| (u64::from(l.absolute_ebr_lba) * sector, sector));
    std::iter::once((0, sector)).chain(ebrs).collect()
}

struct Planned {
    plan: Plan,
    map: ClassMap,
    totals: ReadTotals,
    asked: ExtentSet,
}

fn plan(image: Vec<u8>, sector: SectorSize, scope: Scope, wants: &[&str]) -> Planned {
    let reader = Reader::new(Box::new(MemorySource::new(image, sector)), None);
    let drive = read_drive(&reader).unwrap();
    let choices = Choices {
        wanted: Patterns::new(wants).unwrap(),
        bulk: Patterns::new(&DEFAULT_BULK).unwrap(),
        ..Choices::default()
    };
    let map = classify(&drive, &choices);
    let of_map = map.runs().iter().filter(|run| run.class == Class::Tables).map(|run| run.extent);
    assert_eq!(tables(&drive), of_map.collect(), "tables are found without classifying all");
    let request = PlanRequest {
        bridge: BridgeRule::OFF,
        wants: wants.iter().map(|w| (*w).to_owned()).collect(),
        ..PlanRequest::new(scope)
    };
    let source = PlanSource::new(reader.identity(), Fingerprint::default());
    let plan = build(&Sweeps::new(&map), &request, source, Vec::new(), &Findings::new()).unwrap();
    Planned { plan, map, totals: reader.totals(), asked: reader.asked() }
}

fn planned_bytes(plan: &Plan) -> ExtentSet {
    let all: Vec<Extent> = plan.passes.iter().flat_map(|pass| pass.extents().iter().copied()).collect();
    let union: ExtentSet = all.iter().copied().collect();
    assert_eq!(union.bytes(), all.iter().map(|e| e.bytes).sum::<u64>(), "a byte is planned twice");
    union
}

/// Both directions, and the economy of the survey's own reading.
fn check(name: &str, image: Vec<u8>, sector: SectorSize, expected: &ExtentSet) {
    // The drive's last sector is a table's place whatever the table, and is planned as such: a survey reads it to see whether the
    // capacity that the drive reports is real.
    let mut expected = expected.clone();
    expected.insert(Extent::new(image.len() as u64 - sector.bytes(), sector.bytes()).unwrap());
    let expected = &expected;
    let planned = plan(image, sector, Scope::Allocated, &[]);
    let got = planned_bytes(&planned.plan);
    let missing: Vec<Extent> = expected.extents().iter().flat_map(|e| got.missing_from(*e)).collect();
    let beyond: Vec<Extent> = got.extents().iter().flat_map(|e| expected.missing_from(*e)).collect();
    assert!(missing.is_empty(), "{name}: not planned: {missing:?}");
    assert!(beyond.is_empty(), "{name}: planned without need: {beyond:?}");

    assert_eq!(planned.totals.repeated_bytes, 0, "{name}: bytes were requested twice");
    let metadata: ExtentSet =
        planned.map.runs().iter().filter(|run| run.class <= Class::Structure).map(|run| run.extent).collect();
    let elsewhere: u64 = planned.asked.extents().iter().flat_map(|e| metadata.missing_from(*e)).map(|e| e.bytes).sum();
    // A table in another unit than the drive's is only found out by looking where the drive's unit would put its two volumes.
    let probes = if name == "drive-usb-4k-table" { 2 * 512 } else { 0 };
    assert!(elsewhere <= probes, "{name}: the survey read {elsewhere} bytes that are neither tables nor structure");
}

#[test]
fn single_volumes() {
    let names = [
        "ntfs-rich",
        "ntfs-mft-list",
        "ntfs-cluster-512",
        "ntfs-cluster-1k",
        "ntfs-cluster-8k",
        "ntfs-cluster-64k",
        "ntfs-cluster-2m",
        "ntfs-sector-4096",
        "ntfs-sector-4096-cluster-64k",
        "fat12-floppy",
        "fat12-clusters-4k",
        "fat16",
        "fat16-sector-4096",
        "fat32-clusters-512",
        "fat32-clusters-4k",
        "fat32-sector-4096",
        "exfat-clusters-512",
        "exfat-clusters-4k",
        "exfat-clusters-128k",
        "exfat-sector-4096",
    ];
    for name in names {
        let (image, answer) = (fixture(name), answers(name));
        let sector = SectorSize::new(answer["sector_bytes"].as_u64().unwrap()).unwrap();
        let expected = set(volume_extents(&answer, image.len() as u64));
        check(name, image, sector, &expected);
    }
}

#[test]
fn whole_drives() {
    use gpt::disk::LogicalBlockSize::{Lb512, Lb4096};
    // The two USB drives are read in 512-byte sectors, as the bare drive reports them; their tables count in 4096.
    let drives = [
        ("drive-gpt", SectorSize::S512, 512),
        ("drive-mbr-extended", SectorSize::S512, 512),
        ("drive-gpt-4kn", SectorSize::S4096, 4096),
        ("drive-usb-4k-table", SectorSize::S512, 4096),
        ("drive-usb-4k-gpt", SectorSize::S512, 4096),
    ];
    for (name, sector, table_sector) in drives {
        let image = fixture(name);
        let table = &common::json(&format!("{name}.table.json"))["partitiontable"];
        let unit = u64::from(table_sector);
        let mut list = if table["label"] == "gpt" {
            gpt_sectors(&image, if unit == 512 { Lb512 } else { Lb4096 }, unit)
        } else {
            mbr_sectors(&image, table_sector)
        };
        let partitions = table["partitions"].as_array().unwrap();
        for volume in answers(name)["volumes"].as_array().unwrap() {
            let start = volume["volume_start"].as_u64().unwrap();
            let of_volume = |p: &&Value| p["start"].as_u64().unwrap() * unit == start;
            let partition = partitions.iter().find(of_volume).expect("the table knows the volume");
            list.extend(volume_extents(volume, partition["size"].as_u64().unwrap() * unit));
        }
        check(name, image, sector, &set(list));
    }
}

/// A plan with a folder chosen puts exactly that folder's clusters, by the reference parser, into the wanted pass. It lies in the
/// root, which is structure, so no other folder leads there.
#[test]
fn wanted_folders_come_first_and_whole() {
    for (name, folder) in [("ntfs-rich", "/Photos"), ("fat16", "/Photos"), ("fat32-clusters-512", "/Photos")] {
        let (image, answer) = (fixture(name), answers(name));
        let below = format!("{folder}/");
        let content = |file: &&Value| {
            let paths = file["paths"].as_array().cloned().unwrap_or_else(|| vec![file["path"].clone()]);
            let is_chosen = |path: &str| path == folder || path.starts_with(&below);
            let inside = paths.iter().filter_map(Value::as_str).any(is_chosen);
            // On NTFS all goes along by which a driver opens the path. On FAT a folder's entries are the only map: structure.
            let is_content = file["kind"] == "file" || !file["stream"].is_null();
            inside && file["deleted"] == false && (is_content || name.starts_with("ntfs"))
        };
        let expected: ExtentSet = set(answer["files"]
            .as_array()
            .unwrap()
            .iter()
            .filter(content)
            .flat_map(|file| pairs(&file["extents"]))
            .collect::<Vec<_>>());
        assert!(expected.bytes() > 0, "{name} has nothing in {folder}");
        let planned = plan(image, SectorSize::S512, Scope::Wanted, &[folder]);
        let wanted = planned.plan.passes.last().unwrap();
        assert_eq!(wanted.header.class, Class::Wanted);
        let got: ExtentSet = wanted.extents().iter().copied().collect();
        let missing: Vec<Extent> = expected.extents().iter().flat_map(|e| got.missing_from(*e)).collect();
        let beyond: Vec<Extent> = got.extents().iter().flat_map(|e| expected.missing_from(*e)).collect();
        assert!(missing.is_empty() && beyond.is_empty(), "{name}: missing {missing:?}, beyond {beyond:?}");
    }
}

/// Where the clusters behind a live file's valid data lie, by the reference parser.
fn behind_valid(answer: &Value) -> ExtentSet {
    let cluster = answer["cluster_bytes"].as_u64().unwrap();
    let is_plain = |file: &&Value| {
        let is_system = file["path"].as_str().is_some_and(|path| path.starts_with("/$"));
        let lies_in_order = file["compressed"] != true && file["sparse"] != true && file["attribute"].is_null();
        file["kind"] == "file" && file["deleted"] == false && lies_in_order && !is_system
    };
    let mut list = Vec::new();
    for file in answer["files"].as_array().unwrap().iter().filter(is_plain) {
        let valid_size = file["valid_size"].as_u64().or(file["size"].as_u64()).unwrap();
        let mut valid = valid_size.div_ceil(cluster) * cluster;
        for (start, bytes) in pairs(&file["extents"]) {
            let before = valid.min(bytes);
            valid -= before;
            list.push((start + before, bytes - before));
        }
    }
    set(list.into_iter().filter(|(_, bytes)| *bytes > 0))
}

/// Sets a volume's mark of not having been closed. Sources: "exFAT file system specification" 1.00, VolumeFlags at byte 106, bit 1;
/// Linux fs/ntfs/layout.h, `VOLUME_INFORMATION`, flags at byte 10 of the attribute of type 0x70 in file record 3.
fn not_closed(image: &mut [u8], answer: &Value) {
    if answer["kind"] == "exfat" {
        image[106] |= 2;
        return;
    }
    let table = answer["files"].as_array().unwrap().iter().find(|file| file["path"] == "/$MFT").unwrap();
    let (start, _) = pairs(&table["extents"]).next().unwrap();
    let record = usize::try_from(start + 3 * answer["record_bytes"].as_u64().unwrap()).unwrap();
    let at = |offset: usize, image: &[u8]| usize::from(u16::from_le_bytes([image[offset], image[offset + 1]]));
    let mut attribute = record + at(record + 20, image);
    while image[attribute] != 0x70 {
        attribute += at(attribute + 4, image);
    }
    let value = attribute + at(attribute + 20, image);
    image[value + 10] |= 1;
}

/// What no driver returns is not read with its file: behind valid data a file reads as zero whatever its clusters hold.
#[test]
fn behind_valid_data_nothing_is_read_early() {
    for name in ["ntfs-rich", "exfat-clusters-512", "exfat-clusters-4k", "exfat-clusters-128k"] {
        let (mut image, answer) = (fixture(name), answers(name));
        let behind = behind_valid(&answer);
        assert!(behind.bytes() > 0, "{name} has no such file");
        let of = |plan: &Plan, class: Class, lane: Option<u16>| -> ExtentSet {
            let passes = plan.passes.iter().filter(|pass| pass.header.class == class);
            let passes = passes.filter(|pass| lane.is_none_or(|lane| pass.header.lane == lane));
            passes.flat_map(|pass| pass.extents().iter().copied()).collect()
        };
        let all_in = |set: &ExtentSet| behind.extents().iter().all(|extent| set.covers(*extent));
        let none_in = |set: &ExtentSet| behind.extents().iter().all(|extent| set.intersection(*extent).is_empty());

        let closed = plan(image.clone(), SectorSize::S512, Scope::Allocated, &["/Surveys"]).plan;
        assert!(all_in(&of(&closed, Class::Unclaimed, None)), "{name}");
        let files = plan(image.clone(), SectorSize::S512, Scope::Files, &["/Surveys"]).plan;
        assert!(none_in(&planned_bytes(&files)), "{name}");

        not_closed(&mut image, &answer);
        let open = plan(image, SectorSize::S512, Scope::Files, &["/Surveys"]).plan;
        assert!(all_in(&of(&open, Class::Wanted, Some(LANE_BEHIND_VALID))), "{name}");
        assert!(none_in(&of(&open, Class::Wanted, Some(0))), "{name}");
        let last_wanted = open.passes.iter().rfind(|pass| pass.header.class == Class::Wanted).unwrap();
        assert_eq!((last_wanted.header.lane, &last_wanted.header.pattern), (LANE_BEHIND_VALID, &None), "{name}");
    }
}
