//! How a drive fails.

use crate::base::extent::Extent;
use serde::Serialize;

/// How a drive fails while it is read.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Law {
    /// It does not.
    None,
    /// At every moment with the same chance: it lives t seconds with probability e^(-t/m).
    Steady {
        /// The mean life m, in seconds; above 0.
        mean_life_seconds: f64,
    },
    /// It dies at a known moment.
    DiesAfter {
        /// Seconds of reading until then.
        seconds: f64,
    },
    /// It lives, but a region yields nothing: each request that touches it costs a failed read. Every request there is
    /// made once.
    BadRegion {
        /// The region.
        region: Extent,
    },
}

impl Law {
    /// The chance that the drive still lives at a moment.
    pub fn survival(&self, at: f64) -> f64 {
        match *self {
            Law::None | Law::BadRegion { .. } => 1.0,
            Law::Steady { mean_life_seconds } => (-at / mean_life_seconds).exp(),
            Law::DiesAfter { seconds } => f64::from(u8::from(at <= seconds)),
        }
    }

    /// The same averaged over the time from `began` to `ended`: the expected share of what is read evenly meanwhile.
    pub fn mean_survival(&self, began: f64, ended: f64) -> f64 {
        let lasts = ended - began;
        if lasts <= 0.0 {
            return self.survival(began);
        }
        match *self {
            Law::None | Law::BadRegion { .. } => 1.0,
            Law::Steady { mean_life_seconds: mean } => {
                let x = lasts / mean;
                // (1 - e^-x) / x without loss for small x.
                (-began / mean).exp() * -(-x).exp_m1() / x
            }
            Law::DiesAfter { seconds } => ((seconds - began) / lasts).clamp(0.0, 1.0),
        }
    }

    /// Where reading yields nothing.
    pub fn bad_region(&self) -> Option<Extent> {
        match *self {
            Law::BadRegion { region } => Some(region),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the mean of e^(-t/m) over an interval, elementary; 0.4323 = (1 - e^-2) / 2 and 0.6321 = 1 - e^-1 by hand.
    #[test]
    fn means_of_the_exponential_law() {
        let law = Law::Steady { mean_life_seconds: 10.0 };
        for (began, ended, mean) in [(0.0, 20.0, 0.4323), (0.0, 10.0, 0.6321), (10.0, 20.0, 0.6321 * 0.3679)] {
            assert!((law.mean_survival(began, ended) - mean).abs() < 1e-4);
        }
        // As the plain sum over many small steps, and without loss where hardly any time passes.
        let steps = 100_000;
        let sum: f64 = (0..steps).map(|n| law.survival(3.0 + 4.0 * (f64::from(n) + 0.5) / f64::from(steps))).sum();
        assert!((law.mean_survival(3.0, 7.0) - sum / f64::from(steps)).abs() < 1e-9);
        assert!((law.mean_survival(5.0, 5.0 + 1e-12) - law.survival(5.0)).abs() < 1e-9);
    }

    #[test]
    fn a_death_at_a_known_moment_cuts_what_is_being_read() {
        let law = Law::DiesAfter { seconds: 10.0 };
        assert_eq!([(0.0, 5.0), (8.0, 12.0), (10.0, 11.0)].map(|(a, b)| law.mean_survival(a, b)), [1.0, 0.5, 0.0]);
    }
}
