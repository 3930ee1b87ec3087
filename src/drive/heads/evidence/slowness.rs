//! Which reads are slower than their neighbourhood: evidence of a weak head, which reads a track twice, and no trouble by itself. A
//! read so slow that its place is better left takes several times as long, and is judged while copying.

use crate::base::extent::Extent;
use crate::drive::model::to_f64;
use std::time::Duration;

/// Parts of the drive, each with its own usual rate: rates fall from the outside in.
const PARTS: usize = 32;
/// Rates are counted in steps of a sixth of a doubling, from 2^12 bytes a second on.
const STEPS: usize = 128;
/// Below it nothing is judged: reads in the part.
const FEWEST: u32 = 32;
/// Shorter reads are not judged, in bytes: what a request costs would count as slowness.
const SHORTEST: u64 = 128 << 10;
/// Slow is what has less than this share of the usual rate. A drive that reads a track twice has half of it.
const SLOW: f64 = 0.6;

/// Learns usual rates, and judges by them. 16 KiB of memory.
pub(in crate::drive::heads) struct Slowness {
    part_bytes: u64,
    counts: Vec<[u32; STEPS]>,
    /// Where the last read ended: behind it no seek is part of the time.
    end: u64,
}

impl Slowness {
    pub(in crate::drive::heads) fn new(drive_bytes: u64) -> Slowness {
        Slowness {
            part_bytes: drive_bytes.div_ceil(PARTS as u64).max(1),
            counts: vec![[0; STEPS]; PARTS],
            end: u64::MAX,
        }
    }

    /// Whether a successful read was slow; `None` when that cannot be told.
    pub(in crate::drive::heads) fn was_slow(&mut self, extent: Extent, took: Duration) -> Option<bool> {
        let follows = std::mem::replace(&mut self.end, extent.end()) == extent.start.0;
        if !follows || extent.bytes < SHORTEST || took.is_zero() {
            return None;
        }
        let step =
            (to_f64(extent.bytes) / took.as_secs_f64()).log2().mul_add(6.0, -72.0).clamp(0.0, to_f64(STEPS as u64 - 1));
        let counts = &mut self.counts
            [usize::try_from(extent.start.0 / self.part_bytes).map_or(PARTS - 1, |part| part.min(PARTS - 1))];
        let usual = usual(counts);
        counts[super::index(step)] += 1;
        Some(step < usual? + 6.0 * SLOW.log2())
    }

    /// After a failed read the head stands somewhere.
    pub(in crate::drive::heads) fn interrupt(&mut self) {
        self.end = u64::MAX;
    }
}

/// The step that a quarter of the reads reach: with two heads of which one is weak, half of them are slow.
fn usual(counts: &[u32; STEPS]) -> Option<f64> {
    let all: u32 = counts.iter().sum();
    let mut above = 0;
    let step = (0..STEPS).rev().find(|step| {
        above += counts[*step];
        above * 4 >= all
    });
    step.filter(|_| all >= FEWEST).map(|step| to_f64(step as u64))
}
