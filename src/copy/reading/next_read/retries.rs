//! Retries of skipped ranges, one step after the other by worth over cost.

use super::engine::{Engine, Outcome};
use super::worth::{Outlook, Step, is_slow_throughout, outlook};
use crate::base::extent::Extent;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::learned::ChanceKind;
use crate::copy::reading::observed::skipped_ranges::{RangeState, SkippedRange};
use crate::source::Failure;
use std::cmp::Ordering;
use std::collections::BinaryHeap;

/// Steps after which all ranges are valued anew by what was learned meanwhile.
const STEPS: usize = 64;

/// Sectors tried alone in one step.
const AT_ONCE: u64 = 16;

/// Where more than this share of sectors answer that have failed alone, each is tried more often: up to so many times.
const ANSWERING: f64 = 1.0 / 3.0;
const MOST_TRIES: u16 = 16;

/// A range in the queue.
struct Next {
    rate: f64,
    start: u64,
}

impl PartialEq for Next {
    fn eq(&self, other: &Next) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Next {}

impl PartialOrd for Next {
    fn partial_cmp(&self, other: &Next) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Next {
    fn cmp(&self, other: &Next) -> Ordering {
        self.rate.total_cmp(&other.rate).then(other.start.cmp(&self.start))
    }
}

/// The skipped ranges of all classes that are read by now.
pub(super) struct Retries<'d, 'e, 'r> {
    engine: &'d mut Engine<'e, 'r>,
    queue: BinaryHeap<Next>,
    /// Ranges that may have stopped the drive are tried too.
    suspects: bool,
}

impl<'d, 'e, 'r> Retries<'d, 'e, 'r> {
    /// Values the ranges of the classes that are read by now.
    pub(super) fn new(engine: &'d mut Engine<'e, 'r>, suspects: bool) -> Result<Retries<'d, 'e, 'r>, EarlyEnd> {
        // The store says what is read, so it must know all that has arrived.
        engine.reading.settle()?;
        engine.cut_by_heads();
        let places: Vec<(u64, SkippedRange)> = engine.skipped.iter().map(|(start, place)| (start, *place)).collect();
        let valued: Vec<SkippedRange> = places.into_iter().map(|(start, place)| engine.valued(start, place)).collect();
        engine.skipped.iter_mut().zip(valued).for_each(|((_, place), valued)| *place = valued);
        Ok(Retries { engine, queue: BinaryHeap::new(), suspects })
    }

    /// Works until the best range would bring less than `least` a second, or so many requests of the copy have failed. Gives
    /// what the next hour would bring.
    pub(super) fn work(&mut self, least: f64, most_failed: Option<u64>) -> Result<f64, EarlyEnd> {
        loop {
            let next_hour = self.value();
            self.engine.reading.expect_next_hour(next_hour);
            if self.queue.peek().is_none_or(|next| next.rate < least) {
                return Ok(next_hour);
            }
            let mut steps = 0;
            while steps < STEPS {
                let Some(next) = self.queue.pop() else { break };
                let Some(outlook) = self.outlook(next.start) else { continue };
                if outlook.rate() < least {
                    break;
                }
                // Something beside it changed since it came into the queue.
                if outlook.rate() < 0.99 * next.rate {
                    self.queue.push(Next { rate: outlook.rate(), start: next.start });
                    continue;
                }
                if most_failed.is_some_and(|most| self.engine.reading.failed() >= most) {
                    return Ok(next_hour);
                }
                self.step(next.start, &outlook)?;
                steps += 1;
            }
        }
    }

    /// Sectors that have failed alone as often as they are tried are unreadable from now on.
    pub(super) fn settle(&mut self) -> Result<(), EarlyEnd> {
        let retries = self.engine.reading.options().retries;
        let alone = |(start, place): (u64, &SkippedRange)| match place.state {
            RangeState::Alone { tries } if tries < u16::MAX && u32::from(tries) > retries => {
                Some((start, tries, *place))
            }
            _ => None,
        };
        let all: Vec<(u64, u16, SkippedRange)> = self.engine.skipped.iter().filter_map(alone).collect();
        for (start, tries, place) in all {
            for part in self.engine.unread(Extent::between(start, place.end)) {
                self.engine.reading.unreadable(part, u32::from(tries), place.failure)?;
            }
        }
        self.engine.reading.decide()?;
        self.engine.reading.settle()
    }

    /// The step that would be made in a range.
    fn outlook(&self, start: u64) -> Option<Outlook> {
        let engine = &*self.engine;
        let place = engine.skipped.get(start).filter(|place| self.suspects || !place.suspect)?;
        let usual = u16::try_from(engine.reading.options().retries + 1).unwrap_or(u16::MAX);
        let tries = if engine.learned.alone.mean() > ANSWERING { usual.max(MOST_TRIES) } else { usual };
        let risk = engine.risk(place.middle(start)).0 * (1.0 - engine.learned.bad_head_success.mean());
        outlook(start, place, &engine.skipped, &engine.learned, tries, risk)
    }

    fn enqueue(&mut self, start: u64) {
        if let Some(outlook) = self.outlook(start) {
            self.queue.push(Next { rate: outlook.rate(), start });
        }
    }

    /// Makes the queue anew; gives what the next hour is expected to bring.
    fn value(&mut self) -> f64 {
        let mut all: Vec<(Outlook, u64)> =
            self.engine.skipped.iter().filter_map(|(start, _)| Some((self.outlook(start)?, start))).collect();
        self.queue = all.iter().map(|(outlook, start)| Next { rate: outlook.rate(), start: *start }).collect();
        all.sort_by(|(one, _), (other, _)| other.rate().total_cmp(&one.rate()));
        let (mut gain, mut seconds) = (0.0, 0.0);
        for (outlook, _) in all {
            let part = ((3600.0 - seconds) / outlook.seconds.max(1e-9)).clamp(0.0, 1.0);
            gain += part * outlook.gain;
            seconds += outlook.seconds;
            if seconds >= 3600.0 {
                break;
            }
        }
        // Were there an hour's work of the same kind, it would bring so much.
        if seconds > 0.0 && seconds < 3600.0 { gain * 3600.0 / seconds } else { gain }
    }

    fn step(&mut self, start: u64, outlook: &Outlook) -> Result<(), EarlyEnd> {
        let Some(place) = self.engine.skipped.remove(start) else { return Ok(()) };
        self.engine.reading.begin_class(place.class);
        match outlook.step {
            Step::Retry => self.retry(start, place),
            Step::Front => self.scan(start, place, outlook.request, false),
            Step::Back => self.scan(start, place, outlook.request, true),
            Step::Middle => self.middle(start, place, outlook.request),
        }
    }

    /// Enters what is left of a range.
    fn enter(&mut self, start: u64, place: SkippedRange) {
        if start >= place.end {
            return;
        }
        let valued = self.engine.valued(start, place);
        if valued.bytes == 0 && place.state == RangeState::Untried {
            return;
        }
        for start in self.engine.skipped.insert(start, valued) {
            self.enqueue(start);
        }
    }

    fn failed(
        &mut self,
        extent: Extent,
        failure: Failure,
        named: Option<u64>,
        of: &SkippedRange,
    ) -> Result<(), EarlyEnd> {
        self.engine.reading.mark_failed(extent, failure, true)?;
        for start in self.engine.enter_failed(extent, failure, named, of.suspect) {
            self.enqueue(start);
        }
        Ok(())
    }

    /// Reads a range from one side until something fails or, where that is not known, is slow.
    fn scan(&mut self, start: u64, place: SkippedRange, request: u64, backward: bool) -> Result<(), EarlyEnd> {
        let (bad_before, bad_behind) = self.engine.skipped.neighbours(start, place.end);
        let throughout = is_slow_throughout(&place, (bad_before, bad_behind));
        let pace = if throughout { place.pace } else { 0.0 };
        let beside = if backward { bad_behind } else { bad_before };
        let kind = if beside { ChanceKind::Beside } else { ChanceKind::Open };
        let span = place.end - start;
        let parts = self.engine.skipped_parts(Extent::between(start, place.end))?;
        let mut is_first = true;
        for part in requests(&parts, request, backward) {
            let outcome = self.engine.ask(part, true, pace)?;
            let failed = matches!(outcome, Outcome::Failed { .. });
            let began_well = !std::mem::take(&mut is_first);
            if !began_well && (place.state == RangeState::Untried || beside) {
                self.engine.learned.chance(kind, span).saw(!failed);
            }
            match outcome {
                Outcome::Arrived { slow: Some(pace) } if !throughout => {
                    let slow = SkippedRange { pace: pace.max(place.pace), ..place.after_step(true) };
                    let (start, rest) = slow.rest(start, part, backward, true);
                    self.enter(start, rest);
                    return Ok(());
                }
                Outcome::Arrived { .. } => {}
                Outcome::Failed { failure, named } => {
                    if place.state == RangeState::Untried && (bad_before || bad_behind) {
                        self.engine.learned.chance(ChanceKind::Through, span).saw(false);
                    }
                    self.failed(part, failure, named, &place)?;
                    let (start, rest) = place.after_step(began_well).rest(start, part, backward, false);
                    self.enter(start, rest);
                    return Ok(());
                }
            }
        }
        if place.state == RangeState::Untried && (bad_before || bad_behind) {
            self.engine.learned.chance(ChanceKind::Through, span).saw(true);
        }
        Ok(())
    }

    /// A request in the middle of a range between two failures.
    fn middle(&mut self, start: u64, place: SkippedRange, request: u64) -> Result<(), EarlyEnd> {
        let unit = self.engine.reading.unit();
        let request = request.min(((place.end - start) / 8 / unit).max(1) * unit);
        let parts = self.engine.skipped_parts(Extent::between(start, place.end))?;
        let middle = place.middle(start);
        let at = parts.partition_point(|part| part.end() <= middle);
        let Some(part) = parts.get(at).or(parts.last()) else { return Ok(()) };
        let from = middle.max(part.start.0).min(part.end() - 1) / request * request;
        let extent = Extent::between(from.max(part.start.0), (from + request).min(part.end()));
        let outcome = self.engine.ask(extent, true, place.pace)?;
        let good = matches!(outcome, Outcome::Arrived { .. });
        self.engine.learned.chance(ChanceKind::Middle, place.end - start).saw(good);
        let side = place.after_step(good);
        if let Outcome::Failed { failure, named } = outcome {
            self.failed(extent, failure, named, &place)?;
        }
        self.enter(start, SkippedRange { end: extent.start.0, ..side });
        self.enter(extent.end(), side);
        Ok(())
    }

    /// Sectors that have failed alone, each once more.
    fn retry(&mut self, start: u64, place: SkippedRange) -> Result<(), EarlyEnd> {
        let unit = self.engine.reading.unit();
        let RangeState::Alone { tries } = place.state else { return Ok(()) };
        let until = place.end.min((start / unit + AT_ONCE) * unit);
        // What is not reached before a halt stays as the store has it.
        if until < place.end {
            self.enter(until, place);
        }
        let parts = self.engine.skipped_parts(Extent::between(start, until))?;
        for sector in requests(&parts, unit, false) {
            let outcome = self.engine.ask(sector, true, 0.0)?;
            self.engine.learned.alone.saw(matches!(outcome, Outcome::Arrived { .. }));
            if let Outcome::Failed { failure, .. } = outcome {
                self.engine.reading.mark_failed(sector, failure, true)?;
                let state = RangeState::Alone { tries: tries + 1 };
                self.enter(sector.start.0, SkippedRange { end: sector.end(), state, failure, ..place });
            }
        }
        Ok(())
    }
}

/// Requests of up to `request` bytes for `parts`, ending on its multiples; backward, the last one first.
pub(super) fn requests(parts: &[Extent], request: u64, backward: bool) -> Box<dyn Iterator<Item = Extent> + '_> {
    if backward {
        Box::new(parts.iter().rev().flat_map(move |part| part.cut_at_multiples(request).rev()))
    } else {
        Box::new(parts.iter().flat_map(move |part| part.cut_at_multiples(request)))
    }
}
