//! Volumes damaged at random: nothing may be lost of the program's own composure.

use super::common::damaged::{Damaged, Random, identity_of};
use super::common::fixture;
use super::{files, map_of, open};
use gleaner::base::extent::Extent;
use std::sync::Arc;

/// 1,200 volumes with random damage to their structures: whatever comes out keeps to the volume, and no byte is
/// read twice. That this ends at all is half the test.
#[test]
fn random_damage_never_leads_outside_the_volume() {
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    for (name, times) in [("exfat-clusters-512", 300), ("exfat-clusters-4k", 500), ("exfat-clusters-128k", 400)] {
        let base = Arc::new(fixture(name));
        let sound = map_of(base.to_vec());
        let identity = identity_of(&base);
        let mut places: Vec<(u64, u64)> = vec![(0, 120), (0x50, 0x21), (0, 24 * sound.sector_bytes)];
        places.extend(sound.fixed.iter().map(|(e, _)| (e.start.0, e.bytes.min(4096))));
        let list = files(&sound, false);
        let special = list.iter().filter(|f| f.path.starts_with("/<") || f.path == "/");
        let folders = list.iter().filter(|f| f.folder).take(20);
        places.extend(
            special.chain(folders).flat_map(|f| f.extents.iter().map(|(at, n)| (*at, (*n).min(8192)))).take(60),
        );
        for round in 0..times {
            // The backup would make up for most damage to the main region: now and then both go.
            let mut changes: Vec<(u64, u8)> = Vec::new();
            for _ in 0..=random.below(12) {
                let (start, bytes) = random.of(&places);
                let value = random.of(&[0, 1, 0xFF, 0x85, 0xC0, 0xC1, 0x81, 2, 5, 7]);
                let at = start + random.below(bytes);
                let value = if random.below(2) == 0 { value } else { random.below(256).to_le_bytes()[0] };
                changes.push((at, value));
                let region = 12 * sound.sector_bytes;
                if at < region && random.below(2) == 0 {
                    changes.push((at + region, value));
                }
            }
            let (start, bytes) = random.of(&places);
            let lost = if random.below(3) == 0 { 512 } else { 0 };
            let unreadable = Extent::new((start + random.below(bytes)) & !511, lost).unwrap();
            let source = Damaged { base: base.clone(), identity: identity.clone(), changes, unreadable };
            let (outcome, totals, _) = open(source);
            assert_eq!(totals.repeated_bytes, 0, "{name} {round}");
            let Ok(map) = outcome else { continue };
            let marked = map.allocation.allocated.union(&map.allocation.unknown);
            assert!(marked.runs().iter().all(|r| map.geometry.holds(*r)), "{name} {round}");
            assert!(map.allocation.allocated.intersection(&map.allocation.unknown).is_empty(), "{name} {round}");
            assert_eq!(map.allocation.bad.without(&map.allocation.allocated).count(), 0, "{name} {round}");
            for node in map.catalog.nodes() {
                assert!(node.path().starts_with('/'));
                for stream in node.streams() {
                    assert!(stream.valid() <= stream.size(), "{name} {round}");
                    assert!(stream.runs().all(|run| map.geometry.holds(run)), "{name} {round}");
                }
            }
        }
    }
}
