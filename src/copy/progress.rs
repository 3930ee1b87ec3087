//! When to tell how far it has come, and how fast it goes.

use std::collections::VecDeque;
use std::time::Duration;

/// Least time between two reports.
const EVERY: Duration = Duration::from_millis(100);

/// The rate is that of this long a time.
const OVER: Duration = Duration::from_secs(10);

/// Arrived bytes at the latest reports, by working time (pauses left out).
#[derive(Default)]
pub(super) struct Pace {
    seen: VecDeque<(Duration, u64)>,
}

impl Pace {
    /// Whether it is time for a report; if so, notes it.
    pub(super) fn is_due(&mut self, working: Duration, arrived: u64) -> bool {
        if self.seen.back().is_some_and(|(last, _)| working.saturating_sub(*last) < EVERY) {
            return false;
        }
        self.seen.push_back((working, arrived));
        while self.seen.front().is_some_and(|(first, _)| working.saturating_sub(*first) > OVER) {
            self.seen.pop_front();
        }
        true
    }

    /// Bytes a second.
    pub(super) fn rate(&self) -> Option<f64> {
        let ((first, before), (last, now)) = (self.seen.front()?, self.seen.back()?);
        let seconds = last.saturating_sub(*first).as_secs_f64();
        #[allow(clippy::cast_precision_loss, reason = "a rate needs no 53 bits")]
        (seconds > 0.0).then(|| (now - before) as f64 / seconds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_reports_a_second_and_the_rate_of_the_last_ten_seconds() {
        let mut pace = Pace::default();
        let mut told = 0;
        // 40 s: 1000 bytes every 10 ms, then nothing for 20 s.
        for tick in 0..4000_u64 {
            let arrived = tick.min(2000) * 1000;
            told += u64::from(pace.is_due(Duration::from_millis(tick * 10), arrived));
            if tick == 1990 {
                assert!((pace.rate().unwrap() - 100_000.0).abs() < 1.0);
            }
        }
        assert_eq!(told, 400);
        assert!(pace.rate().unwrap().abs() < 1.0);
        assert!(pace.seen.len() <= 102);
    }
}
