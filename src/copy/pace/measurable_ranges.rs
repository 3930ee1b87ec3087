//! Where measuring may read: what the plan wants, the case does not hold, and nothing is known to be wrong with.

use crate::base::extent::{Extent, ExtentSet};
use crate::plan::{NEIGHBOURHOOD, Plan};
use crate::source::CopyStore;
use std::collections::BTreeMap;

/// Into how many slots the drive is divided, so that every part of it keeps some places.
const SLOTS: u64 = 1024;

/// How many places a slot keeps, the longest. 65,536 in all take 2 MB, whatever the plan's length.
const KEPT: usize = 64;

/// The places, each of which is taken at most once.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct MeasurableRanges {
    /// First byte to end.
    free: BTreeMap<u64, u64>,
}

impl MeasurableRanges {
    /// Those of a plan.
    pub fn of_plan(plan: &Plan, drive_bytes: u64, store: &dyn CopyStore) -> MeasurableRanges {
        let mut slots = Slots { bytes: drive_bytes.div_ceil(SLOTS).max(1), kept: BTreeMap::new() };
        plan.ascending().for_each(|extent| slots.add(extent));
        let drive = Extent::between(0, drive_bytes);
        let bad = store.skipped(drive).into_iter().chain(store.unreadable(drive));
        let shunned: ExtentSet = bad.map(around).collect();
        let mut places = MeasurableRanges::default();
        // As a set, what the slots' borders cut is whole again.
        let kept: Vec<Extent> = {
            let mut kept: Vec<Extent> = slots.kept.into_values().flatten().collect();
            kept.sort_unstable();
            kept.into_iter().collect::<ExtentSet>().extents().to_vec()
        };
        for extent in kept {
            let held: ExtentSet = store.held(extent).into_iter().collect();
            for waiting in held.missing_from(extent) {
                for sound in shunned.missing_from(waiting) {
                    places.free.insert(sound.start.0, sound.end());
                }
            }
        }
        places
    }

    /// Whether none is left.
    pub fn is_empty(&self) -> bool {
        self.free.is_empty()
    }

    /// Takes `bytes` in one piece (at a multiple of `unit` from where the piece begins) as near to `target` as there is one.
    pub fn take(&mut self, target: u64, bytes: u64, unit: u64) -> Option<Extent> {
        let nearest = |(&start, &end): (&u64, &u64)| {
            let last = start + (end.checked_sub(start)?.checked_sub(bytes)?) / unit * unit;
            let at = start + target.clamp(start, last).saturating_sub(start) / unit * unit;
            Some((at.abs_diff(target), start, end, at))
        };
        let (_, start, end, at) = self.free.iter().filter_map(nearest).min()?;
        self.free.remove(&start);
        if start < at {
            self.free.insert(start, at);
        }
        if at + bytes < end {
            self.free.insert(at + bytes, end);
        }
        Some(Extent::between(at, at + bytes))
    }

    /// Lets go of all that is near a place that failed.
    pub fn shun(&mut self, failed: Extent) {
        let near: ExtentSet = [around(failed)].into_iter().collect();
        let left = self.free.iter().flat_map(|(start, end)| near.missing_from(Extent::between(*start, *end)));
        self.free = left.map(|extent| (extent.start.0, extent.end())).collect();
    }
}

fn around(place: Extent) -> Extent {
    Extent::between(place.start.0.saturating_sub(NEIGHBOURHOOD), place.end().saturating_add(NEIGHBOURHOOD))
}

struct Slots {
    bytes: u64,
    kept: BTreeMap<u64, Vec<Extent>>,
}

impl Slots {
    fn add(&mut self, extent: Extent) {
        // An extent that crosses slots counts for each.
        let mut at = extent.start.0;
        while at < extent.end() {
            let slot = at / self.bytes;
            let end = extent.end().min((slot + 1) * self.bytes);
            let kept = self.kept.entry(slot).or_default();
            let part = Extent::between(at, end);
            if kept.len() < KEPT {
                kept.push(part);
            } else if let Some(shortest) = kept.iter_mut().min_by_key(|kept| kept.bytes)
                && shortest.bytes < part.bytes
            {
                *shortest = part;
            }
            at = end;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(free: &[(u64, u64)]) -> MeasurableRanges {
        MeasurableRanges { free: free.iter().copied().collect() }
    }

    // Source: counted by hand.
    #[test]
    fn a_piece_is_taken_once_and_as_near_as_can_be() {
        let mut left = places(&[(0, 4096), (10_000, 30_480), (100_000, 100_512)]);
        let mut take = |target, bytes| left.take(target, bytes, 512).map(|extent| (extent.start.0, extent.bytes));
        // 7 x 512 behind 10,000 is the last multiple before 14,000.
        assert_eq!(take(14_000, 4096), Some((13_584, 4096)));
        assert_eq!(take(14_000, 4096), Some((17_680, 4096)));
        assert_eq!(take(u64::MAX, 512), Some((100_000, 512)));
        assert_eq!(take(u64::MAX, 512), Some((29_968, 512)));
        assert_eq!(take(0, 4096), Some((0, 4096)));
        assert_eq!(take(0, 9000), None);
        assert_eq!(take(0, 3584), Some((10_000, 3584)));
        assert_eq!(left, places(&[(21_776, 29_968)]));
    }

    // Source: 10 MiB counted by hand.
    #[test]
    fn what_is_near_a_failure_is_let_go() {
        const MIB: u64 = 1 << 20;
        let mut left = places(&[(0, 100 * MIB), (200 * MIB, 300 * MIB)]);
        left.shun(Extent::between(50 * MIB, 51 * MIB));
        assert_eq!(left, places(&[(0, 40 * MIB), (61 * MIB, 100 * MIB), (200 * MIB, 300 * MIB)]));
        left.shun(Extent::between(0, 400 * MIB));
        assert!(left.is_empty());
    }
}
