//! File by file what is whole: held against the reference parsers' extents (dissect.ntfs and libfsntfs, dissect.fat and
//! libfsfat; see testdata/README.md), which share no code with ours.

use crate::common;
use crate::held;

use common::{answers, fixture};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::results::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use gleaner::source::{MemorySource, Reader};
use gleaner::survey::allocation::{DriveMap, Patterns, read_drive};
use held::Held;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;

type Name = (String, Option<String>);

fn drive_of(bytes: Vec<u8>) -> DriveMap {
    read_drive(&Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None)).unwrap()
}

fn run(drive: &DriveMap, held: &Held, planned: &ExtentSet) -> (AuditSummary, BTreeMap<Name, FileAudit>) {
    let mut files = BTreeMap::new();
    let wanted = Patterns::default();
    let truth = Truth { store: held, planned, wanted: &wanted };
    let summary = audit(drive, &truth, &Patterns::default(), |file| {
        files.insert((file.path.clone(), file.stream.clone()), file.clone());
        Ok::<(), Infallible>(())
    });
    let Ok(summary) = summary;
    (summary, files)
}

/// A client's file by the reference: its name, its extents on the drive, how many of its bytes count, and whether its
/// extents stand for the file byte by byte.
struct Reference {
    name: Name,
    names: Vec<String>,
    extents: Vec<Extent>,
    content: u64,
    plain: bool,
    sparse: bool,
}

fn references(answer: &Value) -> Vec<Reference> {
    let files = answer["files"].as_array().unwrap().iter();
    let of_client = |f: &&Value| {
        let system = f["record"].as_u64().is_some_and(|n| n < 24)
            || f["path"].as_str().is_none_or(|p| p.starts_with("/$Extend"));
        f["deleted"] == false && f["attribute"].is_null() && !system && (f["kind"] == "file" || !f["stream"].is_null())
    };
    let number = |f: &Value, key: &str| f[key].as_u64().unwrap_or(u64::MAX);
    files
        .filter(of_client)
        .map(|f| Reference {
            name: (f["path"].as_str().unwrap().to_owned(), f["stream"].as_str().map(str::to_owned)),
            names: f["paths"].as_array().map_or_else(
                || vec![f["path"].as_str().unwrap().to_owned()],
                |list| list.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
            ),
            extents: f["extents"]
                .as_array()
                .unwrap()
                .iter()
                .map(|e| Extent::new(e[0].as_u64().unwrap(), e[1].as_u64().unwrap()).unwrap())
                .collect(),
            content: number(f, "size").min(number(f, "valid_size")),
            plain: f["compressed"] != true && f["sparse"] != true,
            sparse: f["sparse"] == true,
        })
        .collect()
}

/// Which bytes of a plain file lie in `bad`, and whether any counted byte of any file does.
fn hit(file: &Reference, bad: &ExtentSet) -> (bool, Vec<[u64; 2]>) {
    let mut lost = ExtentSet::new();
    let mut any = false;
    let mut at = 0;
    for extent in &file.extents {
        let counts = if file.plain { extent.bytes.min(file.content.saturating_sub(at)) } else { extent.bytes };
        for place in bad.intersection(Extent::between(extent.start.0, extent.start.0 + counts)) {
            any = true;
            let from = at + place.start.0 - extent.start.0;
            lost.insert(Extent::between(from, from + place.bytes));
        }
        at += extent.bytes;
    }
    (any, lost.extents().iter().map(|e| [e.start.0, e.bytes]).collect())
}

/// Places spread over the whole drive by a fixed generator, each a few sectors.
fn bad_places(drive_bytes: u64, count: u64, seed: u64) -> ExtentSet {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    };
    let mut bad = ExtentSet::new();
    for _ in 0..count {
        let (at, sectors) = (next() % (drive_bytes / 512), next() % 20 + 1);
        bad.insert(Extent::between(at * 512, ((at + sectors) * 512).min(drive_bytes)));
    }
    bad
}

#[test]
fn damaged_files_are_exactly_those_the_reference_has_in_bad_places() {
    let mut damaged_in_all = 0;
    for (name, seed) in
        [("ntfs-rich", 1), ("ntfs-rich", 2), ("ntfs-cluster-512", 3), ("fat16", 4), ("fat32-clusters-512", 5)]
    {
        let image = fixture(name);
        let drive = drive_of(image.clone());
        let bad = bad_places(image.len() as u64, 400, seed);
        let mut held = Held::all(image);
        for place in bad.extents() {
            held.give_up_at(*place);
        }
        let everything: ExtentSet = [drive.identity.extent()].into_iter().collect();
        let (summary, files) = run(&drive, &held, &everything);
        let mut expected = BTreeSet::new();
        for file in references(&answers(name)) {
            // A file with hard links is audited once, by its first name in its record.
            let found = file.names.iter().find_map(|path| files.get(&(path.clone(), file.name.1.clone())));
            let (any, lost) = hit(&file, &bad);
            let Some(found) = found else {
                assert!(file.extents.is_empty(), "{name}: {:?} is not audited", file.name);
                continue;
            };
            let damaged = found.state == FileState::Damaged;
            // Of a file with holes the reference does not say where in the file an extent lies, so a place behind its
            // end cannot be told from one in it.
            assert!(if file.sparse { any || !damaged } else { any == damaged }, "{name}: {:?}", file.name);
            if file.plain {
                assert_eq!(found.damaged, lost, "{name}: {:?}", file.name);
            }
            if damaged {
                expected.insert((found.path.clone(), found.stream.clone()));
            }
        }
        let got: BTreeSet<Name> = files
            .values()
            .filter(|f| f.state == FileState::Damaged)
            .map(|f| (f.path.clone(), f.stream.clone()))
            .collect();
        assert_eq!(got, expected, "{name}");
        assert_eq!(summary.totals.damaged, expected.len() as u64);
        assert_eq!(summary.totals.files(), files.len() as u64);
        let at_root: Vec<_> = summary.folders.iter().filter(|f| f.path == "/").collect();
        assert_eq!(at_root[0].counts, summary.totals, "{name}: the root sums up everything");
        damaged_in_all += expected.len();
    }
    assert!(damaged_in_all > 40, "only {damaged_in_all} files were hit: the test sees too little");
}

/// One bad cluster spoils its whole compression unit of 16 clusters, and no other (NTFS compresses by units of 16
/// clusters: Linux fs/ntfs/layout.h, comment on compressed attributes).
#[test]
fn compressed_files_count_by_units() {
    let image = fixture("ntfs-rich");
    let drive = drive_of(image.clone());
    let reference = references(&answers("ntfs-rich"));
    let file = reference.iter().filter(|f| f.name.0.starts_with("/Surveys/Compressed/") && !f.plain);
    let file = file.max_by_key(|f| f.extents.iter().map(|e| e.bytes).sum::<u64>()).unwrap();
    let mut held = Held::all(image);
    held.give_up_at(Extent::between(file.extents[0].start.0, file.extents[0].start.0 + 512));
    let everything: ExtentSet = [drive.identity.extent()].into_iter().collect();
    let (_, files) = run(&drive, &held, &everything);
    let found = &files[&file.name];
    assert_eq!(found.state, FileState::Damaged);
    assert_eq!(found.damaged, [[0, (16 * 4096).min(found.size)]]);
}

/// What is neither read nor given up is "not read yet" when the plan has it and "not planned" when it has not; one
/// unreadable byte outweighs both.
#[test]
fn the_three_sorts_of_holes_are_kept_apart() {
    let image = fixture("fat16");
    let drive = drive_of(image.clone());
    let reference = references(&answers("fat16"));
    let mut large = reference.iter().filter(|f| f.content >= 4096 && f.extents.len() == 1);
    let [planned, unplanned, mixed] = [(); 3].map(|()| large.next().expect("three files of one extent"));
    let mut held = Held::all(image);
    let mut plan: ExtentSet = [drive.identity.extent()].into_iter().collect();
    held.leave_out(planned.extents[0]);
    held.leave_out(unplanned.extents[0]);
    plan = plan.missing_from_set(unplanned.extents[0]);
    let sector = |file: &Reference, n: u64| {
        let start = file.extents[0].start.0 + n * 512;
        Extent::between(start, start + 512)
    };
    held.leave_out(sector(mixed, 0));
    held.give_up_at(sector(mixed, 2));
    let (summary, files) = run(&drive, &held, &plan);
    assert_eq!(files[&planned.name].state, FileState::NotYetRead);
    assert_eq!(files[&planned.name].waiting, [[0, planned.content]]);
    assert_eq!(files[&unplanned.name].state, FileState::NotPlanned);
    assert_eq!(files[&unplanned.name].not_planned, [[0, unplanned.content]]);
    assert_eq!(files[&mixed.name].state, FileState::Damaged);
    assert_eq!(
        (&files[&mixed.name].waiting[..], &files[&mixed.name].damaged[..]),
        (&[[0, 512]][..], &[[1024, 512]][..])
    );
    let t = summary.totals;
    assert_eq!((t.damaged, t.not_yet_read, t.not_planned), (1, 1, 1));
}

/// A folder whose own entries could not be read is named: files may be missing from it without a trace.
#[test]
fn folders_with_unreadable_entries_are_named() {
    let image = fixture("fat16");
    let answer = answers("fat16");
    let folder = answer["files"]
        .as_array()
        .unwrap()
        .iter()
        .find(|f| {
            f["kind"] == "folder"
                && f["deleted"] == false
                && f["path"] != "/"
                && !f["extents"].as_array().unwrap().is_empty()
        })
        .unwrap();
    let start = folder["extents"][0][0].as_u64().unwrap();
    let drive = drive_of(image.clone());
    let mut held = Held::all(image);
    held.give_up_at(Extent::between(start, start + 512));
    let (summary, _) = run(&drive, &held, &ExtentSet::new());
    let named: Vec<(&str, u64)> = summary.unreadable_indexes.iter().map(|f| (f.path.as_str(), f.bytes)).collect();
    assert_eq!(named, [(folder["path"].as_str().unwrap(), 512)]);
    assert_eq!(summary.unreadable_bytes, 0, "nothing was planned");
}

/// No file lies there, and yet something of what was planned is missing.
#[test]
fn planned_bytes_that_are_unreadable_are_told_without_a_file() {
    let image = fixture("ntfs-rich");
    let (drive, bytes) = (drive_of(image.clone()), image.len() as u64);
    let mut held = Held::all(image);
    held.give_up_at(Extent::between(bytes - 512, bytes));
    let (summary, files) = run(&drive, &held, &[Extent::between(0, bytes)].into_iter().collect());
    assert!(files.values().all(|file| file.state == FileState::Complete));
    assert_eq!(summary.unreadable_bytes, 512);
}

trait Without {
    fn missing_from_set(&self, hole: Extent) -> ExtentSet;
}

impl Without for ExtentSet {
    fn missing_from_set(&self, hole: Extent) -> ExtentSet {
        let around = |e: &Extent| {
            [Extent::between(e.start.0, hole.start.0.min(e.end())), Extent::between(hole.end().max(e.start.0), e.end())]
        };
        self.extents().iter().flat_map(around).collect()
    }
}

/// A file is complete without the clusters behind its valid data, and how much of them is not there is told.
#[test]
fn a_file_is_complete_without_what_was_never_written() {
    for (name, path) in [("ntfs-rich", "/Surveys/preallocated.dat"), ("exfat-clusters-4k", "/Surveys/set aside.dat")] {
        let (image, answer) = (fixture(name), answers(name));
        let drive = drive_of(image.clone());
        let cluster = answer["cluster_bytes"].as_u64().unwrap();
        let file = references(&answer).into_iter().find(|file| file.name.0 == path).unwrap();
        assert_eq!(file.extents.len(), 1, "{name}");
        let behind = file.extents[0].start.0 + file.content.next_multiple_of(cluster);
        let tail = Extent::between(behind, file.extents[0].end());
        let mut held = Held::all(image);
        held.leave_out(tail);
        let (summary, files) = run(&drive, &held, &ExtentSet::new());
        let found = &files[&file.name];
        assert_eq!((found.state, found.unread_tail), (FileState::Complete, tail.bytes), "{name}");
        assert_eq!((summary.unread_tails, summary.unread_tail_bytes), (1, tail.bytes), "{name}");
        // The last cluster with content is needed.
        held.leave_out(Extent::between(behind - cluster, behind));
        let (_, files) = run(&drive, &held, &ExtentSet::new());
        assert_eq!((files[&file.name].state, files[&file.name].unread_tail), (FileState::NotPlanned, tail.bytes));
    }
}

// Required: what is not listed is said to be so. Sources: the volumes are made by their own formatters (testdata/README.md).
#[test]
fn volumes_whose_files_are_not_listed_are_in_the_audit() {
    let nothing = ExtentSet::new();
    for (name, file_system, wants_key) in [
        ("foreign-xfs", Some("XFS"), false),
        ("foreign-luks2", Some("LUKS2 encryption"), false),
        ("foreign-ext4", Some("ext4"), false),
        ("foreign-swap-4k", None, false),
        ("encrypted-by-windows", Some("Windows volume encryption"), true),
    ] {
        let bytes = if wants_key { start_of_encrypted_volume() } else { fixture(name) };
        let (half, all) = (bytes.len() as u64 / 2, bytes.len() as u64);
        let drive = drive_of(bytes.clone());
        let mut held = Held::all(bytes);
        held.leave_out(Extent::between(half, all));
        let (summary, files) = run(&drive, &held, &nothing);
        assert!(files.is_empty(), "{name}");
        let Some(file_system) = file_system else {
            assert_eq!(summary.unlisted, [], "{name} holds no files");
            continue;
        };
        let [volume] = &summary.unlisted[..] else { panic!("{name}: {:?}", summary.unlisted) };
        assert_eq!((volume.file_system, volume.wants_key), (file_system, wants_key));
        assert!(volume.safe_bytes > 0 && volume.safe_bytes <= volume.in_use_bytes.min(half), "{volume:?}");
        assert_eq!(volume.sentence().contains("--key"), wants_key);
    }
}

/// A boot sector as Windows writes it on an encrypted volume (libyal/libbde, format documentation, volume header), and zeros.
fn start_of_encrypted_volume() -> Vec<u8> {
    let mut bytes = vec![0; 4 << 20];
    bytes[..3].copy_from_slice(&[0xEB, 0x58, 0x90]);
    bytes[3..11].copy_from_slice(b"-FVE-FS-");
    bytes[11..13].copy_from_slice(&512_u16.to_le_bytes());
    bytes[13] = 8;
    bytes[160..176].copy_from_slice(&hex::decode("3bd66749292ed84a8399f6a339e3d001").unwrap());
    for (n, place) in [1_u64 << 20, 2 << 20, 3 << 20].into_iter().enumerate() {
        bytes[176 + n * 8..184 + n * 8].copy_from_slice(&place.to_le_bytes());
    }
    bytes[510..512].copy_from_slice(&[0x55, 0xAA]);
    bytes
}
