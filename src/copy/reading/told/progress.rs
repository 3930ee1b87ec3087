//! When to tell how far it has come, how fast it goes, and how long the rest takes.

use std::collections::VecDeque;
use std::time::Duration;

/// Least time between two reports.
const EVERY: Duration = Duration::from_millis(100);

/// The rate is that of this long a time.
const OVER: Duration = Duration::from_secs(10);

/// Arrived bytes at the latest reports, by working time (pauses left out).
#[derive(Default)]
pub(in crate::copy::reading) struct Pace {
    seen: VecDeque<(Duration, u64)>,
}

impl Pace {
    /// Whether it is time for a report; if so, notes it.
    pub(in crate::copy::reading) fn is_due(&mut self, working: Duration, arrived: u64) -> bool {
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
    pub(in crate::copy::reading) fn rate(&self) -> Option<f64> {
        let ((first, before), (last, now)) = (self.seen.front()?, self.seen.back()?);
        let seconds = last.saturating_sub(*first).as_secs_f64();
        #[allow(clippy::cast_precision_loss, reason = "a rate needs no 53 bits")]
        (seconds > 0.0).then(|| (now - before) as f64 / seconds)
    }
}

/// The latest ten seconds, and the latest seeks, count most for what reads easily.
const REMEMBERED_SECONDS: f64 = 10.0;
const REMEMBERED_SEEKS: f64 = 64.0;

/// Large reads that follow one another tell the rate of the drive, from so many bytes or seconds on.
const LARGE: u64 = 64 << 10;
const ENOUGH_BYTES: f64 = 4e6;
const ENOUGH_SECONDS: f64 = 1.0;

/// What easy reads take: a time for each byte, and one for each seek. Failed and slow reads are no part of it, nor are retries.
#[derive(Default)]
pub(in crate::copy::reading) struct EasyPace {
    bytes: f64,
    seconds: f64,
    seeks: f64,
    seek_seconds: f64,
}

impl EasyPace {
    /// A request arrived; `onward` when it follows the one before it.
    pub(in crate::copy::reading) fn saw(&mut self, bytes: u64, onward: bool, took: Duration) {
        #[allow(clippy::cast_precision_loss, reason = "a rate needs no 53 bits")]
        let (is_large, bytes, took) = (bytes >= LARGE, bytes as f64, took.as_secs_f64());
        if onward && is_large {
            self.bytes += bytes;
            self.seconds += took;
            if self.seconds > REMEMBERED_SECONDS {
                (self.bytes, self.seconds) = (self.bytes / 2.0, self.seconds / 2.0);
            }
        } else if !onward {
            self.seeks += 1.0;
            self.seek_seconds += (took - bytes * self.seconds_a_byte()).max(0.0);
            if self.seeks > REMEMBERED_SEEKS {
                (self.seeks, self.seek_seconds) = (self.seeks / 2.0, self.seek_seconds / 2.0);
            }
        }
    }

    fn seconds_a_byte(&self) -> f64 {
        self.seconds / self.bytes.max(1.0)
    }

    /// Seconds for so many bytes with so many seeks; `None` before enough was read.
    #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
    pub(in crate::copy::reading) fn seconds_for(&self, bytes: u64, seeks: u64) -> Option<f64> {
        if bytes == 0 {
            return Some(0.0);
        }
        let seek = self.seek_seconds / self.seeks.max(1.0);
        let is_known = self.bytes >= ENOUGH_BYTES || self.seconds >= ENOUGH_SECONDS;
        is_known.then(|| bytes as f64 * self.seconds_a_byte() + seeks as f64 * seek)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 MB/s and 10 ms a seek, in small reads of structure first: the estimate for the rest is that of its own bytes and seeks.
    #[test]
    fn small_reads_do_not_make_a_drive_slow() {
        let mut pace = EasyPace::default();
        assert_eq!((pace.seconds_for(0, 0), pace.seconds_for(1 << 40, 1)), (Some(0.0), None));
        for _ in 0..2000 {
            for (bytes, onward, took) in [(4096, false, 10), (1_000_000, true, 10)] {
                pace.saw(bytes, onward, Duration::from_millis(took));
            }
        }
        let seconds = pace.seconds_for(100_000_000_000, 1000).unwrap();
        assert!((seconds - 1010.0).abs() < 5.0, "{seconds}");
        assert!(pace.bytes < 2e9 && pace.seeks <= REMEMBERED_SEEKS);
    }

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
