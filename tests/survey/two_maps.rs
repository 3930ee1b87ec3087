//! The two maps of what is used against each other: a damaged allocation map whose damage shows in what existing files own,
//! and what is left of deleted files. The yardstick is the reference parsers' list of allocated clusters (dissect.ntfs,
//! libfsntfs, dissect.fat, libfsfat; for exFAT a decoder written from the specification), see `testdata/README.md`.

use crate::common;

use common::{answers, fixture};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{FixedKind, FsKind, VolumeMap};
use gleaner::report::values::{FileLine, for_each_file};
use gleaner::source::{MemorySource, Reader};
use gleaner::survey::allocation::{
    Choices, Class, DOUBTED_BYTES, DeletedCensus, DriveMap, Leftovers, MapComparison, classify, compare_maps, doubtful,
    read_drive,
};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;

const VOLUMES: [&str; 8] = [
    "ntfs-rich",
    "ntfs-cluster-512",
    "ntfs-cluster-1k",
    "fat12-clusters-4k",
    "fat16",
    "fat32-clusters-512",
    "exfat-clusters-512",
    "exfat-clusters-4k",
];

fn read(image: Vec<u8>) -> DriveMap {
    read_drive(&Reader::new(Box::new(MemorySource::new(image, SectorSize::S512)), None)).unwrap()
}

fn volume(drive: &DriveMap) -> &VolumeMap {
    drive.volumes().next().expect("a volume").1
}

fn number(value: &Value) -> u64 {
    value.as_u64().expect("a number")
}

/// What is said of the two maps is what was counted, and no more.
fn check_words(figures: &MapComparison, name: &str) {
    let words = [
        (figures.unknown, "clusters were not read from"),
        (figures.only_owned, "clusters belong to existing files but are marked free"),
        (figures.doubtful, "further clusters are planned as in use although marked free"),
        (figures.only_allocated, "clusters are marked in use but no file owns them"),
        (figures.shared, "clusters are claimed by more than one file"),
    ];
    for (share, words) in words {
        assert_eq!(figures.suggests.contains(words), share.clusters > 0, "{name}: {}", figures.suggests);
        assert!(share.clusters == 0 || figures.suggests.contains(&share.clusters.to_string()), "{name}");
    }
    let agree = words.iter().all(|(share, _)| share.clusters == 0);
    assert_eq!(figures.suggests.ends_with("agree: both can be trusted"), agree, "{name}: {}", figures.suggests);
}

/// The clusters that the reference parsers call allocated.
fn allocated(answers: &Value) -> BTreeSet<u64> {
    let runs = answers["allocated"].as_array().unwrap();
    runs.iter().flat_map(|run| number(&run[0])..number(&run[0]) + number(&run[1])).collect()
}

/// Where the marks lie: the bitmap's own extents, or each FAT's.
fn map_places(volume: &VolumeMap) -> Vec<Vec<Extent>> {
    let bitmap = |node: gleaner::filesystem::Node<'_>| {
        let runs: Vec<_> = node.streams().flat_map(|stream| stream.runs().collect::<Vec<_>>()).collect();
        vec![runs.into_iter().filter_map(|run| volume.geometry.extent(run)).collect()]
    };
    match volume.kind {
        FsKind::Ntfs => bitmap(volume.catalog.nodes().find(|node| node.path() == "/$Bitmap").unwrap()),
        FsKind::ExFat => {
            bitmap(volume.catalog.nodes().find(|node| node.path().contains("<allocation bitmap>")).unwrap())
        }
        _ => {
            let fats = volume.fixed.iter().filter(|(_, kind)| *kind == FixedKind::Metadata);
            fats.take(2).map(|(extent, _)| vec![*extent]).collect()
        }
    }
}

fn planned(drive: &DriveMap) -> ExtentSet {
    let map = classify(drive, &Choices::default());
    map.runs().iter().filter(|run| run.class <= Class::Unclaimed).map(|run| run.extent).collect()
}

/// Zeroing part of the map makes clusters look free; one of them being owned by a live file gives it away, and every
/// cluster that was in use is planned, those that no file owns among them.
#[test]
fn a_map_that_live_files_contradict_is_not_believed() {
    let mut tried = 0;
    let mut saved = 0;
    for name in VOLUMES {
        let image = fixture(name);
        let reference = allocated(&answers(name));
        let sound = read(image.clone());
        assert!(doubtful(volume(&sound)).is_empty(), "{name}: a sound map is believed");
        let places = map_places(volume(&sound));
        let length = places[0].iter().map(|e| e.bytes).sum::<u64>();
        for block in 0..length.div_ceil(DOUBTED_BYTES) {
            // The same part of every copy of the map.
            let mut damaged = image.clone();
            for place in &places {
                let mut at = 0;
                for extent in place {
                    let part = Extent::between(block * DOUBTED_BYTES, (block + 1) * DOUBTED_BYTES);
                    if let Some(cut) = part.intersection(&Extent::between(at, at + extent.bytes)) {
                        let from = usize::try_from(extent.start.0 + (cut.start.0 - at)).unwrap();
                        damaged[from..from + usize::try_from(cut.bytes).unwrap()].fill(0);
                    }
                    at += extent.bytes;
                }
            }
            let drive = read(damaged);
            let Some((_, now)) = drive.volumes().next() else {
                // Without its first FAT sector a FAT volume need not be recognised; then all of it is planned.
                assert_eq!(planned(&drive).bytes(), image.len() as u64, "{name}, block {block}");
                continue;
            };
            tried += 1;
            let planned = planned(&drive);
            let lost: Vec<u64> = reference
                .iter()
                .copied()
                .filter(|cluster| {
                    let run = gleaner::filesystem::ClusterRun::new(*cluster, 1);
                    let extent = now.geometry.extent(run).expect("a cluster of the volume");
                    planned.bytes_within(extent) < extent.bytes
                })
                .collect();
            let figures = compare_maps(now).figures;
            check_words(&figures, name);
            if figures.only_owned.clusters > 0 {
                saved += usize::from(figures.doubtful.clusters > 0);
                assert_eq!(lost, Vec::<u64>::new(), "{name}, block {block} of the map: {}", figures.suggests);
            } else {
                // Nothing live stood in this part of the map, so nothing contradicts it.
                let owned = compare_maps(volume(&sound)).owned;
                assert!(
                    lost.iter().all(|cluster| !owned.contains(gleaner::base::units::Lcn(*cluster))),
                    "{name}, block {block}"
                );
            }
        }
    }
    assert!(tried > 30 && saved > 5, "{tried} tried, {saved} saved");
}

/// What is left of each deleted file, cluster by cluster by the plainest count; gives what each came to.
fn check_remains(name: &str, image: Vec<u8>) -> Vec<&'static str> {
    let reference = allocated(&answers(name));
    let drive = read(image);
    let map = volume(&drive);
    let mut lines: Vec<FileLine> = Vec::new();
    for_each_file(&drive, None, |line| -> Result<(), Infallible> {
        lines.push(line.clone());
        Ok(())
    })
    .unwrap();
    let clusters = |line: &FileLine| -> BTreeSet<u64> {
        let geometry = &map.geometry;
        let of = |e: &[u64; 2]| {
            let first = (e[0] - geometry.heap_start) / geometry.cluster_bytes + geometry.first_number;
            first..first + e[1] / geometry.cluster_bytes
        };
        line.extents.iter().flat_map(of).collect()
    };
    let live: BTreeSet<u64> =
        lines.iter().filter(|l| !l.deleted && l.path != "/$BadClus").flat_map(&clusters).collect();
    // All streams of a file together.
    let mut deleted: BTreeMap<(String, Option<u32>), BTreeSet<u64>> = Default::default();
    for line in lines.iter().filter(|line| line.deleted) {
        deleted.entry((line.path.clone(), line.record)).or_default().extend(clusters(line));
    }
    let mut expected = BTreeMap::new();
    for line in lines.iter().filter(|line| line.deleted) {
        let remains = line.remains.expect("said of every deleted file");
        let own = &deleted[&(line.path.clone(), line.record)];
        let free: BTreeSet<u64> = own.iter().copied().filter(|c| !reference.contains(c) && !live.contains(c)).collect();
        let others: BTreeSet<u64> = deleted
            .iter()
            .filter(|(key, _)| **key != (line.path.clone(), line.record))
            .flat_map(|(_, set)| set.iter().copied())
            .collect();
        let bytes = |count: usize| count as u64 * map.geometry.cluster_bytes;
        assert_eq!(remains.bytes, bytes(own.len()), "{name}: {}", line.path);
        assert_eq!(remains.free_bytes, bytes(free.len()), "{name}: {}", line.path);
        assert_eq!(remains.disputed_bytes, bytes(free.intersection(&others).count()), "{name}: {}", line.path);
        let what = match (own.len(), free.len(), free.intersection(&others).count()) {
            (0, ..) => "without clusters",
            (_, 0, _) => "gone",
            (own, free, _) if free < own => "partly there",
            (_, _, 0) => "whole",
            _ => "disputed",
        };
        expected.insert((&line.path, line.record), what);
    }
    let count = |what: &str| expected.values().filter(|is| **is == what).count() as u64;
    let free = deleted.values().flatten().filter(|c| !reference.contains(c) && !live.contains(c));
    let counted = Leftovers::new(map, &compare_maps(map).owned).census();
    let expected_census = DeletedCensus {
        with_runs: expected.len() as u64 - count("without clusters"),
        whole: count("whole"),
        disputed: count("disputed"),
        partly: count("partly there"),
        gone: count("gone"),
        without_runs: count("without clusters"),
        free_bytes: free.collect::<BTreeSet<_>>().len() as u64 * map.geometry.cluster_bytes,
    };
    assert_eq!(counted, expected_census, "{name}");
    assert!(lines.iter().filter(|l| !l.deleted).all(|l| l.remains.is_none()));
    println!("{name}: {expected:?}");
    expected.into_values().collect()
}

/// FAT16 with a second deleted file that names the clusters of the first: in its entry, the first cluster stands in the two bytes from
/// 26 on and the size in the last four (Microsoft FAT specification 1.03, "FAT directory structure").
fn with_a_dispute() -> Vec<u8> {
    let mut image = fixture("fat16");
    let is_deleted =
        |at: &usize| image[*at] == 0xE5 && image[at + 8..at + 12] == *b"TMP\x20" && image[at + 26..at + 28] != [0, 0];
    // Those that were deleted last: what lay in others' clusters was overwritten.
    let deleted: Vec<usize> = (0..image.len()).step_by(32).filter(is_deleted).collect();
    let [.., one, other] = deleted.as_slice() else { panic!("two deleted files") };
    image.copy_within(one + 26..one + 32, other + 26);
    image
}

#[test]
fn what_is_left_of_deleted_files() {
    let mut kinds = BTreeSet::new();
    for name in VOLUMES {
        let remains = check_remains(name, fixture(name));
        if remains.len() > 10 {
            assert!(remains.iter().any(|is| !["gone", "without clusters"].contains(is)), "{name}");
        }
        kinds.extend(remains);
    }
    kinds.extend(check_remains("fat16", with_a_dispute()));
    assert_eq!(kinds, BTreeSet::from(["disputed", "gone", "partly there", "whole", "without clusters"]));
}
