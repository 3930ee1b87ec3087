//! Whether a head of the drive is bad, found anew from what is in the image and what is not.

use crate::allocation::DriveMap;
use crate::extent::{Extent, ExtentSet};
use crate::fs::{NodeKind, Purpose};
use crate::heads::{HeadFinder, HeadLoad, HeadMap, Observed};
use std::time::Duration;

/// The evidence of a bad head.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HeadFacts {
    /// In words.
    pub words: String,
    /// Some of its bands, as SVG.
    pub picture: String,
}

/// Width of the picture in CSS pixels.
const WIDTH: f64 = 960.0;

/// Looks for bands of a bad head. What failed counts with what was skipped beside it: by the end of a copy that is the bad bands
/// and little else. No times are known, so a head that only reads slowly is not found here.
pub(super) fn head_facts(
    drive_bytes: u64,
    copied: &[Extent],
    not_read: &[Extent],
    planned: impl FnOnce() -> Vec<(Extent, Option<u32>)>,
) -> Option<HeadFacts> {
    let mut reads: Vec<(Extent, bool)> = copied.iter().map(|extent| (*extent, false)).collect();
    reads.extend(not_read.iter().map(|extent| (*extent, true)));
    reads.sort_unstable();
    let mut finder = HeadFinder::new(drive_bytes);
    for (extent, failed) in reads {
        finder.observe(&Observed { extent, failed, slow: false, took: Duration::ZERO });
    }
    finder.map().map(|map| facts(&map, planned()))
}

fn facts(map: &HeadMap<'_>, planned: Vec<(Extent, Option<u32>)>) -> HeadFacts {
    let load = HeadLoad::of(map, planned);
    HeadFacts { words: map.in_words(&load), picture: map.strip(map.example(), "heads", WIDTH) }
}

/// The planned extents, each with a number of the file that has it, where a file does.
pub(super) fn planned_with_files(drive: &DriveMap, planned: &ExtentSet) -> Vec<(Extent, Option<u32>)> {
    let mut list = Vec::new();
    let mut of_files = ExtentSet::new();
    let mut number = 0;
    for (_, volume) in drive.volumes() {
        let files = volume
            .catalog
            .nodes()
            .filter(|node| node.kind() == NodeKind::File && node.purpose() == Purpose::Client && !node.is_deleted());
        for file in files {
            number += 1;
            let places = file.streams().flat_map(|stream| stream.runs());
            for place in places.filter_map(|run| volume.geometry.extent(run)) {
                for part in planned.intersection(place) {
                    list.push((part, Some(number)));
                    of_files.insert(part);
                }
            }
        }
    }
    list.extend(planned.extents().iter().flat_map(|extent| of_files.missing_from(*extent)).map(|part| (part, None)));
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    /// Every band of 16 MiB of 32 GiB under the heads that `choose` takes.
    fn bands(choose: impl Fn(u64) -> bool) -> Vec<Extent> {
        let numbers = (0..2048).filter(|number| choose(number % 4));
        numbers.map(|number| Extent::between(number * 16 * MIB, (number + 1) * 16 * MIB)).collect()
    }

    #[test]
    fn a_dead_head_is_told_from_what_is_missing() {
        let planned = || vec![(Extent::between(0, 32 * MIB), Some(1)), (Extent::between(32 * MIB, 36 * MIB), Some(2))];
        let (copied, not_read) = (bands(|head| head != 2), bands(|head| head == 2));
        let facts = head_facts(32 << 30, &copied, &not_read, planned).expect("a bad head");
        assert!(facts.words.starts_with("One of about 4 heads fails"), "{}", facts.words);
        assert!(facts.words.contains("bytes of 1 of 2 planned files"), "{}", facts.words);
        assert!(facts.picture.contains("<svg"));
        assert_eq!(head_facts(32 << 30, &bands(|_| true), &[], planned), None);
    }
}
