//! What a survey counts on a volume, against the reference parsers' lists of files (see `testdata/README.md`).

use crate::common;

use common::{answers, fixture};
use gleaner::base::units::SectorSize;
use gleaner::source::{MemorySource, Reader};
use gleaner::survey::allocation::{Census, census, read_drive};
use serde_json::Value;
use std::collections::BTreeMap;

fn counted(name: &str) -> Census {
    let source = MemorySource::new(fixture(name), SectorSize::S512);
    let drive = read_drive(&Reader::new(Box::new(source), None)).unwrap();
    census(drive.volumes().next().expect("a volume").1)
}

/// The existing files of the client, each with its data streams, and how many names it has.
fn files(answers: &Value) -> Vec<(Vec<&Value>, u64)> {
    let mut files: BTreeMap<String, (Vec<&Value>, u64)> = BTreeMap::new();
    for entry in answers["files"].as_array().unwrap() {
        let path = entry["path"].as_str().unwrap_or_default();
        // On NTFS the first 24 records and what is below $Extend are the file system's.
        let is_system = entry["record"].as_u64().is_some_and(|record| record < 24) || path.starts_with("/$Extend");
        if entry["kind"] != "file" || entry["deleted"] == true || is_system {
            continue;
        }
        let (streams, names) =
            files.entry(entry["record"].as_u64().map_or(path.to_owned(), |n| n.to_string())).or_default();
        *names = entry["paths"].as_array().map_or(1, |paths| paths.len() as u64);
        if entry["attribute"].is_null() {
            streams.push(entry);
        }
    }
    files.into_values().collect()
}

/// What the reference parsers' list comes to. They join extents that touch, which only compressed files have here.
fn expected(answers: &Value) -> Census {
    let mut count = Census::default();
    for (streams, names) in files(answers) {
        let any = |test: &dyn Fn(&Value) -> bool| u64::from(streams.iter().any(|stream| test(stream)));
        let extents = streams.iter().map(|s| s["extents"].as_array().map_or(0, |list| list.len() as u64)).sum();
        count.files += 1;
        count.file_bytes +=
            streams.iter().filter(|s| s["stream"].is_null()).map(|s| s["size"].as_u64().unwrap()).sum::<u64>();
        count.files_with_clusters += u64::from(extents > 0);
        count.fragmented_files += u64::from(extents > 1);
        count.extents += extents;
        count.most_extents = count.most_extents.max(extents);
        count.resident_files += any(&|stream| stream["stream"].is_null() && stream["resident"] == true);
        count.named_streams += streams.iter().filter(|stream| !stream["stream"].is_null()).count() as u64;
        count.sparse_files += any(&|stream| stream["sparse"] == true);
        count.further_names += names - 1;
    }
    count
}

#[test]
fn files_and_fragments_are_counted_as_reference_parsers_list_them() {
    for name in ["ntfs-mft-list", "fat16", "ntfs-rich"] {
        let (ours, theirs) = (counted(name), expected(&answers(name)));
        let is_compressed = ours.compressed_files > 0;
        assert_eq!(is_compressed, name == "ntfs-rich");
        // Folders and what is deleted are held against the lists elsewhere.
        let same =
            Census { folders: ours.folders, deleted: ours.deleted, compressed_files: ours.compressed_files, ..theirs };
        let joined = |census: Census| match is_compressed {
            true => Census { extents: 0, fragmented_files: 0, ..census },
            false => census,
        };
        assert_eq!(joined(ours), joined(same), "{name}");
        assert!(ours.extents >= theirs.extents && ours.fragmented_files >= theirs.fragmented_files, "{name}");
        assert!(theirs.files_with_clusters > 10 && theirs.fragmented_files > 0, "{name}: nothing to count");
    }
}
