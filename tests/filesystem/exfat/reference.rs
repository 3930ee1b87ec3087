//! Sound volumes, against what others say of them. The answers come from scripts/reference/exfat_answers.py, a decoder
//! written from the specification apart from gleaner's, though not by an independent author. What is independent was
//! compared with it when the fixtures were made: fsck.exfat and dump.exfat of exfatprogs 1.2 (soundness, geometry, label,
//! number of free clusters, of files and of folders) and the contents of all files as the FUSE driver exfat-fuse 1.3
//! reads them (testdata/README.md).

use super::common::{answers, fixture};
use super::{File, assert_same, codes, files, open, structure_paths};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{Lcn, SectorSize};
use gleaner::filesystem::{FixedKind, FsKind, VolumeMap};
use gleaner::source::MemorySource;
use serde_json::Value;

pub const FIXTURES: [&str; 4] = ["exfat-clusters-512", "exfat-clusters-4k", "exfat-clusters-128k", "exfat-sector-4096"];

pub fn pairs(value: &Value) -> Vec<(u64, u64)> {
    let number = |v: &Value| v.as_u64().unwrap();
    value.as_array().unwrap().iter().map(|p| (number(&p[0]), number(&p[1]))).collect()
}

pub fn reference_files(answers: &Value, deleted: bool) -> Vec<File> {
    let list = answers["files"].as_array().unwrap().iter().filter(|f| f["deleted"] == deleted);
    let mut list: Vec<File> = list
        .map(|f| File {
            path: f["path"].as_str().unwrap().to_owned(),
            folder: f["kind"] == "folder",
            size: f["size"].as_u64().unwrap(),
            valid: f["valid_size"].as_u64().unwrap(),
            extents: if f["extents"].is_null() { vec![] } else { pairs(&f["extents"]) },
            modified: f["modified"].as_i64(),
        })
        .collect();
    list.sort();
    list
}

/// Geometry, label, serial, allocation, every file's path, kind, sizes, time and extents. Bytes asked: exactly the
/// structures, each once.
#[test]
fn fixtures_equal_the_answers() {
    for name in FIXTURES {
        let answers = answers(name);
        let (outcome, totals, asked) = open(MemorySource::new(fixture(name), SectorSize::S512));
        let map = outcome.unwrap_or_else(|f| panic!("{name}: {f:?}"));
        assert_eq!((map.kind, map.kind.name()), (FsKind::ExFat, "exFAT"));
        assert_eq!(map.geometry.cluster_bytes, answers["cluster_bytes"], "{name}");
        assert_eq!(map.geometry.cluster_count, answers["cluster_count"], "{name}");
        assert_eq!(map.geometry.heap_start, answers["first_cluster_byte"], "{name}");
        assert_eq!(map.sector_bytes, answers["sector_bytes"], "{name}");
        assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{name}");
        assert_eq!(map.serial, answers["serial"], "{name}");
        let runs: Vec<(u64, u64)> = map.allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
        assert_eq!(runs, pairs(&answers["allocated"]), "{name}");
        assert!(map.allocation.bad.is_empty() && map.allocation.unknown.is_empty(), "{name}");
        assert_eq!((map.state.dirty, map.catalog_incomplete), (Some(false), false), "{name}");
        let incomplete =
            map.catalog.nodes().find(|node| node.streams().any(|stream| stream.is_incomplete()) && !node.is_deleted());
        assert_eq!(incomplete.map(|node| node.path()), None, "{name}: what lies on a sound volume is whole");

        let fats = pairs(&answers["fats"]);
        let regions = 24 * map.sector_bytes;
        let mut fixed = vec![(Extent::between(0, regions), FixedKind::Boot)];
        fixed.extend(fats.iter().map(|(start, bytes)| (Extent::new(*start, *bytes).unwrap(), FixedKind::Metadata)));
        assert_eq!(map.fixed, fixed, "{name}");

        let (ours, theirs) = (files(&map, false), reference_files(&answers, false));
        assert!(ours.len() > 150 && ours.iter().any(|f| f.extents.len() > 20), "{name}");
        assert!(ours.iter().any(|f| f.valid < f.size), "{name}");
        assert_same(&ours, &theirs, name);
        assert_eq!(structure_paths(&map), ["/", "/<allocation bitmap>", "/<up-case table>"], "{name}");
        check_deleted(name, &map, &answers);
        assert_eq!(codes(&map.findings), Vec::<&str>::new(), "{name}");

        assert_eq!(totals.repeated_bytes, 0, "{name}");
        let expected = structures(&map, &fats, &theirs);
        let surplus: u64 = asked.extents().iter().map(|e| e.bytes - expected.bytes_within(*e)).sum();
        assert_eq!((asked.bytes(), surplus), (expected.bytes(), 0), "{name}");
    }
}

/// What has to be read: both boot regions, as much of the FAT as there are clusters for, in whole sectors, all folders,
/// and of bitmap and up-case table as many sectors as they have.
fn structures(map: &VolumeMap, fats: &[(u64, u64)], files: &[File]) -> ExtentSet {
    let table = ((map.geometry.cluster_count + 2) * 4).next_multiple_of(map.sector_bytes);
    let folders = files.iter().filter(|f| f.folder).flat_map(|f| f.extents.iter().copied());
    let special = files.iter().filter(|f| f.path.starts_with("/<")).map(|f| {
        assert_eq!(f.extents.len(), 1, "the formatter puts them in one piece");
        (f.extents[0].0, f.size)
    });
    let all = folders.chain(special).chain([(0, 24 * map.sector_bytes), (fats[0].0, table)]);
    // Whole sectors of the drive are read.
    all.map(|(start, bytes)| Extent::new(start, bytes).unwrap().aligned_to(512)).collect()
}

/// Names and sizes by the answers; the place by its rule: of a file in one piece all free clusters up to the first that
/// is in use, of a chained one the first cluster.
fn check_deleted(name: &str, map: &VolumeMap, answers: &Value) {
    let ours = files(map, true);
    let mut theirs: Vec<(File, u64, bool)> = reference_files(answers, true)
        .into_iter()
        .map(|file| {
            let same = |f: &&Value| f["deleted"] == true && f["path"] == file.path.as_str();
            let all: Vec<&Value> = answers["files"].as_array().unwrap().iter().filter(same).collect();
            assert_eq!(all.len(), 1, "{name}: {}", file.path);
            (file, all[0]["first_cluster"].as_u64().unwrap(), all[0]["contiguous"] == true)
        })
        .collect();
    theirs.sort();
    assert!(theirs.len() > 30 && theirs.iter().any(|t| !t.2) && theirs.iter().any(|t| t.0.folder), "{name}");
    let mut whole = 0;
    for (file, first, contiguous) in &mut theirs {
        let wanted = file.size.div_ceil(map.geometry.cluster_bytes);
        let known = if *contiguous { wanted } else { wanted.min(1) };
        let free = (*first..*first + known).take_while(|n| !map.allocation.allocated.contains(Lcn(*n))).count() as u64;
        let bytes = map.geometry.cluster_bytes;
        if free > 0 {
            file.extents = vec![(map.geometry.heap_start + (*first - 2) * bytes, free * bytes)];
        }
        whole += usize::from(free == wanted);
    }
    let expected: Vec<File> = theirs.into_iter().map(|t| t.0).collect();
    assert_same(&ours, &expected, name);
    assert!(whole > 2 && whole < expected.len(), "{name}: some are whole, some were overwritten");
}

/// Each file's content names the file and the number of its block (testdata/make/content.py), so what stands at our
/// extents shows by itself whether they are this file's, in this order; deleted files in one piece too.
#[test]
fn contents_at_our_extents_name_their_file_and_block() {
    for name in FIXTURES {
        let bytes = fixture(name);
        let map = super::map_of(bytes.clone());
        let mut blocks = 0;
        for deleted in [false, true] {
            for file in files(&map, deleted).iter().filter(|f| !f.folder && !f.path.starts_with("/<")) {
                let mut index = 0;
                for (start, length) in &file.extents {
                    for at in (*start..start + length).step_by(usize::try_from(map.geometry.cluster_bytes).unwrap()) {
                        let line = format!("Fernhollow Survey | {} | block {index:07}\n", file.path);
                        let here = &bytes[usize::try_from(at).unwrap()..];
                        let left = (file.size - index * map.geometry.cluster_bytes).min(line.len() as u64);
                        let left = usize::try_from(left).unwrap();
                        assert_eq!(&here[..left], &line.as_bytes()[..left], "{name}: {}", file.path);
                        index += 1;
                        blocks += 1;
                    }
                }
            }
        }
        assert!(blocks > 150, "{name}: {blocks} blocks");
    }
}
