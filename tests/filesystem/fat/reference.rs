//! Sound volumes, against what others say of them.

use super::common::{answers, fixture};
use super::{File, assert_same, codes, files, map_of, open};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{Lcn, SectorSize};
use gleaner::filesystem::{ClusterRun, FixedKind, FsKind, NodeKind, VolumeMap};
use gleaner::source::MemorySource;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};

pub const FIXTURES: [&str; 7] = [
    "fat12-floppy",
    "fat12-clusters-4k",
    "fat16",
    "fat16-sector-4096",
    "fat32-clusters-512",
    "fat32-clusters-4k",
    "fat32-sector-4096",
];

pub fn pairs(value: &Value) -> Vec<(u64, u64)> {
    let number = |v: &Value| v.as_u64().unwrap();
    value.as_array().unwrap().iter().map(|p| (number(&p[0]), number(&p[1]))).collect()
}

pub fn reference_files(answers: &Value, deleted: bool) -> Vec<File> {
    let list = answers["files"].as_array().unwrap().iter().filter(|f| f["deleted"] == deleted);
    let mut list: Vec<File> = list
        .map(|f| File {
            path: reference_path(f),
            folder: f["kind"] == "folder",
            size: f["size"].as_u64().unwrap(),
            extents: if f["extents"].is_null() { vec![] } else { pairs(&f["extents"]) },
        })
        .collect();
    list.sort();
    list
}

/// The parsers show the lost first character of a deleted name as "?" and give the long name beside the path; we
/// show "_", or the long name where it can be put together.
fn reference_path(file: &Value) -> String {
    let path = file["path"].as_str().unwrap();
    if file["deleted"] == false {
        return path.to_owned();
    }
    let (folder, name) = path.rsplit_once('/').unwrap();
    match file["long_name"].as_str() {
        Some(long) => format!("{folder}/{long}"),
        None => format!("{folder}/_{}", &name[1..]),
    }
}

/// Kind, geometry, label, allocation, every file's path, kind, size and extents: dissect.fat and libfsfat (see
/// testdata/README.md). Bytes asked: exactly the structures those parsers name, each once.
#[test]
fn fixtures_equal_the_reference_parsers_answers() {
    for name in FIXTURES {
        let answers = answers(name);
        let (outcome, totals, asked) = open(MemorySource::new(fixture(name), SectorSize::S512));
        let map = outcome.unwrap_or_else(|f| panic!("{name}: {f:?}"));
        assert_eq!(map.kind.name().to_lowercase(), answers["kind"].as_str().unwrap(), "{name}");
        assert_eq!(map.geometry.cluster_bytes, answers["cluster_bytes"], "{name}");
        assert_eq!(map.geometry.cluster_count, answers["cluster_count"], "{name}");
        assert_eq!(map.geometry.heap_start, answers["first_cluster_byte"], "{name}");
        assert_eq!(map.sector_bytes, answers["sector_bytes"], "{name}");
        assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{name}");
        let runs: Vec<(u64, u64)> = map.allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
        assert_eq!(runs, pairs(&answers["allocated"]), "{name}");
        let bad: Vec<u64> = map.allocation.bad.runs().iter().flat_map(|r| r.first.0..r.end()).collect();
        assert_eq!(Value::from(bad), answers["bad_clusters"], "{name}");
        assert!(map.allocation.unknown.is_empty() && !map.catalog_incomplete, "{name}");
        assert_ne!(map.state.dirty, Some(true), "{name}");
        let fats: Vec<(u64, u64)> = pairs(&answers["fats"]);
        for fat in &fats {
            let extent = Extent::new(fat.0, fat.1).unwrap();
            assert!(map.fixed.contains(&(extent, FixedKind::Metadata)), "{name}");
        }
        assert_eq!(map.fixed[0], (Extent::between(0, fats[0].0), FixedKind::Boot), "{name}");

        let (mut ours, mut theirs) = (files(&map, false), reference_files(&answers, false));
        let (root, their_root) = (ours.remove(0), theirs.remove(0));
        if map.kind == FsKind::Fat32 {
            assert_eq!(root, their_root, "{name}");
        } else {
            let (start, bytes) = their_root.extents[0];
            assert!(map.fixed.contains(&(Extent::new(start, bytes).unwrap(), FixedKind::Metadata)), "{name}");
        }
        assert!(ours.len() > 200 && ours.iter().any(|f| f.extents.len() > 50), "{name}");
        assert_same(&ours, &theirs, name);
        check_deleted(name, &map, &answers);

        // mkfs.fat counts clusters it was told are bad as free in FSInfo (testdata/README.md).
        let odd = map.kind == FsKind::Fat32 && !map.allocation.bad.is_empty();
        assert_eq!(codes(&map.findings), if odd { vec!["fat-fsinfo-free-count"] } else { vec![] }, "{name}");

        assert_eq!(totals.repeated_bytes, 0, "{name}");
        let expected = structures(&map, &their_root, &fats, &theirs);
        let surplus: u64 = asked.extents().iter().map(|e| e.bytes - expected.bytes_within(*e)).sum();
        assert_eq!((asked.bytes(), surplus), (expected.bytes(), 0), "{name}");
    }
}

/// What has to be read: boot sector, backup and FSInfo (512 bytes each), as much of each FAT as there are clusters
/// for, in whole sectors, and all folders.
fn structures(map: &VolumeMap, root: &File, fats: &[(u64, u64)], files: &[File]) -> ExtentSet {
    let entries = map.geometry.cluster_count + 2;
    let (needed, boot) = match map.kind {
        FsKind::Fat12 => ((entries * 3).div_ceil(2), vec![0]),
        FsKind::Fat16 => (entries * 2, vec![0]),
        _ => (entries * 4, vec![0, map.sector_bytes, 6 * map.sector_bytes]),
    };
    let needed = needed.next_multiple_of(map.sector_bytes);
    let fats = fats.iter().map(|(start, bytes)| (*start, needed.min(*bytes)));
    let folders = files.iter().filter(|f| f.folder).chain([root]).flat_map(|f| f.extents.iter().copied());
    let boot = boot.into_iter().map(|at| (at, 512));
    fats.chain(folders).chain(boot).map(|(start, bytes)| Extent::new(start, bytes).unwrap()).collect()
}

/// Names and sizes as the reference gives them; the place is a guess that no parser makes, so the rule is checked: a
/// contiguous piece from the entry's first cluster, as long as the size asks for, through free clusters only.
fn check_deleted(name: &str, map: &VolumeMap, answers: &Value) {
    let ours = files(map, true);
    let reference = answers["files"].as_array().unwrap().iter().filter(|f| f["deleted"] == true);
    let mut theirs: Vec<(String, u64, u64)> = reference
        .map(|f| (reference_path(f), f["size"].as_u64().unwrap(), f["first_cluster"].as_u64().unwrap()))
        .collect();
    theirs.sort();
    assert!(theirs.len() > 50, "{name}");
    assert_eq!(ours.len(), theirs.len(), "{name}");
    for (mine, (path, size, first)) in ours.iter().zip(&theirs) {
        assert_eq!(&mine.path, path, "{name}");
        let wanted = if mine.folder { 1 } else { size.div_ceil(map.geometry.cluster_bytes) };
        let free = (*first..first + wanted).take_while(|n| !map.allocation.allocated.contains(Lcn(*n))).count() as u64;
        let run = ClusterRun::new(*first, free);
        let extent = if free > 0 { map.geometry.extent(run).map(|e| (e.start.0, e.bytes)) } else { None };
        assert_eq!(mine.extents, Vec::from_iter(extent), "{name}: {path}");
        assert!(mine.folder || mine.size == *size, "{name}: {path}");
    }
}

/// Lets fatfs read and refuses its writes: the source is never written, and it tries when it is dropped.
struct ReadOnly<'b>(Cursor<&'b [u8]>);

impl Read for ReadOnly<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.read(buffer)
    }
}

impl Seek for ReadOnly<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.0.seek(to)
    }
}

impl Write for ReadOnly<'_> {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::PermissionDenied.into())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Path, and content (`None` for a folder), as fatfs reads it.
fn fatfs_walk(bytes: &[u8]) -> BTreeMap<String, Option<Vec<u8>>> {
    let options = fatfs::FsOptions::new().update_accessed_date(false);
    let volume = fatfs::FileSystem::new(ReadOnly(Cursor::new(bytes)), options).unwrap();
    let mut found = BTreeMap::new();
    let mut open = vec![(String::new(), volume.root_dir())];
    while let Some((path, folder)) = open.pop() {
        for entry in folder.iter() {
            let entry = entry.unwrap();
            let name = entry.file_name();
            if name == "." || name == ".." {
                continue;
            }
            let full = format!("{path}/{name}");
            if entry.is_dir() {
                found.insert(full.clone(), None);
                open.push((full, entry.to_dir()));
            } else {
                let mut content = Vec::new();
                entry.to_file().read_to_end(&mut content).unwrap();
                found.insert(full, Some(content));
            }
        }
    }
    found
}

fn content_at(bytes: &[u8], file: &File) -> Vec<u8> {
    let part = |&(start, len): &(u64, u64)| &bytes[usize::try_from(start).unwrap()..][..usize::try_from(len).unwrap()];
    let mut all: Vec<u8> = file.extents.iter().flat_map(part).copied().collect();
    all.truncate(usize::try_from(file.size).unwrap());
    all
}

fn check_against_fatfs(name: &str, bytes: &[u8]) {
    let ours = files(&map_of(bytes.to_vec()), false);
    let mut theirs = fatfs_walk(bytes);
    for file in ours.iter().filter(|f| f.path != "/") {
        let other = theirs.remove(&file.path).unwrap_or_else(|| panic!("{name}: fatfs lacks {}", file.path));
        assert_eq!(other.is_none(), file.folder, "{name}: {}", file.path);
        assert!(other.is_none_or(|content| content == content_at(bytes, file)), "{name}: {}", file.path);
    }
    assert!(theirs.is_empty(), "{name}: only fatfs has {:?}", theirs.keys());
}

/// Second opinion, content included: the fatfs crate.
#[test]
fn fixtures_read_as_fatfs_reads_them() {
    for name in ["fat12-floppy", "fat12-clusters-4k", "fat16", "fat16-sector-4096", "fat32-clusters-512"] {
        check_against_fatfs(name, &fixture(name));
    }
}

/// A volume formatted and filled by the fatfs crate: 40 folders in each of 20, a few files.
fn fatfs_made(kind: fatfs::FatType, sectors: u32) -> Vec<u8> {
    let mut bytes = vec![0; sectors as usize * 512];
    let options = fatfs::FormatVolumeOptions::new().fat_type(kind).bytes_per_cluster(512).volume_id(0x1234_ABCD);
    fatfs::format_volume(Cursor::new(&mut bytes), options.volume_label(*b"NO NAME    ")).unwrap();
    let volume = fatfs::FileSystem::new(Cursor::new(&mut bytes), fatfs::FsOptions::new()).unwrap();
    for outer in 0..20 {
        let folder = volume.root_dir().create_dir(&format!("Meadow survey {outer}")).unwrap();
        for inner in 0..40 {
            folder.create_dir(&format!("P{inner}")).unwrap();
        }
        let mut file = folder.create_file("Überblick.txt").unwrap();
        file.write_all(format!("sheet {outer} ").repeat(outer * 50).as_bytes()).unwrap();
    }
    drop(volume);
    bytes
}

#[test]
fn volumes_made_by_fatfs() {
    let kinds = [
        (fatfs::FatType::Fat12, 4000, FsKind::Fat12),
        (fatfs::FatType::Fat16, 20_000, FsKind::Fat16),
        (fatfs::FatType::Fat32, 70_000, FsKind::Fat32),
    ];
    for (kind, sectors, expected) in kinds {
        let bytes = fatfs_made(kind, sectors);
        let (outcome, totals, _) = open(MemorySource::new(bytes.clone(), SectorSize::S512));
        let map = outcome.unwrap();
        assert_eq!((map.kind, map.serial.as_str(), map.label.as_deref()), (expected, "1234-ABCD", None));
        // 821 folders in three levels: neighbours are read together, not one by one.
        assert_eq!(map.catalog.nodes().filter(|n| n.kind() == NodeKind::Folder).count(), 821);
        assert!(totals.requests < 250, "{} requests", totals.requests);
        assert_eq!(totals.repeated_bytes, 0);
        check_against_fatfs(expected.name(), &bytes);
    }
}
