//! Picking up on the way: what a later pass wants and lies next to what is being read.
//!
//! All in bytes, a move over more than the break-even gap counting as that gap. An extent may be drawn out at either end,
//! over at most the break-even gap, up to the end of a run that a later pass would read. Drawing it out over `L` bytes
//! delays this pass by `L`. The later pass is spared the run's own bytes and what it loses in seeks: the moves to the
//! run and from it, less the one from the run before it to the one behind. It is done where what is spared in all, less `L`,
//! is not below `L`: no pass is delayed by more than the whole plan gains.

use super::sweep::{Bits, Choice, Sweeps, is_known_bad};
use crate::base::extent::Extent;
use crate::survey::allocation::{Class, ClassRun};

/// What an extent is drawn out by: the bytes, and how many runs they are.
pub(in crate::plan) struct Picked {
    pub(in crate::plan) bytes: u64,
    pub(in crate::plan) runs: usize,
}

impl Sweeps<'_> {
    /// What to draw out by over `runs`, which lie one behind the other away from the extent, each with its index.
    pub(in crate::plan) fn pick_up<'r>(
        &self,
        own: (Class, u16),
        runs: impl Iterator<Item = (usize, &'r ClassRun)>,
        choice: &Choice,
        read: &Bits,
    ) -> Option<Picked> {
        let limit = choice.gap_bytes;
        if !choice.pick_up || own.0 <= Class::Structure || is_known_bad(own.0, own.1) {
            return None;
        }
        let (mut bytes, mut spared, mut count) = (0_u64, 0_i128, 0);
        let mut best = None;
        for (index, run) in runs {
            let near_failed = self.is_avoided(run.extent);
            bytes = bytes.saturating_add(run.extent.bytes);
            if read.has(index) || is_known_bad(run.class, run.lane) || near_failed || bytes > limit {
                break;
            }
            count += 1;
            if choice.takes(run) && (run.class, run.lane) > own {
                spared += i128::from(run.extent.bytes) + self.repositions_spared(index, limit);
                if spared >= 2 * i128::from(bytes) {
                    best = Some(Picked { bytes, runs: count });
                }
            }
        }
        best
    }

    /// What a run's own pass is spared by not going there, transfer left out. Its neighbours there are taken as still to be
    /// read, and at the ends nothing is counted for the missing one. Below 0 where the run joins its neighbours: without it
    /// there is a gap to get over.
    fn repositions_spared(&self, index: usize, limit: u64) -> i128 {
        let run = &self.runs[index];
        let lane = self.lanes.binary_search_by_key(&(run.class, run.lane), |(class, lane, _)| (*class, *lane));
        let Ok(lane) = lane else { return 0 };
        let order = &self.order[self.lanes[lane].2.clone()];
        let place = order.partition_point(|other| (*other as usize) < index);
        let extent = |place: Option<usize>| Some(self.runs[*order.get(place?)? as usize].extent);
        let before = extent(place.checked_sub(1)).map(|e| Extent::between(e.end(), run.extent.start.0).bytes);
        let behind = extent(place.checked_add(1)).map(|e| Extent::between(run.extent.end(), e.start.0).bytes);
        match (before, behind) {
            (Some(before), Some(behind)) => {
                let without = before.saturating_add(run.extent.bytes).saturating_add(behind);
                let moves = |bytes: u64| i128::from(bytes.min(limit));
                moves(before) + moves(behind) - moves(without)
            }
            (Some(one), None) | (None, Some(one)) => i128::from(one.min(limit)),
            (None, None) => i128::from(limit),
        }
    }
}
