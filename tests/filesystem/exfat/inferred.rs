//! Both boot regions lost or wrong: the volume must be read as if nothing had happened, by the answers stored beside it,
//! or not at all.

use super::common::lost::{LOSSES, Loss, content_without, volume};
use super::common::{answers, fixture};
use super::reference::{FIXTURES, pairs, reference_files};
use super::{assert_same, codes, files};
use gleaner::filesystem::{Content, VolumeMap};
use serde_json::Value;

fn content(image: Vec<u8>, places: &[(u64, u64)], loss: Loss) -> Content {
    let (content, totals) = content_without(image, places, loss);
    assert_eq!(totals.repeated_bytes, 0);
    content
}

fn assert_as_before(map: &VolumeMap, answers: &Value, what: &str) {
    assert_eq!(map.kind.name().to_lowercase(), answers["kind"].as_str().unwrap(), "{what}");
    assert_eq!(map.geometry.cluster_bytes, answers["cluster_bytes"], "{what}");
    assert_eq!(map.geometry.cluster_count, answers["cluster_count"], "{what}");
    assert_eq!(map.geometry.heap_start, answers["first_cluster_byte"], "{what}");
    let runs: Vec<(u64, u64)> = map.allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(runs, pairs(&answers["allocated"]), "{what}");
    assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{what}");
    assert_same(&files(map, false), &reference_files(answers, false), what);
}

fn regions(answers: &Value) -> Vec<(u64, u64)> {
    pairs(&answers["boot_regions"])
}

#[test]
fn with_both_regions_lost_every_volume_is_read_as_before() {
    for name in FIXTURES {
        let answers = answers(name);
        for loss in LOSSES {
            let map = volume(content(fixture(name), &regions(&answers), loss), name);
            assert_as_before(&map, &answers, name);
            assert_eq!(codes(&map.findings), ["exfat-geometry-inferred"], "{name}");
            assert!(!map.catalog_incomplete, "{name}: {:?}", map.findings.kept());
        }
    }
}

/// The first FAT sector, the start of the bitmap or of the up-case table lost as well: what can no longer be checked is
/// not believed.
#[test]
fn what_cannot_be_checked_is_not_believed() {
    for name in FIXTURES {
        let answers = answers(name);
        let fat = pairs(&answers["fats"])[0].0;
        let heap = answers["first_cluster_byte"].as_u64().unwrap();
        let special = |path: &str| {
            let file = answers["files"].as_array().unwrap().iter().find(|f| f["path"] == path).expect("it is there");
            file["extents"][0][0].as_u64().unwrap()
        };
        for place in [fat, special("/<up-case table>")] {
            let mut places = regions(&answers);
            places.push((place, 512));
            let content = content(fixture(name), &places, Loss::Zeroed);
            assert!(matches!(content, Content::Opaque { .. }), "{name}: byte {place}, heap {heap}");
        }
    }
}

/// Fields changed to other possible values in both regions (checksums are wrong then). Offsets: specification 3.1.
#[test]
fn fields_that_are_possible_and_wrong_do_not_win() {
    let name = "exfat-clusters-4k";
    let answers = answers(name);
    for (at, value) in [(0x6D, vec![2u8]), (0x6D, vec![4]), (0x60, vec![9]), (0x5C, vec![0, 1]), (0x58, vec![1])] {
        let mut image = fixture(name);
        for region in regions(&answers) {
            let from = usize::try_from(region.0).unwrap() + at;
            let before = image[from..from + value.len()].to_vec();
            let changed: Vec<u8> = if at == 0x58 { vec![before[0].wrapping_add(8)] } else { value.clone() };
            assert_ne!(before, changed);
            image[from..from + value.len()].copy_from_slice(&changed);
        }
        let what = format!("byte {at:#x}");
        let map = volume(content(image, &[], Loss::Zeroed), &what);
        assert_as_before(&map, &answers, &what);
        assert!(codes(&map.findings).contains(&"exfat-boot-contradicted"), "{what}");
    }
}

/// The image of a volume inside an area: its bitmap is too small for the area.
#[test]
fn the_image_of_a_volume_inside_an_area_is_not_taken_for_the_area() {
    let mut inner = fixture("exfat-clusters-4k");
    inner[..24 * 512].fill(0);
    for offset in [0usize, 512, 1 << 20] {
        let mut image = vec![0u8; 96 << 20];
        image[offset..offset + inner.len()].copy_from_slice(&inner);
        assert!(matches!(content(image, &[], Loss::Zeroed), Content::Opaque { .. }), "at {offset}");
    }
}
