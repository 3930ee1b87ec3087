//! A drive in two figures: how fast it reads and how long it takes to get somewhere else. What times are estimated with
//! is the whole [`DriveModel`]; this is for sentences and for closed formulas.

use crate::drive::model::DriveModel;
use serde::{Deserialize, Serialize};

/// A drive's pace in two figures: transfer rate and the cost of one seek.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pace {
    /// Sustained transfer rate in bytes a second; at least 1.
    pub bytes_per_second: u64,
    /// Time from the end of one read to the start of the next somewhere else, in microseconds.
    pub reposition_microseconds: u64,
}

impl Pace {
    /// 120 MB/s: between the outer and the inner rate of a 3.5-inch drive at 7200 rpm (common practice, no source;
    /// one such drive's spec sheet of 2005 gives 64.8 and 31.0 MB/s, today's are three to four times as fast).
    pub const TYPICAL_RATE: u64 = 120_000_000;

    /// 8.5 ms: the average read seek that spec sheets of 3.5-inch drives at 7200 rpm give.
    pub const AVERAGE_SEEK_MICROSECONDS: u64 = 8_500;

    /// 4.2 ms: half a turn at 7200 rpm, 30,000 / rpm milliseconds.
    pub const ROTATION_MICROSECONDS: u64 = 4_200;

    /// A 3.5-inch drive at 7200 rpm in two figures: 120 MB/s, and 12.7 ms (average seek and
    /// half a turn) for each extent.
    pub const TYPICAL: Pace = Pace {
        bytes_per_second: Pace::TYPICAL_RATE,
        reposition_microseconds: Pace::AVERAGE_SEEK_MICROSECONDS + Pace::ROTATION_MICROSECONDS,
    };

    /// A model in two figures: its rate over the whole drive and its average seek, both rounded.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a checked model's figures are small and not negative"
    )]
    pub fn of_model(model: &DriveModel) -> Pace {
        Pace {
            bytes_per_second: (model.mean_rate().round() as u64).max(1),
            reposition_microseconds: (model.mean_reposition_seconds() * 1e6).round() as u64,
        }
    }

    /// The break-even gap in bytes, rate x seek time: reading through a shorter one is faster than skipping it.
    /// Saturates at 2^64-1.
    pub fn break_even_gap(&self) -> u64 {
        let product = u128::from(self.bytes_per_second) * u128::from(self.reposition_microseconds);
        u64::try_from(product / 1_000_000).unwrap_or(u64::MAX)
    }

    /// Seconds to read `bytes` in `extents` pieces that each need one seek.
    #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
    pub fn seconds(&self, bytes: u64, extents: u64) -> f64 {
        let transfer = bytes as f64 / self.bytes_per_second.max(1) as f64;
        transfer + extents as f64 * self.reposition_seconds()
    }

    /// The cost of one seek in seconds.
    #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
    pub fn reposition_seconds(&self) -> f64 {
        self.reposition_microseconds as f64 / 1e6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: g* = B x t, the rule by which "Data Sieving and Collective I/O in ROMIO" (Thakur, Gropp, Lusk 1999)
    // reads one block with its holes rather than many pieces; the products computed by hand, in KiB, rounded.
    #[test]
    fn break_even_gaps_of_the_table_in_the_documentation() {
        let table = [(250, [244, 1025, 2075, 3101]), (120, [117, 492, 996, 1488]), (35, [34, 144, 291, 434])];
        for (megabytes, gaps) in table {
            for (microseconds, kib) in [1_000, 4_200, 8_500, 12_700].into_iter().zip(gaps) {
                let pace = Pace { bytes_per_second: megabytes * 1_000_000, reposition_microseconds: microseconds };
                let rounded = (pace.break_even_gap() + 512) / 1024;
                assert_eq!(rounded, kib, "{megabytes} MB/s, {microseconds} µs");
            }
        }
    }

    // Source: rotational latency = 30000 / rpm ms; 4.16 ms is what spec sheets of 7200-rpm drives print.
    #[test]
    fn half_a_turn_is_30000_over_rpm() {
        assert_eq!((30_000_000 / 7200 + 50) / 100 * 100, Pace::ROTATION_MICROSECONDS);
        assert_eq!(Pace::TYPICAL.reposition_microseconds, 12_700);
    }
}
