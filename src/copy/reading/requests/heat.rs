//! When reading pauses because the drive is hot, and when it goes on. What decides is here; the reading side does the waiting.

use crate::base::clock::Moment;
use crate::copy::reading::options::CopyOptions;
use std::time::Duration;

/// Within so many degrees of the limit the drive is warm: reading soon pauses.
const WARM: f64 = 3.0;

/// The drive's temperature, as it was when it was last taken.
#[derive(Default)]
pub(super) struct Heat {
    celsius: Option<f64>,
    taken: Option<Moment>,
}

impl Heat {
    /// The temperature in degrees Celsius, where known.
    pub(super) fn celsius(&self) -> Option<f64> {
        self.celsius
    }

    /// Whether the temperature is to be taken now; `since` tells how long ago a moment was.
    pub(super) fn is_due(&self, options: &CopyOptions, since: impl FnOnce(Moment) -> Duration) -> bool {
        self.taken.is_none_or(|taken| since(taken) >= options.temperature_every)
    }

    /// The temperature was taken; `None` where the sensor does not answer.
    pub(super) fn took(&mut self, celsius: Option<f64>, now: Moment) {
        (self.celsius, self.taken) = (celsius, Some(now));
    }

    /// Above the limit: the temperature, and the one at which reading goes on.
    pub(super) fn hot(&self, options: &CopyOptions) -> Option<(f64, f64)> {
        let celsius = self.celsius.filter(|celsius| *celsius > options.hot_limit)?;
        Some((celsius, options.hot_limit - CopyOptions::COOLING))
    }

    /// Whether the drive has cooled to `until`. A sensor that no longer answers must not hold the copy for ever.
    pub(super) fn has_cooled(&self, until: f64) -> bool {
        self.celsius.is_none_or(|celsius| celsius <= until)
    }

    /// Near the limit, or above it.
    pub(super) fn is_warm(&self, options: &CopyOptions) -> bool {
        self.celsius.is_some_and(|celsius| celsius > options.hot_limit - WARM)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::clock::Clock;

    #[test]
    fn warm_comes_before_hot_and_a_lost_sensor_ends_a_pause() {
        let options = CopyOptions { hot_limit: 55.0, ..CopyOptions::default() };
        let now = Clock::machine().now();
        let mut heat = Heat::default();
        assert!(heat.is_due(&options, |_| Duration::ZERO));
        for (celsius, is_warm, hot) in
            [(52.0, false, None), (53.0, true, None), (55.0, true, None), (56.0, true, Some((56.0, 52.0)))]
        {
            heat.took(Some(celsius), now);
            assert_eq!((heat.is_warm(&options), heat.hot(&options)), (is_warm, hot), "{celsius}");
        }
        assert!(!heat.is_due(&options, |_| Duration::ZERO));
        assert!(heat.is_due(&options, |_| options.temperature_every));
        assert!(!heat.has_cooled(52.0));
        heat.took(Some(52.0), now);
        assert!(heat.has_cooled(52.0));
        heat.took(None, now);
        assert!(heat.has_cooled(52.0) && !heat.is_warm(&options));
    }
}
