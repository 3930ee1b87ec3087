//! When to stop although there is more to read: when asked, or at a limit. All limits of [`StopAfter`] are decided here, before
//! each request; that the destination has no room, and that the drive is silent, are no limits of a technician.

use crate::copy::reading::early_end::StopReason;
use crate::copy::reading::options::StopAfter;
use std::collections::VecDeque;
use std::time::Duration;

/// Failures and the rate are counted over so much working time.
const WINDOW: Duration = Duration::from_secs(60);

/// Arrived bytes are looked at this often for the rate.
const EVERY: Duration = Duration::from_secs(1);

/// No more failures or resets of a minute are counted than these, unless a rule allows more.
const MOST_COUNTED: u64 = 4096;

/// How far the copy is before its next request.
#[derive(Clone, Copy, Default)]
pub(super) struct SoFar {
    /// The process was asked to stop.
    pub(super) is_asked: bool,
    /// Since the start, pauses included.
    pub(super) time: Duration,
    /// The same, pauses left out.
    pub(super) working_time: Duration,
    /// Bytes that have arrived.
    pub(super) bytes: u64,
    /// Requests that failed.
    pub(super) errors: u64,
    /// How often the kernel reset the drive.
    pub(super) resets: u64,
}

/// What the rules need to remember.
#[derive(Default)]
pub(super) struct StopRules {
    in_a_row: u64,
    /// When requests failed, and how long they took.
    failures: VecDeque<(Duration, Duration)>,
    resets: VecDeque<Duration>,
    arrived: VecDeque<(Duration, u64)>,
}

impl StopRules {
    /// A request arrived, or failed after a time; `arrived` are all bytes that have arrived by then.
    pub(super) fn saw(&mut self, limits: &StopAfter, failed: Option<Duration>, now: Duration, arrived: u64) {
        self.in_a_row = if failed.is_some() { self.in_a_row + 1 } else { 0 };
        if let Some(took) = failed {
            self.failures.push_back((now, took));
            // No more than tell that the limit is reached.
            if self.failures.len() as u64 > limits.failures_a_minute.unwrap_or(0).max(MOST_COUNTED) {
                self.failures.pop_front();
            }
        }
        if limits.below_rate.is_some() && self.arrived.back().is_none_or(|(last, _)| now.saturating_sub(*last) >= EVERY)
        {
            self.arrived.push_back((now, arrived));
            while self.arrived.get(1).is_some_and(|(second, _)| now.saturating_sub(*second) >= WINDOW) {
                self.arrived.pop_front();
            }
        }
    }

    /// Why to stop now, if there is a reason.
    pub(super) fn reached(&self, limits: &StopAfter, so_far: &SoFar) -> Option<StopReason> {
        let is_recent = |at: &Duration| so_far.working_time.saturating_sub(*at) < WINDOW;
        let recent = self.failures.iter().filter(|(at, _)| is_recent(at)).count() as u64;
        let reached = |limit: Option<u64>, now: u64| limit.is_some_and(|limit| now >= limit);
        let is_slow = |least: u64| self.rate().is_some_and(|rate| rate < least);
        [
            (so_far.is_asked, StopReason::Asked),
            (limits.time.is_some_and(|limit| so_far.time >= limit), StopReason::Time),
            (reached(limits.bytes, so_far.bytes), StopReason::Bytes),
            (reached(limits.errors, so_far.errors), StopReason::Errors),
            (reached(limits.resets, so_far.resets), StopReason::Resets),
            (reached(limits.failures_in_a_row, self.in_a_row), StopReason::FailuresInARow),
            (reached(limits.failures_a_minute, recent), StopReason::FailuresAMinute),
            (limits.below_rate.is_some_and(is_slow), StopReason::Rate),
        ]
        .into_iter()
        .find_map(|(is_reached, reason)| is_reached.then_some(reason))
    }

    /// The kernel reset the drive so many times.
    pub(super) fn saw_resets(&mut self, resets: u64, now: Duration) {
        let room = MOST_COUNTED.saturating_sub(self.resets.len() as u64);
        self.resets.extend((0..resets.min(room)).map(|_| now));
    }

    /// The last minute: failed requests, the seconds of it that they took, and resets.
    pub(super) fn last_minute(&mut self, now: Duration) -> (u64, f64, u64) {
        let is_over = |at: &Duration| now.saturating_sub(*at) >= WINDOW;
        while self.failures.front().is_some_and(|(at, _)| is_over(at)) {
            self.failures.pop_front();
        }
        while self.resets.front().is_some_and(is_over) {
            self.resets.pop_front();
        }
        let seconds: f64 = self.failures.iter().map(|(_, took)| took.as_secs_f64()).sum();
        (self.failures.len() as u64, seconds.min(WINDOW.as_secs_f64()), self.resets.len() as u64)
    }

    /// Bytes a second over the last minute, once there was one.
    fn rate(&self) -> Option<u64> {
        let ((first, before), (last, now)) = (self.arrived.front()?, self.arrived.back()?);
        let seconds = last.saturating_sub(*first);
        (seconds >= WINDOW).then(|| (now - before) / seconds.as_secs().max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    fn working(time: u64) -> SoFar {
        SoFar { working_time: seconds(time), ..SoFar::default() }
    }

    #[test]
    fn a_limit_is_reached_at_its_value_and_the_first_in_order_is_told() {
        let limits = StopAfter {
            time: Some(seconds(10)),
            bytes: Some(1000),
            errors: Some(3),
            resets: Some(2),
            ..StopAfter::default()
        };
        let rules = StopRules::default();
        let below = SoFar { time: seconds(9), bytes: 999, errors: 2, resets: 1, ..working(9) };
        assert_eq!(rules.reached(&limits, &below), None);
        let mut reached = below;
        for (change, reason) in [
            ((|so_far: &mut SoFar| so_far.resets = 2) as fn(&mut SoFar), StopReason::Resets),
            (|so_far| so_far.errors = 3, StopReason::Errors),
            (|so_far| so_far.bytes = 1000, StopReason::Bytes),
            (|so_far| so_far.time = seconds(10), StopReason::Time),
            (|so_far| so_far.is_asked = true, StopReason::Asked),
        ] {
            change(&mut reached);
            assert_eq!(rules.reached(&limits, &reached), Some(reason));
            assert_eq!(rules.reached(&StopAfter::default(), &SoFar { is_asked: false, ..reached }), None);
        }
    }

    #[test]
    fn failures_in_a_row_end_with_a_read_that_arrives() {
        let limits = StopAfter { failures_in_a_row: Some(3), ..StopAfter::default() };
        let mut rules = StopRules::default();
        for (at, failed, stops) in [(1, true, false), (2, true, false), (3, false, false), (4, true, false)] {
            rules.saw(&limits, failed.then(|| seconds(1)), seconds(at), 0);
            assert_eq!(rules.reached(&limits, &working(at)).is_some(), stops, "{at}");
        }
        rules.saw(&limits, Some(seconds(1)), seconds(5), 0);
        rules.saw(&limits, Some(seconds(1)), seconds(6), 0);
        assert_eq!(rules.reached(&limits, &working(6)), Some(StopReason::FailuresInARow));
    }

    #[test]
    fn failures_a_minute_are_those_of_the_last_one() {
        let limits = StopAfter { failures_a_minute: Some(3), ..StopAfter::default() };
        let mut rules = StopRules::default();
        for at in [0, 30, 61, 100] {
            rules.saw(&limits, Some(seconds(1)), seconds(at), 0);
            assert_eq!(rules.reached(&limits, &working(at)), None, "{at}");
        }
        rules.saw(&limits, Some(seconds(1)), seconds(110), 0);
        assert_eq!(rules.reached(&limits, &working(110)), Some(StopReason::FailuresAMinute));
        assert_eq!(rules.reached(&limits, &working(130)), None);
    }

    #[test]
    fn the_last_minute_is_known_without_any_limit() {
        let mut rules = StopRules::default();
        for at in [0, 30, 50] {
            rules.saw(&StopAfter::default(), Some(seconds(7)), seconds(at), 0);
            rules.saw_resets(2, seconds(at));
        }
        assert_eq!(rules.last_minute(seconds(59)), (3, 21.0, 6));
        assert_eq!(rules.last_minute(seconds(95)), (1, 7.0, 2));
        rules.saw_resets(u64::MAX, seconds(96));
        rules.saw(&StopAfter::default(), Some(seconds(300)), seconds(96), 0);
        assert_eq!(rules.last_minute(seconds(97)), (2, 60.0, MOST_COUNTED));
        assert_eq!(rules.last_minute(seconds(200)), (0, 0.0, 0));
    }

    #[test]
    fn the_rate_is_that_of_a_whole_minute() {
        let limits = StopAfter { below_rate: Some(1000), ..StopAfter::default() };
        let mut rules = StopRules::default();
        // 2000 bytes a second for 100 s, then nothing.
        for at in 0..100 {
            rules.saw(&limits, None, seconds(at), at * 2000);
            assert_eq!(rules.reached(&limits, &working(at)), None, "{at}");
        }
        let stopped = (100..200).find(|at| {
            rules.saw(&limits, Some(seconds(1)), seconds(*at), 99 * 2000);
            rules.reached(&limits, &working(*at)).is_some()
        });
        assert_eq!(stopped, Some(130));
        assert!(rules.arrived.len() <= 62);
    }
}
