//! When to stop although there is more to read: rules for a night without a person.

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

    /// Whether a rule says to stop now.
    pub(super) fn reached(&self, limits: &StopAfter, now: Duration) -> Option<StopReason> {
        let recent = self.failures.iter().filter(|(at, _)| now.saturating_sub(*at) < WINDOW).count() as u64;
        if limits.failures_in_a_row.is_some_and(|most| self.in_a_row >= most) {
            Some(StopReason::FailuresInARow)
        } else if limits.failures_a_minute.is_some_and(|most| recent >= most) {
            Some(StopReason::FailuresAMinute)
        } else if limits.below_rate.is_some_and(|least| self.rate().is_some_and(|rate| rate < least)) {
            Some(StopReason::Rate)
        } else {
            None
        }
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

    #[test]
    fn failures_in_a_row_end_with_a_read_that_arrives() {
        let limits = StopAfter { failures_in_a_row: Some(3), ..StopAfter::default() };
        let mut rules = StopRules::default();
        for (at, failed, stops) in [(1, true, false), (2, true, false), (3, false, false), (4, true, false)] {
            rules.saw(&limits, failed.then(|| seconds(1)), seconds(at), 0);
            assert_eq!(rules.reached(&limits, seconds(at)).is_some(), stops, "{at}");
        }
        rules.saw(&limits, Some(seconds(1)), seconds(5), 0);
        rules.saw(&limits, Some(seconds(1)), seconds(6), 0);
        assert_eq!(rules.reached(&limits, seconds(6)), Some(StopReason::FailuresInARow));
    }

    #[test]
    fn failures_a_minute_are_those_of_the_last_one() {
        let limits = StopAfter { failures_a_minute: Some(3), ..StopAfter::default() };
        let mut rules = StopRules::default();
        for at in [0, 30, 61, 100] {
            rules.saw(&limits, Some(seconds(1)), seconds(at), 0);
            assert_eq!(rules.reached(&limits, seconds(at)), None, "{at}");
        }
        rules.saw(&limits, Some(seconds(1)), seconds(110), 0);
        assert_eq!(rules.reached(&limits, seconds(110)), Some(StopReason::FailuresAMinute));
        assert_eq!(rules.reached(&limits, seconds(130)), None);
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
            assert_eq!(rules.reached(&limits, seconds(at)), None, "{at}");
        }
        let stopped = (100..200).find(|at| {
            rules.saw(&limits, Some(seconds(1)), seconds(*at), 99 * 2000);
            rules.reached(&limits, seconds(*at)).is_some()
        });
        assert_eq!(stopped, Some(130));
        assert!(rules.arrived.len() <= 62);
    }
}
