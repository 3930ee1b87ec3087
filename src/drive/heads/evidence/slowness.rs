//! Which reads are slower than their neighbourhood: evidence of a weak head, which reads a track twice, and no trouble by itself. A
//! read so slow that its place is better left takes several times as long, and is judged while copying.
//!
//! A slow read alone tells nothing: the drive or the computer had other work. How often that happens is learned from the reads right
//! behind one at full speed; slow reads in a row are evidence when chance makes such a row rarely.

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
/// A row of slow reads is evidence when chance makes it less often than this (a choice, no source).
const RARE: f64 = 0.01;
/// So often a read is slow by chance before anything is seen; that weighs as much as so many reads (a choice, no source).
const BY_CHANCE: f64 = 0.05;
const BY_CHANCE_WEIGHT: f64 = 20.0;
/// Nor more often than this, so that a long row is always evidence (a choice, no source).
const MOST_BY_CHANCE: f64 = 0.9;

/// Learns usual rates, and judges by them. 16 KiB of memory.
pub(in crate::drive::heads) struct Slowness {
    part_bytes: u64,
    counts: Vec<[u32; STEPS]>,
    /// Where the last read ended: behind it no seek is part of the time.
    end: u64,
    /// Slow reads since the last one at full speed.
    row: u32,
    /// Reads right behind one at full speed, and how many of them were slow.
    behind_fast: u32,
    slow_behind_fast: u32,
}

impl Slowness {
    pub(in crate::drive::heads) fn new(drive_bytes: u64) -> Slowness {
        Slowness {
            part_bytes: drive_bytes.div_ceil(PARTS as u64).max(1),
            counts: vec![[0; STEPS]; PARTS],
            end: u64::MAX,
            row: 0,
            behind_fast: 0,
            slow_behind_fast: 0,
        }
    }

    /// Whether a successful read was slow; `None` when that cannot be told, and of a slow one that may be so by chance.
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
        let is_slow = step < usual? + 6.0 * SLOW.log2();
        if self.row == 0 {
            self.behind_fast += 1;
            self.slow_behind_fast += u32::from(is_slow);
        }
        self.row = if is_slow { self.row.saturating_add(1) } else { 0 };
        (!is_slow || f64::from(self.row) * self.by_chance().ln() < RARE.ln()).then_some(is_slow)
    }

    /// How often a read is slow by chance.
    fn by_chance(&self) -> f64 {
        let slow = BY_CHANCE.mul_add(BY_CHANCE_WEIGHT, f64::from(self.slow_behind_fast));
        (slow / (BY_CHANCE_WEIGHT + f64::from(self.behind_fast))).min(MOST_BY_CHANCE)
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

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    /// Reads of a mebibyte one behind the other, each of so many milliseconds; what each told.
    fn judged(times: impl IntoIterator<Item = u64>) -> Vec<Option<bool>> {
        let mut slowness = Slowness::new(1 << 40);
        let reads = (0..).zip(times);
        reads
            .map(|(number, time)| {
                slowness.was_slow(Extent::between(number * MIB, (number + 1) * MIB), Duration::from_millis(time))
            })
            .collect()
    }

    #[test]
    fn a_slow_read_alone_tells_nothing_and_a_row_of_them_does() {
        let usual = || std::iter::repeat_n(10, 40);
        let told = judged(usual().chain([30]).chain(usual()).chain([30; 8]));
        assert_eq!(told[39], Some(false));
        assert_eq!(told[40], None);
        assert_eq!(told[41], Some(false));
        assert!(told[..81].iter().all(|told| *told != Some(true)));
        assert!(told[85..].iter().all(|told| *told == Some(true)), "{:?}", &told[81..]);
    }

    /// Where every third read is slow by chance a row of three tells nothing: chance makes one often.
    #[test]
    fn what_is_often_slow_by_chance_takes_a_longer_row() {
        let uneven = || (0..300).map(|number| if number % 3 == 0 { 30 } else { 10 });
        let told = judged(uneven().chain([10, 30, 30, 30, 10]).chain([30; 16]));
        assert!(told[..305].iter().all(|told| *told != Some(true)));
        assert!(told[312..].iter().all(|told| *told == Some(true)), "{:?}", &told[300..]);
    }
}
