//! First reading: large requests in ascending order, which leave trouble at once.

use super::engine::{Engine, Outcome};
use super::jump::TroubleLengths;
use super::retries::requests;
use super::worth::worth;
use crate::base::extent::Extent;
use crate::copy::reading::TroubleKind;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::skipped_ranges::{RangeState, SkippedRange};
use crate::copy::reading::plan_walk::{Follower, WhyPlanned, waiting};
use crate::plan::PassHeader;
use crate::source::{Failure, Skip};
use crate::survey::allocation::Class;
use std::time::Duration;

/// Gaps within so many bytes of a skipped range are not read through. Many errors have a neighbour within 10 MB
/// (Bairavasundaram et al., SIGMETRICS 2007, from memory).
const NEAR: u64 = 10 << 20;

/// A range is left for later when it lies under a bad head with this chance: first, and when the class was gone through once.
/// Where nothing is known of the bands the chance is that of any range, so the second limit reads there and learns.
const RISKY: f64 = 0.15;
const RISKIER: f64 = 0.5;

/// So many bad ranges are measured: what lies before the end of a jump is read backward at once, until something fails.
const MEASURED: u32 = 4;

/// A jump that ends on a failure may have ended in other trouble: so often in one, and in all, a read in the middle of what it passed
/// tells.
const MIDDLES: u32 = 2;
const MOST_MIDDLES: u32 = 3;

/// A jump over fewer requests than so many is not looked into.
const LEAST_PASSED: u64 = 4;

/// Where a read fails so near behind the place to which the map of heads led, the map does not know where that band ends. What is left
/// out there beside what the map says is so long at first, then twice as long each time.
const EDGE: u64 = 2 << 20;
const FIRST_LEFT_OUT: u64 = 1 << 20;

/// No band of a head is longer.
const LONGEST_BAND: u64 = 1 << 30;

/// Trouble is over when so many bytes were passed without any.
const QUIET: u64 = 16 << 20;

/// What is read so far behind a jump tells nothing of where the trouble ends.
const FAR: u64 = 64 << 20;

/// Trouble that first reading is in.
#[derive(Clone, Copy)]
struct Trouble {
    kind: TroubleKind,
    start: u64,
    /// The end of the last request in it.
    reached: u64,
    /// Where the next one was to begin.
    target: u64,
    /// Where the first request behind it began, once that went well.
    good_from: Option<u64>,
    /// Reads in the middle of what its jumps passed.
    middles: u32,
}

/// A failure lets first reading look around while a bad head is known. Before that, so many do over the whole copy: a map of a dead or
/// weak head was there after 41 failures at most, of which others told little, and lone bad sectors never give one.
const LOOKS: u32 = 32;

/// Bytes of the drive whose planned parts are looked up together.
const LOOKED_UP_AT_ONCE: u64 = 256 << 20;

/// So many requests are made around a failure before the time is looked at.
const AT_ONCE: u64 = 8;

/// A bad range that ends within so many bytes is no head's band: those are longer (`drive::heads` takes no shorter ones for bands).
const SPOT: u64 = 4 << 20;

/// Six in ten failures are lone bad sectors, and six in ten slow reads come alone, before anything is seen (a choice, no
/// source).
const LONE: f64 = 0.6;

/// Of reads that are slow by the technician's limit only three in ten come alone: they are meant to be left at once.
const LONE_BY_LIMIT: f64 = 0.3;

/// What first reading has learned about trouble, over all passes.
pub(super) struct FirstReading {
    failed: TroubleLengths,
    slow: TroubleLengths,
    trouble: Option<Trouble>,
    measured: u32,
    /// Reads in the middle of what a jump passed.
    middles: u32,
    /// Where the map of heads led behind the last failure, and how many bytes are left out when the read there fails too.
    led: Option<(u64, u64)>,
    /// Failures that were looked around without a bad head being known.
    looks: u32,
    /// Whether a gap may have been left, near a bad range or under a bad head.
    pub(super) left_a_gap: bool,
}

/// What of a class is read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Reads {
    /// What is not read yet.
    New,
    /// What was left only because it may lie under a bad head.
    Risky,
    /// Gaps that were left, near a bad range or under a bad head.
    Gaps,
}

impl FirstReading {
    /// `has_limit`: the technician has said from when on a read is slow.
    pub(super) fn new(has_limit: bool) -> FirstReading {
        FirstReading {
            failed: TroubleLengths::new(LONE),
            slow: TroubleLengths::new(if has_limit { LONE_BY_LIMIT } else { LONE }),
            trouble: None,
            measured: 0,
            middles: 0,
            led: None,
            looks: 0,
            left_a_gap: false,
        }
    }

    fn lengths(&mut self, kind: TroubleKind) -> &mut TroubleLengths {
        match kind {
            TroubleKind::Failed => &mut self.failed,
            TroubleKind::Slow => &mut self.slow,
        }
    }

    /// The trouble is over.
    fn settle(&mut self) {
        let Some(trouble) = self.trouble.take() else { return };
        if let Some(good) = trouble.good_from.filter(|good| *good <= trouble.target + FAR) {
            self.lengths(trouble.kind).saw(trouble.reached - trouble.start, good - trouble.start);
        }
    }

    /// A request for `extent` went well. Whether the range before it is to be measured.
    fn went_well(&mut self, extent: Extent) -> bool {
        let Some(trouble) = &mut self.trouble else { return false };
        let is_first = trouble.good_from.is_none();
        let good = *trouble.good_from.get_or_insert(extent.start.0.max(trouble.reached));
        let is_jump = trouble.kind == TroubleKind::Failed && good > trouble.reached && good <= trouble.target + FAR;
        if extent.end() - good.min(extent.end()) >= QUIET {
            self.settle();
        }
        is_first && is_jump && self.measured < MEASURED
    }

    /// A request for `extent` did not. Gives where the next one is made.
    fn met(&mut self, extent: Extent, kind: TroubleKind, request: u64) -> u64 {
        let is_new = self.trouble.is_none_or(|trouble| {
            trouble.kind != kind || extent.start.0 < trouble.reached || extent.start.0 > trouble.target + FAR
        });
        if is_new {
            self.settle();
        }
        let (start, middles) = self.trouble.map_or((extent.start.0, 0), |trouble| (trouble.start, trouble.middles));
        // A request that is shorter than others tells as much.
        let reached = (extent.end() - start).max(request);
        let next = self.lengths(kind).next(reached, request);
        let target = if next == reached { extent.end() } else { start + next };
        self.trouble = Some(Trouble { kind, start, reached: extent.end(), target, good_from: None, middles });
        target
    }

    /// What a jump has passed that ended with the failure of `extent`, when a read in the middle of it is to tell whether
    /// that is still the same trouble.
    fn passed(&self, extent: Extent, request: u64) -> Option<Extent> {
        let trouble = self.trouble.filter(|trouble| trouble.kind == TroubleKind::Failed)?;
        let is_landing =
            trouble.good_from.is_none() && (trouble.target..=trouble.target + FAR).contains(&extent.start.0);
        let passed = Extent::between(trouble.reached, extent.start.0.max(trouble.reached));
        let may_read = trouble.middles < MIDDLES && self.middles < MOST_MIDDLES;
        (is_landing && may_read && passed.bytes >= LEAST_PASSED * request).then_some(passed)
    }
}

/// When a class is left before its end, to be gone on with later.
#[derive(Clone, Copy, Default)]
pub(super) struct Limits {
    /// What it brought before, and in how many seconds.
    pub(super) before: (f64, f64),
    /// It brings less than so much worth a second,
    pub(super) rate: f64,
    /// after so many failed requests at least.
    pub(super) after: u64,
    /// So many requests of the whole copy have failed.
    pub(super) failed: Option<u64>,
}

/// Reads a class for the first time.
pub(super) struct ClassReading<'s, 'e, 'r> {
    engine: &'s mut Engine<'e, 'r>,
    first: &'s mut FirstReading,
    reads: Reads,
    limits: Limits,
    class: Class,
    began: Duration,
    failed_before: u64,
    worth: f64,
    /// It was left: the worth that it brought, and the seconds that it took.
    pub(super) left: Option<(f64, f64)>,
    /// Something was left only because it may lie under a bad head.
    pub(super) left_risky: bool,
    /// The request being gathered; it touches what comes next, or else is made.
    open: Option<Extent>,
    /// Behind the last failure, and the seconds of failed reads that no reading around them has matched yet.
    failed_at: Option<u64>,
    debt: f64,
}

impl<'s, 'e, 'r> ClassReading<'s, 'e, 'r> {
    pub(super) fn new(
        engine: &'s mut Engine<'e, 'r>,
        first: &'s mut FirstReading,
        class: Class,
        reads: Reads,
        limits: Limits,
    ) -> ClassReading<'s, 'e, 'r> {
        engine.reading.begin_class(class);
        let (began, failed_before) = (engine.reading.working_time(), engine.reading.failed());
        ClassReading {
            engine,
            first,
            reads,
            limits,
            class,
            began,
            failed_before,
            worth: 0.0,
            left: None,
            left_risky: false,
            open: None,
            failed_at: None,
            debt: 0.0,
        }
    }

    /// Reads all that is planned behind the last failure, whatever its class, for as long as failed reads took. What a failure
    /// has told of the range is worth most beside it. All of it together takes no more than twice the time of the failed reads
    /// that allow it, those among it included, and one failed read.
    fn look_around(&mut self) -> Result<(), EarlyEnd> {
        let Some(mut at) = self.failed_at.take() else { return Ok(()) };
        self.make_request()?;
        self.engine.reading.is_aside = true;
        let (began_aside, failed_before) = (self.engine.reading.working_time(), self.engine.reading.failed());
        let end = self.engine.plan.header.source.bytes;
        // The store says what is read.
        self.engine.reading.settle()?;
        let spot = at.saturating_add(SPOT);
        while self.debt > 0.0 && at < end && self.left.is_none() {
            let stretch = Extent::between(at, at.saturating_add(LOOKED_UP_AT_ONCE).min(end));
            let at_once = AT_ONCE * self.engine.learned.request();
            for part in self.engine.unread(stretch).into_iter().flat_map(|part| part.pieces(at_once)) {
                let (debt, began) = (self.debt, self.engine.reading.working_time());
                let requests = self.engine.reading.requests();
                waiting(self.engine.reading.store(), part).into_iter().try_for_each(|part| self.take(part))?;
                self.make_request()?;
                let took = self.engine.reading.working_time().saturating_sub(began).as_secs_f64();
                let failed = self.debt - debt;
                self.debt -= took - failed;
                // What reads well so near says that the bad range is a small one.
                let has_read = self.engine.reading.requests() > requests;
                let is_spot = has_read && failed == 0.0 && part.start.0 < spot;
                if is_spot || self.debt <= 0.0 || self.left.is_some() {
                    self.debt = 0.0;
                    break;
                }
            }
            at = stretch.end();
        }
        self.engine.reading.is_aside = false;
        (self.failed_at, self.debt) = (None, 0.0);
        // Whether the class is left is decided by its own requests.
        self.began += self.engine.reading.working_time().saturating_sub(began_aside);
        self.failed_before += self.engine.reading.failed() - failed_before;
        self.engine.reading.settle()
    }

    /// Whether a failure lets it look around.
    fn may_look(&mut self) -> bool {
        if self.engine.knows_bad_head() {
            return true;
        }
        self.first.looks += 1;
        self.first.looks <= LOOKS
    }

    /// Leaves the class when so much failed that others bring more.
    fn leave_class(&mut self) {
        let reading = &*self.engine.reading;
        let failed = reading.failed();
        let seconds = reading.working_time().saturating_sub(self.began).as_secs_f64();
        let (worth_before, seconds_before) = self.limits.before;
        let rate = (worth_before + self.worth) / (seconds_before + seconds).max(1e-3);
        let brings_less = failed - self.failed_before >= self.limits.after && rate < self.limits.rate;
        if brings_less || self.limits.failed.is_some_and(|most| failed >= most) {
            self.left = Some((self.worth, seconds));
        }
    }

    fn take(&mut self, part: Extent) -> Result<(), EarlyEnd> {
        if self.open.is_some_and(|open| open.end() != part.start.0) {
            self.make_request()?;
        }
        let mut at = part.start.0;
        while at < part.end() && self.left.is_none() {
            let (is_difficult, until) = self.difficult(at);
            let until = until.min(part.end());
            if is_difficult {
                self.make_request()?;
                self.skip(Extent::between(at, until))?;
                at = until;
                continue;
            }
            let request = self.engine.learned.request();
            // Requests end on multiples of their size, so that they are aligned to large blocks of whatever lies below.
            let start = self.open.map_or(at, |open| open.start.0);
            let boundary = (start / request + 1).saturating_mul(request);
            let end = until.min(boundary);
            self.open = Some(Extent::between(start, end));
            at = end;
            if at == boundary || until < part.end() && at == until {
                self.make_request()?;
            }
        }
        Ok(())
    }

    /// Whether `at` lies in a skipped range, and up to where that is so.
    fn difficult(&mut self, at: u64) -> (bool, u64) {
        let (limit, is_aside) = (self.risky(), self.engine.reading.is_aside);
        let engine = &mut *self.engine;
        let mut until = u64::MAX;
        match engine.skipped.next(at).map(|(start, place)| (start, place.end)) {
            Some((start, end)) if start <= at => return (true, end),
            Some((start, _)) => until = start,
            None => {}
        }
        let (risk, end) = engine.risk(at);
        let end = end.min(until);
        let is_risky = risk >= limit;
        match (is_risky, self.reads) {
            (false, _) => {}
            // Its class comes to it.
            (true, _) if is_aside => {}
            (true, Reads::New) => {
                self.left_risky = true;
                // It may be a gap, which the end of first reading comes to.
                self.first.left_a_gap = true;
            }
            (true, Reads::Risky | Reads::Gaps) => {
                engine.skipped.insert(at, SkippedRange::new(end, RangeState::Untried));
            }
        }
        (is_risky, end)
    }

    /// The chance from which on a range is left for later.
    fn risky(&self) -> f64 {
        if self.reads == Reads::New { RISKY } else { RISKIER }
    }

    /// Behind the bad head's band that begins at `at` or has begun before it, as far as it is left for later.
    fn behind_band(&self, at: u64) -> u64 {
        let mut to = at;
        while to < at.saturating_add(LONGEST_BAND) {
            let (risk, next) = self.engine.risk(to);
            if risk < self.risky() {
                break;
            }
            to = next.max(to + 1);
        }
        to
    }

    /// Where to go on behind trouble by the map of heads, if that explains it.
    fn by_map(&mut self, from: Extent, kind: TroubleKind) -> Option<u64> {
        let is_explained = |engine: &Engine<'_, '_>, at: u64| engine.risk(at).0 >= RISKY;
        if kind == TroubleKind::Slow {
            return is_explained(self.engine, from.end()).then_some(from.end());
        }
        let is_at_edge = |led: &(u64, u64)| (led.0..led.0.saturating_add(EDGE)).contains(&from.start.0);
        let left_out = self.first.led.take().filter(is_at_edge).map(|(_, left_out)| left_out);
        let target = from.end() + left_out.unwrap_or(0);
        if left_out.is_none() && !is_explained(self.engine, target) {
            return None;
        }
        let next = left_out.map_or(FIRST_LEFT_OUT, |left_out| left_out.saturating_mul(2));
        self.first.led = Some((self.behind_band(target), next));
        Some(target)
    }

    /// Whether what it reads counts as skipped until then.
    fn was_skipped(&self) -> bool {
        self.reads != Reads::New && !self.engine.reading.is_aside
    }

    fn skip(&mut self, extent: Extent) -> Result<(), EarlyEnd> {
        if self.was_skipped() || self.engine.reading.is_aside {
            return Ok(());
        }
        self.engine.reading.skip(extent, Skip::Near, Failure::default())
    }

    fn make_request(&mut self) -> Result<(), EarlyEnd> {
        let Some(extent) = self.open.take() else { return Ok(()) };
        if self.left.is_some() {
            return Ok(());
        }
        let began = self.engine.reading.working_time();
        let outcome = self.engine.ask(extent, self.was_skipped(), 0.0)?;
        let took = self.engine.reading.working_time().saturating_sub(began);
        match outcome {
            Outcome::Arrived { slow: None } => {
                self.worth += if self.engine.reading.is_aside { 0.0 } else { worth(self.class, extent) };
                if self.first.went_well(extent) {
                    self.measure()?;
                }
                Ok(())
            }
            Outcome::Arrived { slow: Some(pace) } => self.leave(extent, TroubleKind::Slow, pace, took),
            Outcome::Failed { failure, named } => {
                self.engine.reading.mark_failed(extent, failure, self.was_skipped())?;
                self.engine.enter_failed(extent, failure, named, false);
                if let Some(passed) = self.first.passed(extent, self.engine.learned.request()) {
                    self.read_middle(passed)?;
                }
                self.leave(extent, TroubleKind::Failed, 0.0, took)?;
                // Structure has its few tries first.
                if self.class >= Class::Wanted && self.may_look() {
                    self.debt += took.as_secs_f64();
                    self.failed_at = Some(extent.end());
                }
                if !self.engine.reading.is_aside {
                    self.leave_class();
                }
                Ok(())
            }
        }
    }

    /// What a jump has passed that begins at `start`; none where another class had already met a failure.
    fn jumped_at(&self, start: u64) -> Option<SkippedRange> {
        self.engine.skipped.get(start).copied().filter(|place| place.state == RangeState::Untried)
    }

    /// What of a range that a jump has passed is to be read.
    fn passed_parts(&mut self, passed: Extent) -> Result<Vec<Extent>, EarlyEnd> {
        // The store says what is read, before and by what comes next.
        self.engine.reading.settle()?;
        // What is new in it is of other passes: this one has skipped its own.
        let was_aside = std::mem::replace(&mut self.engine.reading.is_aside, true);
        let parts = self.engine.skipped_parts(passed)?;
        self.engine.reading.is_aside = was_aside;
        Ok(parts)
    }

    /// One read in the middle of what a jump has passed. Where it goes well the trouble ended before it, and what the jump
    /// ended on is another one.
    fn read_middle(&mut self, passed: Extent) -> Result<(), EarlyEnd> {
        let Some(place) = self.jumped_at(passed.start.0) else { return Ok(()) };
        // The store says what is read.
        self.engine.reading.settle()?;
        let parts = self.engine.unread(passed);
        let middle = passed.start.0 + passed.bytes / 2;
        let mut requests = requests(&parts, self.engine.learned.request(), false);
        let Some(extent) = requests.find(|request| request.end() > middle) else { return Ok(()) };
        self.passed_parts(Extent::between(passed.start.0, extent.end().max(place.end)))?;
        self.engine.skipped.remove(passed.start.0);
        self.leave_passed(Extent::between(passed.start.0, extent.start.0), place);
        self.first.middles += 1;
        match self.engine.ask(extent, true, 0.0)? {
            Outcome::Arrived { .. } => {
                if let Some(trouble) = &mut self.first.trouble {
                    trouble.good_from = Some(extent.start.0);
                }
                self.first.settle();
                // What lies between the jump and the failure is left to its own class.
                self.leave_passed(Extent::between(extent.end(), place.end.max(extent.end())), place);
            }
            Outcome::Failed { failure, named } => {
                self.engine.reading.mark_failed(extent, failure, true)?;
                self.engine.enter_failed(extent, failure, named, false);
                if let Some(trouble) = &mut self.first.trouble {
                    trouble.middles += 1;
                }
                let behind = Extent::between(extent.end(), passed.end().max(place.end).max(extent.end()));
                self.leave_passed(behind, place);
                self.passed_parts(behind)?;
            }
        }
        self.engine.reading.settle()
    }

    /// A part of what a jump has passed is a range of its own.
    fn leave_passed(&mut self, part: Extent, place: SkippedRange) {
        if !part.is_empty() {
            self.engine.skipped.insert(part.start.0, SkippedRange { end: part.end(), ..place });
        }
    }

    /// Reads backward what a jump has passed, until something fails: that is where the trouble ends.
    fn measure(&mut self) -> Result<(), EarlyEnd> {
        let Some(trouble) = self.first.trouble else { return Ok(()) };
        let Some(place) = self.jumped_at(trouble.reached) else { return Ok(()) };
        let parts = self.passed_parts(Extent::between(trouble.reached, place.end))?;
        let request = self.engine.learned.request();
        if parts.is_empty() {
            return Ok(());
        }
        self.first.measured += 1;
        self.engine.skipped.remove(trouble.reached);
        let mut good_from = place.end;
        let mut reached = trouble.reached;
        for extent in requests(&parts, request, true) {
            match self.engine.ask(extent, true, 0.0)? {
                Outcome::Arrived { .. } => good_from = extent.start.0,
                Outcome::Failed { failure, named } => {
                    reached = extent.end();
                    self.engine.reading.mark_failed(extent, failure, true)?;
                    let rest = SkippedRange { end: extent.start.0, ..place };
                    if trouble.reached < rest.end {
                        self.engine.skipped.insert(trouble.reached, rest);
                    }
                    self.engine.enter_failed(extent, failure, named, false);
                    break;
                }
            }
        }
        if let Some(trouble) = &mut self.first.trouble {
            (trouble.reached, trouble.good_from) = (reached, Some(good_from));
        }
        self.engine.reading.settle()
    }

    /// Jumps ahead; to a whole physical sector, so that none is read by halves.
    fn leave(&mut self, from: Extent, kind: TroubleKind, pace: f64, took: Duration) -> Result<(), EarlyEnd> {
        let (unit, request) = (self.engine.reading.unit(), self.engine.learned.request());
        let target = self.by_map(from, kind).unwrap_or_else(|| self.first.met(from, kind, request));
        let target = target.checked_next_multiple_of(unit).unwrap_or(target).min(self.engine.plan.header.source.bytes);
        if target > from.end() {
            let place =
                SkippedRange { slow_before: pace > 0.0, pace, ..SkippedRange::new(target, RangeState::Untried) };
            self.engine.skipped.insert(from.end(), place);
        }
        self.engine.reading.announce_trouble(from, kind, took, target.saturating_sub(from.end()));
        Ok(())
    }
}

impl Follower for ClassReading<'_, '_, '_> {
    fn begin(&mut self, pass: &PassHeader) -> Result<(), EarlyEnd> {
        self.first.settle();
        if !self.was_skipped() && self.left.is_none() {
            self.engine.reading.begin_pass(pass);
        }
        Ok(())
    }

    fn part(&mut self, extent: Extent, why: WhyPlanned) -> Result<(), EarlyEnd> {
        if self.left.is_some() {
            return Ok(());
        }
        self.look_around()?;
        if self.was_skipped() {
            let is_meant = (why == WhyPlanned::Gap) == (self.reads == Reads::Gaps);
            let left = if is_meant { self.engine.reading.store().skipped(extent) } else { Vec::new() };
            return left.into_iter().try_for_each(|part| self.take(part));
        }
        let store = self.engine.reading.store();
        let parts = waiting(store, extent);
        self.engine.reading.held_before(store.held(extent).iter().map(|part| part.bytes).sum());
        for part in parts {
            if why == WhyPlanned::Gap && self.engine.skipped.is_near(part, NEAR) {
                // Near a bad range nothing is read only for convenience. It is read at the end of first reading: some of it
                // may be wanted by a class that leaves it to this gap.
                self.make_request()?;
                self.first.left_a_gap = true;
                self.skip(part)?;
            } else {
                self.take(part)?;
            }
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), EarlyEnd> {
        self.make_request()?;
        if self.was_skipped() { Ok(()) } else { self.engine.reading.end_pass() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    /// Two failures at the drive's start, and a read that goes well so far behind where the second one leads.
    fn after_trouble(behind: u64) -> FirstReading {
        let mut first = FirstReading::new(false);
        assert_eq!(first.met(Extent::between(0, MIB), TroubleKind::Failed, MIB), MIB);
        let good = first.met(Extent::between(MIB, 2 * MIB), TroubleKind::Failed, MIB) + behind;
        first.went_well(Extent::between(good, good + QUIET));
        first
    }

    #[test]
    fn what_is_read_far_behind_a_jump_tells_nothing_of_its_length() {
        for (behind, is_learned) in [(0, true), (FAR, true), (FAR + MIB, false)] {
            let mut first = after_trouble(behind);
            let next = first.lengths(TroubleKind::Failed).next(MIB, MIB);
            assert_eq!(next > MIB, is_learned, "{behind}: {next}");
        }
    }

    #[test]
    fn trouble_is_over_once_enough_was_read_behind_it() {
        let mut first = FirstReading::new(false);
        let target = first.met(Extent::between(0, MIB), TroubleKind::Failed, MIB);
        first.went_well(Extent::between(target, target + QUIET - 1));
        assert!(first.trouble.is_some());
        first.went_well(Extent::between(target + QUIET - 1, target + QUIET));
        assert!(first.trouble.is_none());
    }
}
