//! The bound that no strategy can beat: bytes over time when only the speed of the platters counts.

use super::ailment::Prospect;
use super::drive::SickDrive;
use crate::base::extent::Extent;
use crate::drive::model::to_f64;
use std::collections::BTreeMap;
use std::time::Duration;

/// The most of some extents that can be read in a time: the fastest places first, without seeks, requests or failures.
///
/// Whatever is read takes at least the time of its transfer, so no order and no luck gets more. Sectors that answer late
/// count as readable, and so does what growing damage takes only later.
#[derive(Clone, PartialEq, Debug)]
pub struct SpeedBound {
    /// Rates in bytes a second with the bytes that come at each, the fastest first.
    steps: Vec<(f64, u64)>,
}

/// Extents are looked at in pieces of this many bytes, so that the parts of one are few.
const PIECE: u64 = 64 << 20;

impl SpeedBound {
    /// The bound for `extents`, which may not overlap, of a drive that is new.
    pub fn of(drive: &SickDrive, extents: &[Extent]) -> SpeedBound {
        let twin = drive.twin();
        // Positive floats are in the order of their bits.
        let mut steps: BTreeMap<u64, u64> = BTreeMap::new();
        for piece in extents.iter().flat_map(|extent| extent.pieces(PIECE)) {
            for (part, prospect) in twin.prospects(piece) {
                let Prospect::Read { slowness, .. } = prospect else { continue };
                for (span, rate) in twin.rates(part) {
                    *steps.entry((rate / slowness).to_bits()).or_default() += span.bytes;
                }
            }
        }
        SpeedBound { steps: steps.into_iter().rev().map(|(rate, bytes)| (f64::from_bits(rate), bytes)).collect() }
    }

    /// The most bytes after so much time. Rounded up, and a nanosecond for each of a million requests is let pass, because
    /// a simulated clock counts whole nanoseconds.
    pub fn bytes_after(&self, time: Duration) -> u64 {
        let mut left = time.as_secs_f64() + 1e-3;
        let mut sum = 0;
        for (rate, bytes) in &self.steps {
            let seconds = to_f64(*bytes) / rate;
            if seconds > left {
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "less than `bytes`")]
                let part = (left * rate).ceil() as u64;
                return sum + part;
            }
            left -= seconds;
            sum += bytes;
        }
        sum
    }
}
