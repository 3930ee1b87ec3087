//! The time a seek takes, by its length.

use serde::{Deserialize, Serialize};

/// A seek curve through the three figures that spec sheets print. Short seeks spend their time speeding up and slowing
/// down, so their time grows with the root of the distance; long ones coast, and grow in a line. The form, a root for
/// short and a line for long seeks, is that of Ruemmler and Wilkes, "An introduction to disk drive modeling" (IEEE
/// Computer, 1994; from memory).
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeekCurve {
    /// To a neighbouring track, in milliseconds.
    pub shortest_ms: f64,
    /// The average over random pairs of places, in milliseconds; taken as the time of a third of the whole stroke,
    /// the mean distance of two random places.
    pub average_ms: f64,
    /// From one end to the other, in milliseconds.
    pub longest_ms: f64,
}

/// Mean distance of two places chosen at random, as a share of the whole.
const MEAN_DISTANCE: f64 = 1.0 / 3.0;

impl SeekCurve {
    /// Milliseconds for a distance that is `share` (0 to 1) of the drive.
    pub fn milliseconds(&self, share: f64) -> f64 {
        let share = share.clamp(0.0, 1.0);
        if share <= MEAN_DISTANCE {
            self.shortest_ms + (self.average_ms - self.shortest_ms) * (share / MEAN_DISTANCE).sqrt()
        } else {
            let beyond = (share - MEAN_DISTANCE) / (1.0 - MEAN_DISTANCE);
            self.average_ms + (self.longest_ms - self.average_ms) * beyond
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the three figures themselves; 12 and 20 ms are the average and full stroke that spec sheets of 2.5-inch
    // drives give, 1.0 ms a track.
    #[test]
    fn the_curve_goes_through_its_three_figures_and_never_falls() {
        let curve = SeekCurve { shortest_ms: 1.0, average_ms: 12.0, longest_ms: 20.0 };
        for (share, ms) in [(0.0, 1.0), (1.0 / 3.0, 12.0), (1.0, 20.0), (1.0 / 12.0, 6.5), (2.0 / 3.0, 16.0)] {
            assert!((curve.milliseconds(share) - ms).abs() < 1e-9, "{share}");
        }
        let steps: Vec<f64> = (0..=1000).map(|n| curve.milliseconds(f64::from(n) / 1000.0)).collect();
        assert!(steps.windows(2).all(|pair| pair[0] <= pair[1]));
    }
}
