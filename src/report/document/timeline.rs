//! The runs of copying joined into one time, and thinned to what a picture can show.

use crate::copy::history::{CopyRun, History};
use crate::survey::allocation::Class;

/// Moments that a picture shows at most.
const MOMENTS: usize = 240;

/// All runs on one axis of time: pauses between runs are left out.
pub(super) struct Timeline {
    /// Seconds of each moment, ascending.
    pub(super) at: Vec<f64>,
    /// Bytes that had arrived outside these runs (a survey, a run without history), at each moment.
    pub(super) before: Vec<f64>,
    /// For each class that brought something the bytes safe at each moment.
    pub(super) classes: Vec<(Class, Vec<f64>)>,
    /// The drive's temperature, where it told.
    pub(super) celsius: Vec<(f64, f64)>,
    /// Where the second and later runs begin, in seconds.
    pub(super) starts: Vec<f64>,
    /// How long all runs took together, in seconds.
    pub(super) seconds: f64,
}

struct Moment {
    at: f64,
    before: u64,
    arrived: [u64; Class::ALL.len()],
}

impl Timeline {
    pub(super) fn of(history: &History) -> Timeline {
        let mut moments = Vec::new();
        let mut celsius = Vec::new();
        let mut starts = Vec::new();
        let (mut offset, mut before) = (0.0, 0u64);
        let mut arrived = [0u64; Class::ALL.len()];
        for run in history.runs.iter().filter(|run| !run.points.is_empty()) {
            if !moments.is_empty() {
                starts.push(offset);
            }
            // What is held beyond what runs brought came by other ways.
            before = before.max(run.copied_bytes.saturating_sub(arrived.iter().sum()));
            moments.push(Moment { at: offset, before, arrived });
            for (seconds, class, bytes) in run.arrivals() {
                arrived[class as usize] = arrived[class as usize].saturating_add(bytes);
                moments.push(Moment { at: offset + seconds, before, arrived });
            }
            celsius.extend(run.points.iter().filter_map(|point| Some((offset + point.seconds, point.health.celsius?))));
            offset += length(run);
            moments.push(Moment { at: offset, before, arrived });
        }
        let moments = thin(moments, MOMENTS);
        #[allow(clippy::cast_precision_loss, reason = "a picture")]
        let of_class = |class: Class| {
            let values: Vec<f64> = moments.iter().map(|moment| moment.arrived[class as usize] as f64).collect();
            values.last().is_some_and(|last| *last > 0.0).then_some((class, values))
        };
        #[allow(clippy::cast_precision_loss, reason = "a picture")]
        let before = moments.iter().map(|moment| moment.before as f64).collect();
        Timeline {
            at: moments.iter().map(|moment| moment.at).collect(),
            before,
            classes: Class::ALL.into_iter().filter_map(of_class).collect(),
            celsius: thin(celsius, MOMENTS),
            starts,
            seconds: offset,
        }
    }
}

fn length(run: &CopyRun) -> f64 {
    let last = run.points.last().map_or(0.0, |point| point.seconds);
    run.ended.as_ref().map_or(last, |(seconds, _)| seconds.max(last))
}

/// At most `most` of a list, the last always among them.
fn thin<T>(list: Vec<T>, most: usize) -> Vec<T> {
    let step = list.len().div_ceil(most).max(1);
    let last = list.len().saturating_sub(1);
    list.into_iter().enumerate().filter(|(i, _)| i % step == 0 || *i == last).map(|(_, item)| item).collect()
}

/// Rate over position: for each of `places` equal places of the drive the mean and the least rate that was seen while
/// reading there, in bytes a second.
pub(super) fn rates(history: &History, drive_bytes: u64, places: usize) -> Vec<Option<(f64, f64)>> {
    let mut sums = vec![(0.0, 0u32, f64::INFINITY); places];
    for run in &history.runs {
        let mut last: Option<(f64, u64)> = None;
        for point in &run.points {
            let between = last.filter(|(seconds, _)| point.seconds > *seconds);
            #[allow(clippy::cast_precision_loss, reason = "a rate")]
            let estimated = between
                .map(|(seconds, bytes)| point.copied_bytes.saturating_sub(bytes) as f64 / (point.seconds - seconds));
            last = Some((point.seconds, point.copied_bytes));
            let Some(rate) = point.rate.or(estimated).filter(|rate| rate.is_finite() && *rate > 0.0) else { continue };
            let place = u128::from(point.at) * places as u128 / u128::from(drive_bytes.max(1));
            let place = usize::try_from(place).unwrap_or(usize::MAX).min(places.saturating_sub(1));
            let slot = &mut sums[place];
            *slot = (slot.0 + rate, slot.1 + 1, slot.2.min(rate));
        }
    }
    sums.into_iter().map(|(sum, count, least)| (count > 0).then(|| (sum / f64::from(count), least))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::copy::history::Point;
    use crate::copy::reading::{Health, TimeLeft};

    fn point(seconds: f64, class: Class, copied_bytes: u64, at: u64) -> Point {
        Point {
            seconds,
            class,
            at,
            copied_bytes,
            plan_bytes: 1000,
            deferred_bytes: 0,
            unreadable_bytes: 0,
            failed_requests: 0,
            rate: None,
            left: TimeLeft::default(),
            health: Health { celsius: Some(40.0), ..Health::default() },
        }
    }

    #[test]
    fn runs_are_joined_and_every_byte_counts_once() {
        let first = CopyRun {
            copied_bytes: 100,
            points: vec![point(1.0, Class::Structure, 150, 10), point(3.0, Class::Files, 350, 20)],
            ended: Some((4.0, "stopped".into())),
            ..CopyRun::default()
        };
        // Between the runs 50 bytes came by another way.
        let second =
            CopyRun { copied_bytes: 400, points: vec![point(2.0, Class::Files, 500, 90)], ..CopyRun::default() };
        let history = History { runs: vec![first, second], unread_lines: 0 };
        let line = Timeline::of(&history);
        assert_eq!(line.at, [0.0, 1.0, 3.0, 4.0, 4.0, 6.0, 6.0]);
        assert_eq!(line.before, [100.0, 100.0, 100.0, 100.0, 150.0, 150.0, 150.0]);
        let of = |class| &line.classes.iter().find(|(c, _)| *c == class).unwrap().1;
        assert_eq!(*of(Class::Structure), [0.0, 50.0, 50.0, 50.0, 50.0, 50.0, 50.0]);
        assert_eq!(*of(Class::Files), [0.0, 0.0, 200.0, 200.0, 200.0, 300.0, 300.0]);
        assert_eq!((line.starts.as_slice(), line.seconds), (&[4.0][..], 6.0));
        assert_eq!(line.celsius.len(), 3);
        let rates = rates(&history, 100, 10);
        assert_eq!(rates[2], Some((100.0, 100.0)));
        assert_eq!(rates.iter().flatten().count(), 1);
    }
}
