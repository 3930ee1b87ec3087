//! Volumes damaged at random: nothing may be lost of the program's own composure.

use super::common::damaged::{Damaged, Random, identity_of};
use super::common::fixture;
use super::{files, map_of, open};
use gleaner::base::extent::Extent;
use std::sync::Arc;

/// 3,000 volumes with random damage to their structures: whatever comes out keeps to the volume, and no byte is
/// read twice. That this ends at all is half the test.
#[test]
fn random_damage_never_leads_outside_the_volume() {
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    for (name, times) in [("fat12-floppy", 2000), ("fat16", 500), ("fat32-clusters-512", 500)] {
        let base = Arc::new(fixture(name));
        let sound = map_of(base.to_vec());
        let identity = identity_of(&base);
        let folders = files(&sound, false).into_iter().filter(|f| f.folder).flat_map(|f| f.extents);
        let mut places: Vec<(u64, u64)> = vec![(0, 90), (0, sound.geometry.heap_start)];
        places.extend(sound.fixed.iter().map(|(e, _)| (e.start.0, e.bytes.min(4096))));
        places.extend(folders.take(20));
        for round in 0..times {
            let changes = (0..=random.below(12)).map(|_| {
                let (start, bytes) = random.of(&places);
                let value = random.of(&[0, 1, 0xFF, 0xE5, 0x0F, 0x10, 2, 7]);
                (
                    start + random.below(bytes),
                    if random.below(2) == 0 { value } else { random.below(256).to_le_bytes()[0] },
                )
            });
            let changes = changes.collect();
            let (start, bytes) = random.of(&places);
            let lost = if random.below(3) == 0 { 512 } else { 0 };
            let unreadable = Extent::new((start + random.below(bytes)) & !511, lost).unwrap();
            let source = Damaged { base: base.clone(), identity: identity.clone(), changes, unreadable };
            let (outcome, totals, _) = open(source);
            assert_eq!(totals.repeated_bytes, 0, "{name} {round}");
            let Ok(map) = outcome else { continue };
            let all = map.geometry.all();
            let marked = map.allocation.allocated.union(&map.allocation.unknown);
            assert!(marked.runs().iter().all(|r| map.geometry.holds(*r)), "{name} {round}");
            assert!(map.allocation.allocated.intersection(&map.allocation.unknown).is_empty(), "{name} {round}");
            let mut held = 0;
            for node in map.catalog.nodes() {
                assert!(node.path().starts_with('/'));
                for run in node.streams().flat_map(|s| s.runs().collect::<Vec<_>>()) {
                    assert!(map.geometry.holds(run), "{name} {round}");
                    held += if node.is_deleted() { 0 } else { run.count };
                }
            }
            assert!(held <= 2 * (all.count + 2), "{name} {round}: shared chains are bounded");
        }
    }
}
