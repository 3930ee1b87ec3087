//! Whether a head of the drive is bad, found anew from what is in the image and what is not.

use crate::base::extent::Extent;
use crate::base::human;
use crate::drive::heads::{HeadFinder, HeadLoad, HeadMap, RangeEvidence};
use crate::drive::model::to_f64;
use crate::report::picture::{self, Axis, Frame, Layer, Paint, Pattern, Quantity, Tone};

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

/// What is found of a bad head, with what of the plan lies under it.
pub(super) fn head_facts(
    finder: &HeadFinder,
    planned: impl FnOnce() -> Vec<(Extent, Option<u32>)>,
) -> Option<HeadFacts> {
    finder.map().map(|map| facts(&map, planned()))
}

fn facts(map: &HeadMap<'_>, planned: Vec<(Extent, Option<u32>)>) -> HeadFacts {
    let load = HeadLoad::of(map, planned);
    HeadFacts { words: map.in_words(&load), picture: bands(&map.range_evidence(map.example())) }
}

/// The bands in a range: what read well, what failed or was slow, and the suspect bands where nothing was read.
fn bands(evidence: &RangeEvidence) -> String {
    let within = evidence.within;
    let met = evidence.bad.iter().filter(|share| **share > 0.0).count() as u64;
    let description = format!(
        "{} from byte {}: reads failed or were slow at {} of {} each, and the bands in which a bad head explains that.",
        human::bytes(within.bytes),
        human::count(within.start.0),
        human::counted(met, "cell", "cells"),
        human::unit_size(evidence.part_bytes)
    );
    let frame = Frame {
        id: "heads",
        title: "Bands of the bad head",
        description: &description,
        width: WIDTH,
        plot_height: 40.0,
    };
    let x = Axis {
        label: "position on the drive",
        quantity: Quantity::Bytes,
        from: to_f64(within.start.0),
        to: to_f64(within.end()),
    };
    let layers = [
        ("failed or slow", Tone::Vermilion, Pattern::Falling, &evidence.bad),
        ("read well", Tone::Blue, Pattern::Level, &evidence.good),
        ("suspect band, not read yet", Tone::Yellow, Pattern::Upright, &evidence.suspect),
    ]
    .map(|(name, tone, pattern, values)| Layer { name, paint: Paint::new(tone, pattern), values });
    picture::density_strip(&frame, &x, &layers)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::heads::Observed;
    use std::time::Duration;

    const MIB: u64 = 1 << 20;

    /// Every band of 16 MiB of 32 GiB read, where those of one of four heads fail.
    fn found(dead: u64) -> HeadFinder {
        let mut finder = HeadFinder::new(32 << 30);
        for number in 0..2048 {
            let extent = Extent::between(number * 16 * MIB, (number + 1) * 16 * MIB);
            let failed = number % 4 == dead;
            finder.observe(&Observed { extent, failed, slow: false, took: Duration::ZERO });
        }
        finder
    }

    #[test]
    fn a_dead_head_is_told_from_what_is_missing() {
        let planned = || vec![(Extent::between(0, 32 * MIB), Some(1)), (Extent::between(32 * MIB, 36 * MIB), Some(2))];
        let facts = head_facts(&found(2), planned).expect("a bad head");
        assert!(facts.words.starts_with("One of about 4 heads fails"), "{}", facts.words);
        assert!(facts.words.contains("bytes of 1 of 2 planned files"), "{}", facts.words);
        assert!(facts.picture.contains("<svg"));
        assert_eq!(head_facts(&found(9), planned), None);
    }
}
