//! What first reading, retries and the last sectors have in common: the plan, the skipped ranges, and what was learned.

use super::worth::worth;
use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::learned::Learned;
use crate::copy::reading::observed::skipped_ranges::{RangeState, SkippedRange, SkippedRanges};
use crate::copy::reading::plan_walk::{WINDOW, unread, waiting};
use crate::copy::reading::requests::reading_side::{Answer, ReadingSide};
use crate::drive::heads::{HeadFinder, Observed};
use crate::plan::Plan;
use crate::source::{Failure, Skip};
use crate::survey::allocation::Class;

/// From this chance on a range probably lies under a bad head.
const LIKELY: f64 = 0.5;

/// What lies so far within a band on both sides tells whether its head reads at all. Nearer to an edge, which is not known
/// for sure, it may be another one's.
const WELL_WITHIN: u64 = 2 << 20;

/// How a request went.
pub(super) enum Outcome {
    /// The bytes are on their way into the store; `slow` in seconds a byte when it was.
    Arrived { slow: Option<f64> },
    /// They could not be read.
    Failed { failure: Failure, named: Option<u64> },
}

/// A copy that is under way.
pub(super) struct Engine<'e, 'r> {
    pub(super) plan: &'e Plan,
    pub(super) reading: &'e mut ReadingSide<'r>,
    pub(super) skipped: SkippedRanges,
    pub(super) learned: Learned,
    /// Whether what fails or is slow lies under one head.
    heads: HeadFinder,
    /// The last class that is read by now.
    pub(super) last: Class,
}

impl<'e, 'r> Engine<'e, 'r> {
    pub(super) fn new(plan: &'e Plan, reading: &'e mut ReadingSide<'r>) -> Engine<'e, 'r> {
        let skipped = SkippedRanges::of_store(plan.header.source.bytes, reading.unit(), reading.store());
        let learned = Learned::new(reading.unit(), reading.options().request_bytes);
        let heads = HeadFinder::of_store(plan.header.source.bytes, reading.store());
        Engine { plan, reading, skipped, learned, heads, last: Class::Tables }
    }

    /// Enters what an earlier run has skipped of the classes that come now: a range is done with when nothing is left in it
    /// of the classes that were read by then.
    pub(super) fn enter_earlier_skips(&mut self) -> Result<(), EarlyEnd> {
        self.reading.settle()?;
        let left = SkippedRanges::of_store(self.plan.header.source.bytes, self.reading.unit(), self.reading.store());
        for (start, place) in left.iter() {
            self.skipped.insert(start, *place);
        }
        Ok(())
    }

    /// One request, and what it tells. `pace` in seconds a byte is usual there.
    pub(super) fn ask(&mut self, extent: Extent, was_skipped: bool, pace: f64) -> Result<Outcome, EarlyEnd> {
        let tells_of_bad_head = self.is_well_within_band(extent);
        let began = self.reading.working_time();
        let answer = self.reading.attempt(extent, was_skipped)?;
        let worked = self.reading.working_time().saturating_sub(began);
        if tells_of_bad_head {
            self.learned.bad_head_success.saw(matches!(answer, Answer::Arrived { .. }));
        }
        Ok(match answer {
            Answer::Arrived { took, slow } => {
                self.heads.observe(&Observed { extent, failed: false, slow, took });
                let learned = self.learned.arrived(extent, took, pace);
                #[allow(clippy::cast_precision_loss, reason = "a pace needs no 53 bits")]
                let own = took.as_secs_f64() / extent.bytes as f64;
                let slow = learned.or(slow.then_some(own));
                if slow.is_some() {
                    self.reading.count_slow();
                } else if !was_skipped {
                    self.reading.read_easily(extent, worked);
                }
                Outcome::Arrived { slow }
            }
            Answer::Failed { took, failure, named } => {
                self.learned.failed(extent, took);
                self.heads.observe(&Observed { extent, failed: true, slow: false, took });
                if let Some(most) = self.reading.options().command_bytes {
                    self.learned.limit_requests(most);
                }
                Outcome::Failed { failure, named }
            }
        })
    }

    /// Enters a request that has failed as a range, or as three when the log names the bad sector. Gives where they begin.
    pub(super) fn enter_failed(
        &mut self,
        extent: Extent,
        failure: Failure,
        named: Option<u64>,
        suspect: bool,
    ) -> Vec<u64> {
        let unit = self.reading.unit();
        let place = |end: u64, state: RangeState| SkippedRange { failure, suspect, ..SkippedRange::new(end, state) };
        let is_single = extent.start.0 / unit == (extent.end() - 1) / unit;
        let alone = |tries: u16| RangeState::Alone { tries };
        let parts = match named.map(|place| Extent::between(place / unit * unit, (place / unit + 1) * unit)) {
            _ if is_single => vec![(extent.start.0, place(extent.end(), alone(1)))],
            None => vec![(extent.start.0, place(extent.end(), RangeState::Failed))],
            Some(sector) => {
                let (from, to) = (sector.start.0.max(extent.start.0), sector.end().min(extent.end()));
                // The log's word is one try, where another follows.
                let tries = u16::from(self.reading.options().retries > 0);
                vec![
                    (extent.start.0, place(from, RangeState::Untried)),
                    (from, place(to, alone(tries))),
                    (to, place(extent.end(), RangeState::Untried)),
                ]
            }
        };
        let mut entered = Vec::new();
        for (start, place) in parts.into_iter().filter(|(start, place)| *start < place.end) {
            let valued = self.valued(start, place);
            entered.extend(self.skipped.insert(start, valued));
        }
        entered
    }

    /// The planned parts of a range, ascending, of the classes that are read by now.
    fn planned(&self, range: Extent) -> Vec<(Extent, Class)> {
        let mut parts = Vec::new();
        for pass in self.plan.passes.iter().filter(|pass| pass.header.class <= self.last) {
            let extents = pass.extents();
            let from = extents.partition_point(|extent| extent.end() <= range.start.0);
            let inside = extents[from..].iter().map_while(|extent| extent.intersection(&range));
            parts.extend(inside.map(|part| (part, pass.header.class)));
        }
        parts.sort_unstable_by_key(|(part, _)| *part);
        parts
    }

    /// What of the planned parts of a range is neither copied nor unreadable; parts that touch are one.
    pub(super) fn unread(&self, range: Extent) -> Vec<Extent> {
        let store = self.reading.store();
        let mut joined: Vec<Extent> = Vec::new();
        let parts = self.planned(range).into_iter().flat_map(|(part, _)| part.pieces(WINDOW));
        for part in parts.flat_map(|part| unread(store, part)) {
            match joined.last_mut() {
                Some(last) if last.end() == part.start.0 => *last = Extent::between(last.start.0, part.end()),
                _ => joined.push(part),
            }
        }
        joined
    }

    /// What of a range is to be read. What first reading has not come to yet counts as skipped from now on.
    pub(super) fn skipped_parts(&mut self, range: Extent) -> Result<Vec<Extent>, EarlyEnd> {
        let parts = self.unread(range);
        for part in parts.iter().flat_map(|part| part.pieces(WINDOW)) {
            for new in waiting(self.reading.store(), part) {
                self.reading.skip(new, Skip::Near, Failure::default())?;
            }
        }
        Ok(parts)
    }

    /// The range with the worth that it has by now.
    pub(super) fn valued(&self, start: u64, place: SkippedRange) -> SkippedRange {
        let store = self.reading.store();
        let mut valued = SkippedRange { class: Class::Outside, bytes: 0, worth: 0.0, ..place };
        if place.state == (RangeState::Alone { tries: u16::MAX }) {
            return valued;
        }
        for (part, class) in self.planned(Extent::between(start, place.end)) {
            let bytes: u64 = part.pieces(WINDOW).flat_map(|part| unread(store, part)).map(|part| part.bytes).sum();
            if bytes > 0 {
                valued.class = valued.class.min(class);
                valued.bytes += bytes;
                valued.worth += worth(class, Extent::between(0, bytes));
            }
        }
        valued
    }

    /// What a class is expected to bring until so many of its requests have failed, and in how many seconds: were its extents all
    /// alike, and failed as often as others.
    pub(super) fn expected(&self, class: Class, failures: f64) -> (f64, f64) {
        let passes = self.plan.passes.iter().filter(|pass| pass.header.class == class);
        let (bytes, extents) = passes
            .fold((0, 0), |(bytes, extents), pass| (bytes + pass.header.bytes, extents + pass.header.extent_count));
        let each = Extent::between(0, bytes / extents.max(1));
        let fails = self.learned.fails();
        let read = failures * (1.0 - fails) / fails;
        (
            read * worth(class, each),
            failures * self.learned.failed_seconds + read * self.learned.extent_seconds(each.bytes),
        )
    }

    /// Whether any skipped range is left.
    pub(super) fn has_difficult(&self) -> bool {
        self.skipped.iter().any(|(_, place)| place.state != RangeState::Alone { tries: u16::MAX })
    }

    /// Whether any of it may have stopped the drive.
    pub(super) fn has_suspects(&self) -> bool {
        self.skipped.iter().any(|(_, place)| place.suspect)
    }

    /// The chance that a read at `at` meets a bad head, and up to where that is so.
    pub(super) fn risk(&self, at: u64) -> (f64, u64) {
        self.heads.map().map_or((0.0, u64::MAX), |map| (map.risk(ByteOffset(at)), map.next_change(ByteOffset(at)).0))
    }

    fn is_well_within_band(&self, extent: Extent) -> bool {
        let places = [extent.start.0.saturating_sub(WELL_WITHIN), extent.start.0, extent.end() + WELL_WITHIN];
        self.heads.map().is_some_and(|map| places.into_iter().all(|place| map.risk(ByteOffset(place)) >= LIKELY))
    }

    /// Whether one head is known to be bad, over more than one range of its surface.
    pub(super) fn knows_bad_head(&self) -> bool {
        self.heads.map().is_some_and(|map| map.is_whole_head())
    }

    /// Cuts ranges in which nothing was tried where a bad head's bands probably begin and end.
    pub(super) fn cut_by_heads(&mut self) {
        if self.heads.map().is_none() {
            return;
        }
        let untried =
            |(start, place): (u64, &SkippedRange)| (place.state == RangeState::Untried).then_some((start, *place));
        let untried: Vec<(u64, SkippedRange)> = self.skipped.iter().filter_map(untried).collect();
        for (start, place) in untried {
            let mut from = start;
            let (mut risk, mut at) = self.risk(start);
            while at < place.end {
                let (next, until) = self.risk(at);
                if (next < LIKELY) != (risk < LIKELY) {
                    self.skipped.cut(from, at);
                    from = at;
                }
                (risk, at) = (next, until.max(at + 1));
            }
        }
    }
}
