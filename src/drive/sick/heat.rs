//! How warm a drive becomes.

use crate::base::clock::Moment;
use std::time::Duration;

/// What warms a drive. Its temperature comes ever closer to what its work would bring it to.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Heat {
    /// Degrees Celsius of the air, and of the drive at first.
    pub ambient: f64,
    /// Degrees above that after reading without end.
    pub reading: f64,
    /// Degrees above that after failing without end.
    pub failing: f64,
    /// In how many minutes two thirds (1 - 1/e) of the way are gone.
    pub minutes: f64,
}

impl Heat {
    /// A drive on an open bench, which stays well below its limits (common practice, no source).
    pub const OPEN_BENCH: Heat = Heat { ambient: 25.0, reading: 15.0, failing: 18.0, minutes: 15.0 };
}

/// A temperature and since when it has been so.
#[derive(Clone, Copy, Debug)]
pub(super) struct Warmth {
    celsius: f64,
    at: Moment,
}

impl Warmth {
    pub(super) fn at_first(heat: &Heat) -> Warmth {
        Warmth { celsius: heat.ambient, at: Moment::default() }
    }

    /// Degrees Celsius now, when the drive has idled since.
    pub(super) fn celsius(&self, heat: &Heat, now: Moment) -> f64 {
        towards(self.celsius, heat.ambient, now.since(self.at), heat)
    }

    /// Idles until `began`, then works until `ended`, which would bring it to `above` degrees above the air.
    pub(super) fn work(&mut self, heat: &Heat, above: f64, began: Moment, ended: Moment) {
        let idle = self.celsius(heat, began);
        self.celsius = towards(idle, heat.ambient + above, ended.since(began), heat);
        self.at = ended;
    }
}

/// Newton's law of cooling: the way that is left shrinks by a factor e in each time constant.
fn towards(from: f64, to: f64, time: Duration, heat: &Heat) -> f64 {
    if time.is_zero() { from } else { to + (from - to) * (-time.as_secs_f64() / (heat.minutes * 60.0)).exp() }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: Newton's law of cooling; e^-1 = 0.3679, e^-2 = 0.1353.
    #[test]
    fn it_warms_by_work_and_cools_by_rest() {
        let heat = Heat { ambient: 20.0, reading: 40.0, failing: 60.0, minutes: 10.0 };
        let at = |minutes: u64| Moment(Duration::from_secs(minutes * 60));
        let mut warmth = Warmth::at_first(&heat);
        warmth.work(&heat, heat.reading, at(0), at(10));
        assert!((warmth.celsius(&heat, at(10)) - (60.0 - 40.0 * 0.3679)).abs() < 0.01);
        assert!((warmth.celsius(&heat, at(30)) - (20.0 + 25.284 * 0.1353)).abs() < 0.01);
        warmth.work(&heat, heat.failing, at(30), at(40));
        assert!((warmth.celsius(&heat, at(40)) - (80.0 - (80.0 - 23.42) * 0.3679)).abs() < 0.02);
    }
}
