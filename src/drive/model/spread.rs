//! How far the time may be off.

use serde::{Deserialize, Serialize};

/// How far a time estimated from a model may be off, as factors on it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// The least time over the estimated one, above 0 and at most 1.
    pub least: f64,
    /// The most time over the estimated one, at least 1.
    pub most: f64,
}

impl Spread {
    /// Of a drive that was not measured: 30 % less to 50 % more (common practice, no source).
    pub const UNMEASURED: Spread = Spread { least: 0.7, most: 1.5 };

    /// The lowest and the highest of the times that `seconds` stands for.
    pub fn range(&self, seconds: f64) -> (f64, f64) {
        (seconds * self.least, seconds * self.most)
    }
}

impl Default for Spread {
    fn default() -> Spread {
        Spread::UNMEASURED
    }
}
