//! When to stop although there is more to read: rules for a night without a person.

use super::options::StopAfter;
use super::outcome::StopReason;
use std::collections::VecDeque;
use std::time::Duration;

/// Failures and the rate are counted over so much working time.
const WINDOW: Duration = Duration::from_secs(60);

/// Arrived bytes are looked at this often for the rate.
const EVERY: Duration = Duration::from_secs(1);

/// What the rules need to remember.
#[derive(Default)]
pub(super) struct StopRules {
    in_a_row: u64,
    failures: VecDeque<Duration>,
    arrived: VecDeque<(Duration, u64)>,
}

impl StopRules {
    /// A request arrived or failed; `arrived` are all bytes that have arrived by then.
    pub(super) fn saw(&mut self, limits: &StopAfter, failed: bool, now: Duration, arrived: u64) {
        self.in_a_row = if failed { self.in_a_row + 1 } else { 0 };
        if failed && let Some(most) = limits.failures_a_minute {
            self.failures.push_back(now);
            // No more than tell that the limit is reached.
            if self.failures.len() as u64 > most {
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
        let recent = self.failures.iter().filter(|at| now.saturating_sub(**at) < WINDOW).count() as u64;
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
            rules.saw(&limits, failed, seconds(at), 0);
            assert_eq!(rules.reached(&limits, seconds(at)).is_some(), stops, "{at}");
        }
        rules.saw(&limits, true, seconds(5), 0);
        rules.saw(&limits, true, seconds(6), 0);
        assert_eq!(rules.reached(&limits, seconds(6)), Some(StopReason::FailuresInARow));
    }

    #[test]
    fn failures_a_minute_are_those_of_the_last_one() {
        let limits = StopAfter { failures_a_minute: Some(3), ..StopAfter::default() };
        let mut rules = StopRules::default();
        for at in [0, 30, 61, 100] {
            rules.saw(&limits, true, seconds(at), 0);
            assert_eq!(rules.reached(&limits, seconds(at)), None, "{at}");
        }
        rules.saw(&limits, true, seconds(110), 0);
        assert_eq!(rules.reached(&limits, seconds(110)), Some(StopReason::FailuresAMinute));
        assert_eq!(rules.reached(&limits, seconds(130)), None);
    }

    #[test]
    fn the_rate_is_that_of_a_whole_minute() {
        let limits = StopAfter { below_rate: Some(1000), ..StopAfter::default() };
        let mut rules = StopRules::default();
        // 2000 bytes a second for 100 s, then nothing.
        for at in 0..100 {
            rules.saw(&limits, false, seconds(at), at * 2000);
            assert_eq!(rules.reached(&limits, seconds(at)), None, "{at}");
        }
        let stopped = (100..200).find(|at| {
            rules.saw(&limits, true, seconds(*at), 99 * 2000);
            rules.reached(&limits, seconds(*at)).is_some()
        });
        assert_eq!(stopped, Some(130));
        assert!(rules.arrived.len() <= 62);
    }
}
