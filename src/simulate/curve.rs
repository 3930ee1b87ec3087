//! Bytes over time in few points.

use crate::survey::allocation::Class;
use serde::Serialize;

/// The most points a curve has, beside those at which a class is complete.
pub const CURVE_POINTS: usize = 240;

/// How much was read at a moment.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct CurvePoint {
    /// Seconds since the start.
    pub seconds: f64,
    /// Bytes of each class, in order of value; bytes in a bad region are not among them.
    pub bytes: [f64; Class::ALL.len()],
}

/// A curve that thins itself out as it grows.
#[derive(Default)]
pub(super) struct Curve {
    points: Vec<CurvePoint>,
    step: f64,
}

impl Curve {
    pub(super) fn add(&mut self, point: CurvePoint) {
        if self.points.last().is_some_and(|last| point.seconds < last.seconds + self.step) {
            return;
        }
        if self.points.len() == CURVE_POINTS {
            let mut index = 0;
            self.points.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            let lasts = point.seconds - self.points[0].seconds;
            self.step = lasts / (CURVE_POINTS as f64 / 2.0);
        }
        self.points.push(point);
    }

    /// The points with others that must be among them, ascending in time.
    pub(super) fn with(mut self, exact: impl IntoIterator<Item = CurvePoint>) -> Vec<CurvePoint> {
        self.points.extend(exact);
        self.points.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        self.points.dedup();
        self.points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_curve_keeps_few_points_spread_over_all_of_it() {
        let mut curve = Curve::default();
        for n in 0..1_000_000_u32 {
            curve.add(CurvePoint { seconds: f64::from(n), bytes: [f64::from(n); 9] });
        }
        let exact = CurvePoint { seconds: 999_999.0, bytes: [999_999.0; 9] };
        let points = curve.with([exact]);
        assert!((CURVE_POINTS / 4..=CURVE_POINTS + 1).contains(&points.len()), "{}", points.len());
        let widest = points.windows(2).map(|pair| pair[1].seconds - pair[0].seconds).fold(0.0, f64::max);
        assert!(widest < 40_000.0, "{widest}");
        assert_eq!(points.last(), Some(&exact));
    }
}
