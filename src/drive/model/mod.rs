//! A drive as a few figures: how long it takes to get somewhere, and how fast it reads there.
//!
//! Everything that a plan promises in hours comes from here: [`DriveModel::read_seconds`] is the time of one read by a
//! head that stands somewhere. Figures come from a [preset], a file, or from measuring the drive itself
//! (`gleaner pace`). `docs/model.md` has the figures with their sources, and what the model leaves out.

mod choice;
mod curve;
mod file;
mod presets;
mod spread;
mod transfer;

pub use choice::{ModelChoice, ModelChoiceError, ModelRequest, RateOrigin};
pub use curve::SeekCurve;
pub use file::{LARGEST_MODEL, ModelFileError};
pub use presets::{PRESETS, Preset, UNKNOWN_DRIVE, preset};
pub use spread::Spread;

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How a drive spends its time.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DriveModel {
    /// What kind of drive this is, in a few words.
    pub name: String,
    /// Moving the heads.
    pub seek: SeekCurve,
    /// One turn of the disk, in milliseconds: 60,000 / rpm; 0 where nothing turns. A seek is followed by half a turn on average.
    pub turn_ms: f64,
    /// Sustained rate at the first byte (the outermost tracks), in bytes a second.
    pub first_rate: f64,
    /// Sustained rate at the last byte, in bytes a second.
    pub last_rate: f64,
    /// What the interface lets through at most, in bytes a second.
    pub interface_rate: f64,
    /// What each request costs beside moving and transfer, in milliseconds.
    pub request_ms: f64,
    /// What a failed request costs, in seconds.
    pub failed_seconds: f64,
    /// How far times estimated from it may be off.
    #[serde(default)]
    pub spread: Spread,
    /// Where each figure comes from, by its name.
    #[serde(default)]
    pub sources: BTreeMap<String, String>,
}

/// A figure that no drive has.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("drive model: {figure} is {value}, but must be {must}")]
pub struct ModelError {
    /// Which figure.
    pub figure: &'static str,
    /// What it is.
    pub value: String,
    /// What it must be.
    pub must: &'static str,
}

/// A head at a place of a drive of a certain size. Time passes as it reads.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Head {
    /// The byte behind the last one read; where the head stands.
    pub at: u64,
    /// Bytes of the drive.
    pub drive_bytes: u64,
}

impl DriveModel {
    /// Checks every figure.
    ///
    /// # Errors
    /// [`ModelError`] for the first that is not finite or out of range.
    pub fn check(&self) -> Result<(), ModelError> {
        let not_negative = [
            ("seek.shortest_ms", self.seek.shortest_ms),
            ("seek.average_ms", self.seek.average_ms),
            ("seek.longest_ms", self.seek.longest_ms),
            ("turn_ms", self.turn_ms),
            ("request_ms", self.request_ms),
            ("failed_seconds", self.failed_seconds),
        ];
        let wrong = |figure, value: f64, must| Err(ModelError { figure, value: value.to_string(), must });
        for (figure, value) in not_negative {
            if !(0.0..=1e7).contains(&value) {
                return wrong(figure, value, "between 0 and 10,000,000");
            }
        }
        for (figure, value) in
            [("first_rate", self.first_rate), ("last_rate", self.last_rate), ("interface_rate", self.interface_rate)]
        {
            if !(1.0..=1e12).contains(&value) {
                return wrong(figure, value, "between 1 and 10^12 bytes a second");
            }
        }
        if self.seek.average_ms < self.seek.shortest_ms || self.seek.longest_ms < self.seek.average_ms {
            return wrong("seek.average_ms", self.seek.average_ms, "between the shortest and the longest seek");
        }
        if !(self.spread.least > 0.0 && self.spread.least <= 1.0) {
            return wrong("spread.least", self.spread.least, "above 0 and at most 1");
        }
        if !(1.0..=1e3).contains(&self.spread.most) {
            return wrong("spread.most", self.spread.most, "between 1 and 1,000");
        }
        Ok(())
    }

    /// The rate at a byte, in bytes a second.
    pub fn rate_at(&self, byte: u64, drive_bytes: u64) -> f64 {
        transfer::rate_at(self, byte, drive_bytes)
    }

    /// The rate of reading the whole drive from front to back, in bytes a second, requests and seeks left out.
    pub fn mean_rate(&self) -> f64 {
        // A drive of any size gives the same; this one is divided without loss.
        const DRIVE: u64 = 1 << 40;
        transfer::seconds(self, Extent::between(0, DRIVE), DRIVE).recip() * to_f64(DRIVE)
    }

    /// The same drive with one rate everywhere, in bytes a second.
    #[must_use]
    pub fn at_one_rate(self, rate: f64) -> DriveModel {
        let interface_rate = self.interface_rate.max(rate);
        DriveModel { first_rate: rate, last_rate: rate, interface_rate, ..self }
    }

    /// The same drive with its rates in proportion, such that the whole drive reads at `rate` bytes a second.
    #[must_use]
    pub fn at_mean_rate(self, rate: f64) -> DriveModel {
        let uncapped = DriveModel { interface_rate: f64::INFINITY, ..self.clone() };
        let factor = rate / uncapped.mean_rate();
        let (first_rate, last_rate) = (self.first_rate * factor, self.last_rate * factor);
        let interface_rate = self.interface_rate.max(first_rate).max(last_rate);
        DriveModel { first_rate, last_rate, interface_rate, ..self }
    }

    /// The same drive with one time for every seek, the turn included, in milliseconds.
    #[must_use]
    pub fn with_reposition(self, milliseconds: f64) -> DriveModel {
        let seek = SeekCurve { shortest_ms: milliseconds, average_ms: milliseconds, longest_ms: milliseconds };
        DriveModel { seek, turn_ms: 0.0, ..self }
    }

    /// The average seek with half a turn, in seconds.
    pub fn mean_reposition_seconds(&self) -> f64 {
        (self.seek.average_ms + self.turn_ms / 2.0) / 1000.0
    }

    /// Seconds of transfer for `extent`, requests and moves left out.
    pub fn transfer_seconds(&self, extent: Extent, drive_bytes: u64) -> f64 {
        transfer::seconds(self, extent, drive_bytes)
    }

    /// The least that getting anywhere else can cost, in seconds: the shortest seek and half a turn.
    pub fn least_reposition_seconds(&self) -> f64 {
        (self.seek.shortest_ms + self.turn_ms / 2.0) / 1000.0
    }

    /// Seconds until the head stands before byte `to`. Forward, what lies between passes under the head in the time that
    /// reading it would take; when a seek with half a turn is shorter, that is what it takes. Nothing when it stands
    /// there already.
    pub fn move_seconds(&self, head: Head, to: u64) -> f64 {
        if head.at == to {
            return 0.0;
        }
        let share = to_f64(head.at.abs_diff(to)) / to_f64(head.drive_bytes.max(1));
        let seek = (self.seek.milliseconds(share) + self.turn_ms / 2.0) / 1000.0;
        if to > head.at {
            seek.min(transfer::seconds(self, Extent::between(head.at, to), head.drive_bytes))
        } else {
            seek
        }
    }

    /// Seconds to read `extent` in requests of at most `request_bytes`, and the head behind it.
    pub fn read_seconds(&self, head: Head, extent: Extent, request_bytes: u64) -> (f64, Head) {
        let requests = extent.bytes.div_ceil(request_bytes.max(1));
        let seconds = self.move_seconds(head, extent.start.0)
            + to_f64(requests) * self.request_ms / 1000.0
            + transfer::seconds(self, extent, head.drive_bytes);
        (seconds, Head { at: extent.end(), ..head })
    }

    /// The break-even gap at a place, in bytes: up to it, reading through costs no more time than skipping. Rate x
    /// seek time, with the seek that a gap of that length takes.
    pub fn break_even_gap(&self, at: u64, drive_bytes: u64) -> u64 {
        let rate = self.rate_at(at, drive_bytes);
        let mut gap = 0.0;
        // The seek grows ever slower than the gap, so this settles; eight rounds leave less than a sector on any drive.
        for _ in 0..8 {
            let seek = self.seek.milliseconds(gap / to_f64(drive_bytes.max(1)));
            gap = rate * (seek + self.turn_ms / 2.0 + self.request_ms) / 1000.0;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
        let gap = gap as u64;
        gap
    }
}

#[allow(clippy::cast_precision_loss, reason = "times need no 53 bits")]
pub(crate) fn to_f64(value: u64) -> f64 {
    value as f64
}

impl Ends for ModelError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A drive with one rate and one seek time.
    pub fn flat(rate: f64, reposition_ms: f64) -> DriveModel {
        DriveModel {
            name: "flat".to_owned(),
            seek: SeekCurve { shortest_ms: reposition_ms, average_ms: reposition_ms, longest_ms: reposition_ms },
            turn_ms: 0.0,
            first_rate: rate,
            last_rate: rate,
            interface_rate: 1e12,
            request_ms: 0.0,
            failed_seconds: 7.0,
            spread: Spread::default(),
            sources: BTreeMap::new(),
        }
    }

    // Source: elementary; 1 TB at 150 MB/s is 1.85 h, at 35 MB/s 7.94 h.
    #[test]
    fn a_whole_drive_at_one_rate() {
        for (rate, hours) in [(150e6, 1.85), (35e6, 7.94)] {
            let head = Head { at: 0, drive_bytes: 1_000_000_000_000 };
            let (seconds, head) = flat(rate, 8.5).read_seconds(head, Extent::between(0, 1_000_000_000_000), 1 << 20);
            assert!((seconds / 3600.0 - hours).abs() < 0.01, "{seconds}");
            assert_eq!(head.at, 1_000_000_000_000);
        }
    }

    // Source: g* = B x t ("Data Sieving and Collective I/O in ROMIO", Thakur, Gropp, Lusk 1999, reads one block with its
    // holes by the same reasoning); the products in KiB by hand.
    #[test]
    fn the_break_even_gap_is_rate_times_reposition_time() {
        for (rate, ms, kib) in [(250e6, 1.0, 244), (120e6, 8.5, 996), (35e6, 12.7, 434), (120e6, 12.7, 1488)] {
            let gap = flat(rate, ms).break_even_gap(0, 1 << 40);
            assert_eq!((gap + 512) / 1024, kib);
        }
    }

    #[test]
    fn skipping_never_costs_more_than_reading_through() {
        let model = preset("desktop-7200").unwrap().model();
        let drive_bytes = 1 << 40;
        for gap in [1_u64, 4096, 1 << 20, 1 << 21, 1 << 24, 1 << 30, 1 << 39] {
            let head = Head { at: 1 << 30, drive_bytes };
            let skip = model.move_seconds(head, head.at + gap);
            let through = model.transfer_seconds(Extent::between(head.at, head.at + gap), drive_bytes);
            assert!(skip <= through + 1e-12);
            let star = model.break_even_gap(head.at, drive_bytes);
            let closes = (skip - through).abs() < 1e-9;
            assert_eq!(closes, gap <= star, "gap {gap}, break-even {star}");
        }
    }

    #[test]
    fn figures_that_no_drive_has_are_refused() {
        let good = flat(1e8, 10.0);
        assert!(good.check().is_ok());
        assert!(DriveModel { first_rate: 0.0, ..good.clone() }.check().is_err());
        assert!(DriveModel { turn_ms: f64::NAN, ..good.clone() }.check().is_err());
        assert!(DriveModel { failed_seconds: -1.0, ..good.clone() }.check().is_err());
        let seek = SeekCurve { shortest_ms: 5.0, average_ms: 4.0, longest_ms: 9.0 };
        assert!(DriveModel { seek, ..good }.check().is_err());
        for kind in PRESETS {
            kind.model().check().unwrap();
        }
    }
}
