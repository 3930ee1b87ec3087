//! What reading a range is worth, and what it costs.

use crate::base::extent::Extent;
use crate::copy::reading::observed::learned::{ChanceKind, Learned, to_f64};
use crate::copy::reading::observed::skipped_ranges::{RangeState, SkippedRange, SkippedRanges};
use crate::survey::allocation::Class;

/// Worth of one byte of each class, in bytes of class `files`. `docs/copying.md` gives the reasons.
pub(super) fn weight(class: Class) -> f64 {
    match class {
        Class::Tables | Class::Structure => 16.0,
        Class::Wanted => 4.0,
        Class::Files => 1.0,
        Class::Unclaimed => 0.25,
        Class::Bulk | Class::Deleted => 1.0 / 16.0,
        Class::Free | Class::Outside => 1.0 / 64.0,
    }
}

/// What an extent counts beside its bytes: without it a file is damaged, with it it may be complete.
const EXTENT: f64 = 1_048_576.0;

/// A copy ends by itself when the next hour is expected to bring less, in bytes of class `files`: the rounds of `next_read` ask for so
/// much, and `Retries::work` stops below it.
pub(super) const LEAST_AN_HOUR: f64 = 64.0 * 1_048_576.0;

/// The worth of an extent of a class, in bytes of class `files`.
pub(super) fn worth(class: Class, extent: Extent) -> f64 {
    let completes = match class {
        Class::Wanted => 4.0,
        Class::Tables | Class::Structure | Class::Files => 1.0,
        Class::Bulk | Class::Unclaimed | Class::Deleted | Class::Free | Class::Outside => 0.0,
    };
    weight(class) * to_f64(extent.bytes) + completes * EXTENT
}

/// What is done next in a range.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Step {
    /// Its sectors are tried alone once more.
    Retry,
    /// It is read from the front until something fails.
    Front,
    /// It is read from its end, backward, until something fails.
    Back,
    /// A request in its middle.
    Middle,
}

/// What a step is expected to bring, and to take.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Outlook {
    pub(super) step: Step,
    /// In bytes of class `files`.
    pub(super) gain: f64,
    pub(super) seconds: f64,
    /// How long its requests are.
    pub(super) request: u64,
    /// It probably reads, and nothing in it has failed: it is read whatever it is worth.
    pub(super) is_likely: bool,
}

impl Outlook {
    /// Worth a second: by this the next range is chosen.
    pub(super) fn rate(&self) -> f64 {
        let least = if self.is_likely { 2.0 * LEAST_AN_HOUR / 3600.0 } else { 0.0 };
        (self.gain / self.seconds.max(1e-9)).max(least)
    }
}

/// Ranges from this length on are also tried in their middle, in physical sectors.
const SECTORS_WITH_MIDDLE: u64 = 16;

/// Beside that a sector of a request of many is the bad one, which side a failure comes from is open.
const PART_OF_FAILED: f64 = 0.5;

/// The best step in a range; `None` when nothing is left to do there. A sector is tried alone `tries` times; `risk` is the
/// chance that the range lies under a head that does not read.
pub(super) fn outlook(
    start: u64,
    place: &SkippedRange,
    skipped: &SkippedRanges,
    learned: &Learned,
    tries: u16,
    risk: f64,
) -> Option<Outlook> {
    if place.bytes == 0 {
        return None;
    }
    if let RangeState::Alone { tries: before } = place.state {
        return (before < tries).then(|| retry(start, place, learned, before, risk));
    }
    let failed = learned.failed_seconds;
    let span = place.end - start;
    let (bad_before, bad_behind) = skipped.neighbours(start, place.end);
    let throughout = is_slow_throughout(place, (bad_before, bad_behind));
    let pace = if throughout { place.pace } else { 0.0 };
    let scan = |step: Step, is_beside: bool| {
        let kind = if is_beside { ChanceKind::Beside } else { ChanceKind::Open };
        let is_failed = place.state == RangeState::Failed;
        let chance = learned.of(kind, span).at(place.good, place.bad) * (1.0 - risk);
        let through = match (is_failed, bad_before || bad_behind) {
            (true, _) => 0.1,
            (false, true) => learned.of(ChanceKind::Through, span).mean(),
            (false, false) => 0.95,
        };
        let request = learned.scan_request(span, 1.0 - through * chance, step == Step::Back);
        // What failed as one request is not requested as one again.
        let smaller = (span / 8 / learned.unit()).max(1) * learned.unit();
        let request = if is_failed { request.min(smaller) } else { request };
        let share = through + (1.0 - through) * PART_OF_FAILED;
        let reading = share * learned.reading(place.bytes, request, pace, step == Step::Back);
        let seconds = chance * (reading + (1.0 - through) * failed) + (1.0 - chance) * failed;
        let is_likely = !is_failed && chance >= 0.5;
        Outlook { step, gain: place.worth * chance * share, seconds, request, is_likely }
    };
    let middle = || {
        let chance = learned.of(ChanceKind::Middle, span).at(place.good, place.bad) * (1.0 - risk);
        let through = learned.of(ChanceKind::Through, span / 2).mean();
        let gain = place.worth * chance * (through + (1.0 - through) * PART_OF_FAILED);
        let reading = learned.reading(place.bytes, learned.request(), pace, false);
        let seconds = failed * (1.0 - chance) + chance * (2.0 * (1.0 - through) * failed + reading);
        Outlook { step: Step::Middle, gain, seconds, request: learned.request(), is_likely: false }
    };
    // What is slow at one side is read from the other until it is slow there too.
    let front = (throughout || !place.slow_before).then(|| scan(Step::Front, bad_before));
    let back = (throughout || !place.slow_behind).then(|| scan(Step::Back, bad_behind));
    let between = bad_before && bad_behind && span >= SECTORS_WITH_MIDDLE * learned.unit();
    let all = [front, back, between.then(middle)];
    all.into_iter().flatten().max_by(|one, other| one.rate().total_cmp(&other.rate()))
}

/// Sectors that have failed alone `before` times, each once more.
fn retry(start: u64, place: &SkippedRange, learned: &Learned, before: u16, risk: f64) -> Outlook {
    Outlook {
        step: Step::Retry,
        gain: place.worth * learned.alone.once_more(before) * (1.0 - risk),
        seconds: learned.failed_seconds * to_f64((place.end - start).div_ceil(learned.unit())),
        request: learned.unit(),
        is_likely: false,
    }
}

/// Whether all of a range is probably slow.
pub(super) fn is_slow_throughout(place: &SkippedRange, (bad_before, bad_behind): (bool, bool)) -> bool {
    place.pace > 0.0 && (bad_before || place.slow_before) && (bad_behind || place.slow_behind)
}
