//! The skipped ranges: what failed, what was skipped near it, and what lies between.
//!
//! A [`SkippedRange`] is a range of the drive, not of the plan: what one class has learned there holds for all. Beside a range lies
//! either another one, or ground of which nothing bad is known.

use crate::base::extent::Extent;
use crate::copy::reading::plan_walk::WINDOW;
use crate::source::{CopyStore, Failure, Skip};
use crate::survey::allocation::Class;
use std::collections::BTreeMap;

/// At most so many ranges, in 32 MiB of memory: what is skipped beyond them belongs to the range before it.
const MOST: usize = 1 << 18;

/// What an earlier run has skipped is one range up to this distance, when nothing between was read.
const JOIN: u64 = 64 << 20;

/// What is known of a range.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::copy::reading) enum RangeState {
    /// Nothing was tried in it.
    Untried,
    /// It failed as one request: a sector in it is bad, or several.
    Failed,
    /// Each of its sectors has failed alone so many times.
    Alone { tries: u16 },
}

/// A range that is to be retried. It begins where the map has it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::copy::reading) struct SkippedRange {
    pub(in crate::copy::reading) end: u64,
    pub(in crate::copy::reading) state: RangeState,
    /// Steps that brought bytes in what it was a part of, and those since then that failed at their first request.
    pub(in crate::copy::reading) good: u16,
    pub(in crate::copy::reading) bad: u16,
    /// What lies before it was slow.
    pub(in crate::copy::reading) slow_before: bool,
    /// What lies behind it was slow.
    pub(in crate::copy::reading) slow_behind: bool,
    /// Seconds a byte there; 0 where it is not slow.
    pub(in crate::copy::reading) pace: f64,
    /// It may have stopped the drive.
    pub(in crate::copy::reading) suspect: bool,
    /// How it failed last.
    pub(in crate::copy::reading) failure: Failure,
    /// Its first class, its planned bytes, and their worth: of the classes that are read by now.
    pub(in crate::copy::reading) class: Class,
    pub(in crate::copy::reading) bytes: u64,
    pub(in crate::copy::reading) worth: f64,
}

impl SkippedRange {
    pub(in crate::copy::reading) fn new(end: u64, state: RangeState) -> SkippedRange {
        SkippedRange {
            end,
            state,
            good: 0,
            bad: 0,
            slow_before: false,
            slow_behind: false,
            pace: 0.0,
            suspect: false,
            failure: Failure::default(),
            class: Class::Outside,
            bytes: 0,
            worth: 0.0,
        }
    }

    /// What is left of it after a step, which brought bytes or failed at its first request.
    pub(in crate::copy::reading) fn after_step(self, good: bool) -> SkippedRange {
        let (good, bad) = if good { (self.good.saturating_add(1), 0) } else { (self.good, self.bad.saturating_add(1)) };
        SkippedRange { state: RangeState::Untried, good, bad, ..self }
    }

    /// What is left of it, and from where, when the request that ended a step from its start, or backward from its end, was slow
    /// or failed.
    pub(in crate::copy::reading) fn rest(
        self,
        start: u64,
        asked: Extent,
        backward: bool,
        is_slow: bool,
    ) -> (u64, SkippedRange) {
        match backward {
            true => (start, SkippedRange { end: asked.start.0, slow_behind: is_slow, ..self }),
            false => (asked.end(), SkippedRange { slow_before: is_slow, ..self }),
        }
    }

    /// The middle of it, when it begins at `start`.
    pub(in crate::copy::reading) fn middle(&self, start: u64) -> u64 {
        start + (self.end - start) / 2
    }
}

/// All of them, by their first byte. No two overlap.
#[derive(Default)]
pub(in crate::copy::reading) struct SkippedRanges {
    places: BTreeMap<u64, SkippedRange>,
}

impl SkippedRanges {
    /// What earlier runs have left on a drive.
    pub(in crate::copy::reading) fn of_store(drive_bytes: u64, unit: u64, store: &dyn CopyStore) -> SkippedRanges {
        let mut places = SkippedRanges::default();
        for window in Extent::between(0, drive_bytes).pieces(WINDOW.max(drive_bytes >> 20)) {
            let mut left: Vec<(Extent, Option<Skip>)> =
                store.skips(window).into_iter().map(|(place, why)| (place, Some(why))).collect();
            left.extend(store.unreadable(window).into_iter().map(|place| (place, None)));
            left.sort_unstable_by_key(|(place, _)| *place);
            for (extent, why) in left {
                places.left_by_store(extent, why, unit, store);
            }
        }
        places
    }

    fn left_by_store(&mut self, extent: Extent, why: Option<Skip>, unit: u64, store: &dyn CopyStore) {
        let state = match why {
            None => RangeState::Alone { tries: u16::MAX },
            // Perhaps it failed together with others.
            Some(Skip::Failed) if extent.bytes <= unit => RangeState::Alone { tries: 0 },
            Some(Skip::Failed | Skip::Again) => RangeState::Failed,
            Some(Skip::NotRecorded | Skip::Near | Skip::Suspect) => RangeState::Untried,
        };
        let suspect = why == Some(Skip::Suspect);
        let last = self.places.last_entry().filter(|last| last.get().state == state && state == RangeState::Untried);
        if let Some(mut last) = last.filter(|last| last.get().suspect == suspect && !suspect) {
            let between = Extent::between(last.get().end, extent.start.0.max(last.get().end));
            if between.bytes <= JOIN && store.held(between).is_empty() {
                last.get_mut().end = extent.end();
                return;
            }
        }
        self.insert(extent.start.0, SkippedRange { suspect, ..SkippedRange::new(extent.end(), state) });
    }

    pub(in crate::copy::reading) fn get(&self, start: u64) -> Option<&SkippedRange> {
        self.places.get(&start)
    }

    pub(in crate::copy::reading) fn remove(&mut self, start: u64) -> Option<SkippedRange> {
        self.places.remove(&start)
    }

    pub(in crate::copy::reading) fn iter(&self) -> impl Iterator<Item = (u64, &SkippedRange)> {
        self.places.iter().map(|(start, place)| (*start, place))
    }

    pub(in crate::copy::reading) fn iter_mut(&mut self) -> impl Iterator<Item = (u64, &mut SkippedRange)> {
        self.places.iter_mut().map(|(start, place)| (*start, place))
    }

    /// The first range that ends behind `at`.
    pub(in crate::copy::reading) fn next(&self, at: u64) -> Option<(u64, &SkippedRange)> {
        let before = self.places.range(..=at).next_back().filter(|(_, place)| place.end > at);
        let found = before.or_else(|| self.places.range(at..).next());
        found.map(|(start, place)| (*start, place))
    }

    /// Whether a range begins or ends within `distance` of `extent`, or lies in it.
    pub(in crate::copy::reading) fn is_near(&self, extent: Extent, distance: u64) -> bool {
        let next = self.next(extent.start.0.saturating_sub(distance));
        next.is_some_and(|(start, _)| start < extent.end().saturating_add(distance))
    }

    /// Whether something that failed ends right before `start`, and whether something does that begins right at `end`.
    pub(in crate::copy::reading) fn neighbours(&self, start: u64, end: u64) -> (bool, bool) {
        let has_failed = |place: &SkippedRange| place.state != RangeState::Untried;
        let before = self.places.range(..start).next_back();
        let before = before.is_some_and(|(_, place)| place.end == start && has_failed(place));
        (before, self.places.get(&end).is_some_and(has_failed))
    }

    /// Makes two of the range that begins at `start`.
    pub(in crate::copy::reading) fn cut(&mut self, start: u64, at: u64) {
        if self.places.len() >= MOST {
            return;
        }
        if let Some(place) = self.places.get_mut(&start) {
            let behind = SkippedRange { slow_before: false, ..*place };
            (place.end, place.slow_behind) = (at, false);
            self.places.insert(at, behind);
        }
    }

    /// How often the sectors at `at` have failed alone, and up to where that is so.
    pub(in crate::copy::reading) fn tries(&self, at: u64) -> (u16, u64) {
        let mut next = self.next(at);
        while let Some((start, place)) = next {
            match place.state {
                RangeState::Alone { tries } if start <= at => return (tries, place.end),
                RangeState::Alone { .. } => return (0, start),
                _ => next = self.next(place.end),
            }
        }
        (0, u64::MAX)
    }

    /// Makes of a range what `place` says, whatever was known there.
    pub(in crate::copy::reading) fn set(&mut self, extent: Extent, place: SkippedRange) {
        while let Some((start, old)) = self.next(extent.start.0).map(|(start, old)| (start, *old)) {
            if start >= extent.end() {
                break;
            }
            self.places.remove(&start);
            if start < extent.start.0 {
                self.places.insert(start, SkippedRange { end: extent.start.0, ..old });
            }
            if old.end > extent.end() {
                self.places.insert(extent.end(), old);
            }
        }
        self.insert(extent.start.0, place);
    }

    /// Enters a range. What of it lies in others stays theirs; sectors that failed alone join their like. Gives where what
    /// was entered begins.
    pub(in crate::copy::reading) fn insert(&mut self, start: u64, place: SkippedRange) -> Vec<u64> {
        let mut entered = Vec::new();
        let mut at = start;
        while at < place.end {
            let next = self.next(at).map(|(start, next)| (start, next.end));
            let until = next.map_or(place.end, |(start, _)| start.max(at).min(place.end));
            if at < until {
                self.enter(at, SkippedRange { end: until, ..place }, &mut entered);
            }
            at = next.map_or(place.end, |(_, end)| end);
        }
        entered
    }

    fn enter(&mut self, start: u64, place: SkippedRange, entered: &mut Vec<u64>) {
        let is_full = self.places.len() >= MOST;
        if let Some((_, before)) = self.places.range_mut(..start).next_back() {
            let is_alone = matches!(place.state, RangeState::Alone { .. });
            if before.end == start && is_alone && before.state == place.state {
                before.end = place.end;
                before.bytes += place.bytes;
                before.worth += place.worth;
                return;
            }
            if is_full && !matches!(before.state, RangeState::Alone { .. }) && !is_alone {
                before.end = place.end;
                return;
            }
        }
        if !is_full {
            self.places.insert(start, place);
            entered.push(start);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spans(places: &SkippedRanges) -> Vec<(u64, u64)> {
        places.iter().map(|(start, place)| (start, place.end)).collect()
    }

    #[test]
    fn what_is_left_lies_on_the_far_side_of_the_request_that_ended_a_step() {
        let asked = Extent::between(120, 130);
        for was_slow in [true, false] {
            let place = SkippedRange {
                slow_before: was_slow,
                slow_behind: was_slow,
                ..SkippedRange::new(200, RangeState::Failed)
            };
            assert_eq!(place.middle(100), 150);
            for is_slow in [true, false] {
                let (start, front) = place.rest(100, asked, false, is_slow);
                assert_eq!((start, front.end), (130, 200));
                assert_eq!((front.slow_before, front.slow_behind), (is_slow, was_slow));
                let (start, back) = place.rest(100, asked, true, is_slow);
                assert_eq!((start, back.end), (100, 120));
                assert_eq!((back.slow_before, back.slow_behind), (was_slow, is_slow));
            }
        }
    }

    #[test]
    fn what_lies_in_others_stays_theirs() {
        let mut places = SkippedRanges::default();
        assert_eq!(places.insert(100, SkippedRange::new(200, RangeState::Failed)), [100]);
        assert_eq!(places.insert(150, SkippedRange::new(180, RangeState::Untried)), [0; 0]);
        assert_eq!(places.insert(300, SkippedRange::new(310, RangeState::Failed)), [300]);
        assert_eq!(places.insert(50, SkippedRange::new(400, RangeState::Untried)), [50, 200, 310]);
        assert_eq!(spans(&places), [(50, 100), (100, 200), (200, 300), (300, 310), (310, 400)]);
        assert_eq!(places.neighbours(200, 300), (true, true));
        assert_eq!(places.neighbours(50, 100), (false, true));
        assert_eq!(places.neighbours(100, 200), (false, false), "nothing was tried there");
        places.cut(310, 350);
        assert_eq!(spans(&places)[4..], [(310, 350), (350, 400)]);
        assert_eq!(places.next(399).map(|(start, _)| start), Some(350));
        assert!(places.next(400).is_none());
        assert!(places.is_near(Extent::between(405, 410), 6) && !places.is_near(Extent::between(405, 410), 5));
    }

    #[test]
    fn sectors_that_failed_alone_as_often_are_one_place() {
        let mut places = SkippedRanges::default();
        for (at, tries) in [(0, 1), (1, 1), (2, 2), (3, 2), (5, 2)] {
            places.insert(at * 512, SkippedRange::new((at + 1) * 512, RangeState::Alone { tries }));
        }
        assert_eq!(spans(&places), [(0, 1024), (1024, 2048), (2560, 3072)]);
        assert_eq!(places.tries(512), (1, 1024));
        assert_eq!(places.tries(2048), (0, 2560));
        assert_eq!(places.tries(4096), (0, u64::MAX));
    }

    /// When there are as many as can be kept, what is skipped belongs to the range before it, and no tries are made up.
    #[test]
    fn beyond_the_most_what_is_skipped_belongs_to_the_range_before() {
        let mut places = SkippedRanges::default();
        let most = u64::try_from(MOST).unwrap();
        for number in 0..most {
            let state = if number == 5 { RangeState::Alone { tries: 1 } } else { RangeState::Failed };
            assert_eq!(places.insert(number * 20, SkippedRange::new(number * 20 + 10, state)), [number * 20]);
        }
        let alone = RangeState::Alone { tries: 1 };
        for (start, state) in [(93, RangeState::Untried), (113, RangeState::Failed), (133, alone)] {
            assert_eq!(places.insert(start, SkippedRange::new(start + 4, state)), [0; 0]);
        }
        assert_eq!(spans(&places)[4..7], [(80, 97), (100, 110), (120, 130)]);
        // Neighbours that are alike are one all the same.
        places.insert(110, SkippedRange::new(112, alone));
        assert_eq!(spans(&places)[5], (100, 112));
        places.cut(80, 90);
        assert_eq!((spans(&places)[4], spans(&places).len()), ((80, 97), MOST));
    }

    /// What an earlier run skipped, and what it holds.
    #[derive(Default)]
    struct Left {
        skips: Vec<(Extent, Skip)>,
        held: Vec<Extent>,
    }

    impl CopyStore for Left {
        fn held(&self, extent: Extent) -> Vec<Extent> {
            self.held.iter().filter_map(|held| held.intersection(&extent)).collect()
        }
        fn skipped(&self, _: Extent) -> Vec<Extent> {
            unreachable!("skips are read with their reasons")
        }
        fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
            self.skips.iter().filter_map(|(place, why)| Some((place.intersection(&extent)?, *why))).collect()
        }
        fn unreadable(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }
        fn load(&self, _: Extent, _: &mut [u8]) -> std::io::Result<()> {
            unreachable!("nothing is loaded")
        }
        fn keep(&self, _: Extent, _: &[u8]) -> std::io::Result<()> {
            unreachable!("nothing is read")
        }
        fn mark(&self, _: crate::source::RangeMark) -> std::io::Result<()> {
            unreachable!("nothing is read")
        }
        fn commit(&self) -> std::io::Result<()> {
            unreachable!("nothing is read")
        }
    }

    #[test]
    fn of_an_earlier_run_what_nothing_was_tried_in_is_one_range_unless_something_was_read_between() {
        const MIB: u64 = 1 << 20;
        let at = |from: u64, to: u64| Extent::between(from * MIB, to * MIB);
        let left = |second: Extent, why: [Skip; 2], held: &[Extent]| {
            let store = Left { skips: vec![(at(10, 11), why[0]), (second, why[1])], held: held.to_vec() };
            let places = SkippedRanges::of_store(1 << 30, 512, &store);
            spans(&places).into_iter().map(|(start, end)| (start / MIB, end / MIB)).collect::<Vec<_>>()
        };
        let near = [Skip::Near; 2];
        assert_eq!(left(at(20, 21), near, &[]), [(10, 21)]);
        assert_eq!(left(at(20, 21), near, &[at(15, 16)]), [(10, 11), (20, 21)]);
        assert_eq!(left(at(75, 76), near, &[]), [(10, 76)], "64 MiB apart");
        assert_eq!(left(at(76, 77), near, &[]), [(10, 11), (76, 77)]);
        for other in [[Skip::Failed; 2], [Skip::Suspect; 2], [Skip::Failed, Skip::Near], [Skip::Near, Skip::Suspect]] {
            assert_eq!(left(at(20, 21), other, &[]), [(10, 11), (20, 21)], "{other:?}");
        }
    }
}
