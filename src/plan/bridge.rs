//! Bridging: reading through a small gap between two extents of a pass when that is cheaper than a seek.
//!
//! `docs/bridging.md` has the rule, its figures and where they come from.

use super::Pace;
use serde::{Deserialize, Serialize};

/// Which gaps are read through.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BridgeRule {
    /// The largest gap that is read through, in bytes; 0 for none.
    pub gap_bytes: u64,
    /// The pace that the figure follows from; `None` when it was given as such.
    pub pace: Option<Pace>,
}

impl BridgeRule {
    /// Gaps from a pace are rounded down to a multiple of this: the physical sector of nearly all drives, and the
    /// cluster size of nearly all volumes.
    const UNIT: u64 = 4096;

    /// No gap is read through.
    pub const OFF: BridgeRule = BridgeRule { gap_bytes: 0, pace: None };

    /// Gaps of up to `gap_bytes`.
    pub fn fixed(gap_bytes: u64) -> BridgeRule {
        BridgeRule { gap_bytes, pace: None }
    }

    /// Gaps of up to rate x reposition time, rounded down to a multiple of 4096 bytes.
    pub fn from_pace(pace: Pace) -> BridgeRule {
        BridgeRule { gap_bytes: pace.break_even_gap() / Self::UNIT * Self::UNIT, pace: Some(pace) }
    }

    /// The rule at another rate, with the reposition time that bridging assumes: [`Pace::AVERAGE_SEEK_MICROSECONDS`].
    pub fn at_rate(bytes_per_second: u64) -> BridgeRule {
        let reposition_microseconds = Pace::AVERAGE_SEEK_MICROSECONDS;
        BridgeRule::from_pace(Pace { bytes_per_second, reposition_microseconds })
    }
}

impl Default for BridgeRule {
    /// 120 MB/s x 8.5 ms = 1,020,000 bytes, rounded down to 1,019,904.
    fn default() -> BridgeRule {
        BridgeRule::at_rate(Pace::TYPICAL_RATE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the product 120,000,000 x 0.0085, and the table in docs/bridging.md.
    #[test]
    fn figures() {
        assert_eq!(BridgeRule::default().gap_bytes, 1_019_904);
        assert_eq!(BridgeRule::at_rate(35_000_000).gap_bytes, 72 * 4096);
        assert_eq!(BridgeRule::at_rate(0).gap_bytes, 0);
        assert_eq!(BridgeRule::at_rate(u64::MAX).gap_bytes % 4096, 0);
    }
}
