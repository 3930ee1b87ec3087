//! The boot sector and its backup lost or wrong: the volume must be read as if nothing had happened, by the reference
//! parsers' answers, or not at all.

use super::common::lost::{LOSSES, Loss, content_without, volume};
use super::common::{answers, fixture};
use super::reference::{FIXTURES, pairs, reference_files};
use super::{assert_same, files};
use gleaner::filesystem::{Content, FsKind, VolumeMap, fat};
use serde_json::Value;

fn content(image: Vec<u8>, places: &[(u64, u64)], loss: Loss) -> Content {
    content_without(image, places, loss).0
}

/// Geometry, allocation and every file's path, size and extents.
fn assert_as_before(map: &VolumeMap, answers: &Value, what: &str) {
    assert_eq!(map.kind.name().to_lowercase(), answers["kind"].as_str().unwrap(), "{what}");
    assert_eq!(map.geometry.cluster_bytes, answers["cluster_bytes"], "{what}");
    assert_eq!(map.geometry.heap_start, answers["first_cluster_byte"], "{what}");
    // The volume is taken to fill its place: a few clusters more, all free, may be counted at its end.
    let clusters = answers["cluster_count"].as_u64().unwrap();
    assert!((clusters..=clusters + 64).contains(&map.geometry.cluster_count), "{what}: {}", map.geometry.cluster_count);
    let runs: Vec<(u64, u64)> = map.allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(runs, pairs(&answers["allocated"]), "{what}");
    assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{what}");
    let (mut ours, mut theirs) = (files(map, false), reference_files(answers, false));
    let (root, their_root) = (ours.remove(0), theirs.remove(0));
    if map.kind == FsKind::Fat32 {
        assert_eq!(root, their_root, "{what}");
    }
    assert_same(&ours, &theirs, what);
}

/// Everything before the first FAT: boot sector, backup, FSInfo.
fn reserved(answers: &Value) -> (u64, u64) {
    (0, pairs(&answers["fats"])[0].0)
}

#[test]
fn with_the_whole_reserved_region_lost_every_volume_is_read_as_before() {
    for name in FIXTURES {
        let answers = answers(name);
        for loss in LOSSES {
            let map = volume(content(fixture(name), &[reserved(&answers)], loss), name);
            assert_as_before(&map, &answers, name);
            assert_eq!(map.findings.count(&fat::GEOMETRY_INFERRED), 1, "{name}");
            assert!(!map.catalog_incomplete, "{name}: {:?}", map.findings.kept());
        }
    }
}

/// One copy of the FAT gone as well, and the other tells the geometry alone.
#[test]
fn with_one_copy_of_the_fat_lost_too_every_volume_is_read_as_before() {
    for name in FIXTURES {
        let answers = answers(name);
        let fats = pairs(&answers["fats"]);
        for lost in &fats {
            for loss in LOSSES {
                let what = format!("{name}, {loss:?}, FAT at {}", lost.0);
                let content = content(fixture(name), &[reserved(&answers), *lost], loss);
                // A reader spends 256 failed requests on the edges of bad stretches: behind one of more than 128 KiB the
                // other copy's start may not be reached, and then all is planned.
                if matches!(loss, Loss::Unreadable) && lost.1 > 128 << 10 && matches!(content, Content::Opaque { .. }) {
                    continue;
                }
                let map = volume(content, &what);
                assert_as_before(&map, &answers, &what);
                assert!(map.catalog_incomplete, "{what}: not all evidence is there");
            }
        }
    }
}

/// Without any FAT nothing is made up.
#[test]
fn with_both_fats_lost_nothing_is_believed() {
    for name in FIXTURES {
        let answers = answers(name);
        let mut places = pairs(&answers["fats"]);
        places.push(reserved(&answers));
        for loss in LOSSES {
            assert!(matches!(content(fixture(name), &places, loss), Content::Opaque { .. }), "{name} {loss:?}");
        }
    }
}

/// Fields changed to other possible values, in the first boot sector alone and in the backup as well. Offsets: "FAT:
/// General Overview of On-Disk Format", "Boot Sector and BPB".
#[test]
fn fields_that_are_possible_and_wrong_do_not_win() {
    let changes: [(&str, usize, &[u8]); 8] = [
        ("fat32-clusters-512", 0x0D, &[2]),
        ("fat32-clusters-512", 0x0E, &[33, 0]),
        ("fat32-clusters-512", 0x20, &[0, 0, 1, 0]),
        ("fat32-clusters-4k", 0x0D, &[4]),
        ("fat16", 0x0D, &[2]),
        ("fat16", 0x0D, &[8]),
        ("fat16", 0x0E, &[3, 0]),
        ("fat16", 0x11, &[0, 1]),
    ];
    for (name, at, value) in changes {
        for both in [false, true] {
            let answers = answers(name);
            let mut image = fixture(name);
            assert_ne!(image[at..at + value.len()], *value);
            image[at..at + value.len()].copy_from_slice(value);
            if both && at == 0x20 {
                // Nothing but the backup says how long a volume is.
                continue;
            }
            if both && name.starts_with("fat32") {
                image.copy_within(0..512, 6 * 512);
            }
            let what = format!("{name}, byte {at:#x}, both: {both}");
            let map = volume(content(image, &[], Loss::Zeroed), &what);
            assert_as_before(&map, &answers, &what);
        }
    }
}

/// The image of a volume inside an area: its FAT is too small for the area.
#[test]
fn the_image_of_a_volume_inside_an_area_is_not_taken_for_the_area() {
    for name in ["fat16", "fat12-clusters-4k"] {
        let mut inner = fixture(name);
        inner[..512].fill(0);
        for offset in [0usize, 512, 1 << 20] {
            let mut image = vec![0u8; 96 << 20];
            image[offset..offset + inner.len()].copy_from_slice(&inner);
            assert!(matches!(content(image, &[], Loss::Zeroed), Content::Opaque { .. }), "{name} at {offset}");
        }
    }
}

/// Formatted twice, with clusters of 4 KiB and then of 1 KiB (testdata/make/formatted_twice.py): the second formatting or
/// none, and never the first.
#[test]
fn an_earlier_formatting_does_not_win() {
    let image = fixture("fat16-formatted-twice");
    let sound = volume(content(image.clone(), &[], Loss::Zeroed), "sound");
    let map = match content(image, &[(0, 512)], Loss::Zeroed) {
        Content::Volume(map) => map,
        other => panic!("planned whole: {other:?}"),
    };
    assert_eq!((map.geometry.heap_start, map.geometry.cluster_bytes), (sound.geometry.heap_start, 1024));
    assert_eq!(map.allocation.allocated, sound.allocation.allocated);
    assert_same(&files(&map, false), &files(&sound, false), "formatted twice");
}
