//! The pictures of a running copy, each drawn for a wide and for a narrow window.

use super::board::Board;
use super::places::PLACES;
use crate::base::human;
use crate::copy::history::{CopyRun, Point};
use crate::report::picture::{Axis, Frame, Layer, Line, Paint, Quantity, Tone, density_strip, lines, stacked_areas};
use crate::report::values::class_paint;
use crate::survey::allocation::Class;
use std::fmt::Write;

/// Moments that a picture over time shows at most.
const MOMENTS: usize = 240;

/// Widths in pixels, and what the page's style calls them.
const WIDTHS: [(&str, f64); 2] = [("wide", 760.0), ("narrow", 340.0)];

/// All pictures there is something to draw for, as HTML.
pub(super) fn pictures(board: &Board) -> String {
    let mut out = drive(board);
    if let Some(run) = board.run().filter(|run| !run.points.is_empty()) {
        out.push_str(&safe(run));
        out.push_str(&rate(run));
        out.push_str(&temperature(run));
    }
    out
}

/// A picture in both widths under its heading.
fn figure(heading: &str, draw: impl Fn(&str, f64) -> String) -> String {
    let mut out = format!("<figure><h2>{heading}</h2>");
    for (name, width) in WIDTHS {
        let _ = write!(out, "<div class=\"{name}\">{}</div>", draw(name, width));
    }
    out.push_str("</figure>");
    out
}

fn drive(board: &Board) -> String {
    let bytes = board.file().source.bytes;
    let shares = board.held().shares(bytes);
    let not_read_yet = shares.not_read_yet(board.planned().shares());
    let layers = [
        Layer { name: "copied", paint: Paint::COPIED, values: &shares.copied },
        Layer { name: "skipped", paint: Paint::SKIPPED, values: &shares.skipped },
        Layer { name: "unreadable", paint: Paint::UNREADABLE, values: &shares.unreadable },
        Layer { name: "planned, not read yet", paint: Paint::NOT_READ_YET, values: &not_read_yet },
    ];
    let touched = shares.touched();
    let description = format!(
        "The drive from its first byte to its last, {} in all, in {PLACES} equal parts. The height of each is the \
         share of it that is copied, skipped, unreadable, or planned and not read yet; what stays empty is not planned. \
         Something has been read in {touched} parts.",
        human::bytes(bytes)
    );
    #[allow(clippy::cast_precision_loss, reason = "an axis")]
    let x = Axis { label: "position on the drive", quantity: Quantity::Bytes, from: 0.0, to: bytes as f64 };
    figure("The drive", |name, width| {
        let id = format!("drive-{name}");
        let frame = Frame {
            id: &id,
            title: "What of the drive is copied",
            description: &description,
            width,
            plot_height: 72.0,
        };
        density_strip(&frame, &x, &layers)
    })
}

/// Moments of a run that are shown: all of a short one, the last always.
fn moments(points: usize) -> Vec<usize> {
    let shown = points.min(MOMENTS);
    (1..=shown).map(|n| n * points / shown - 1).collect()
}

fn time_axis(run: &CopyRun) -> Axis<'static> {
    let to = run.points.last().map_or(0.0, |point| point.seconds);
    Axis { label: "time since it began", quantity: Quantity::Seconds, from: 0.0, to }
}

#[allow(clippy::cast_precision_loss, reason = "a picture needs no 53 bits")]
fn safe(run: &CopyRun) -> String {
    let shown = moments(run.points.len());
    let mut at = vec![0.0];
    let mut sums = [0u64; Class::ALL.len()];
    let mut heights: Vec<Vec<f64>> = vec![vec![0.0]; Class::ALL.len()];
    let mut next = shown.iter().peekable();
    for (index, (seconds, class, bytes)) in run.arrivals().enumerate() {
        if let Some(sum) = Class::ALL.iter().position(|known| *known == class).and_then(|i| sums.get_mut(i)) {
            *sum = sum.saturating_add(bytes);
        }
        if next.next_if(|shown| **shown == index).is_some() {
            at.push(seconds);
            heights.iter_mut().zip(sums).for_each(|(heights, sum)| heights.push(sum as f64));
        }
    }
    // What a run tells of its beginning counts all that is held, its points count what of that is planned.
    let held_before = run.points.first().map_or(0, |first| first.copied_bytes).min(run.copied_bytes);
    let before = vec![held_before as f64; at.len()];
    let mut layers = Vec::new();
    if held_before > 0 {
        layers.push(Layer { name: "safe before", paint: Paint::COPIED_BEFORE, values: &before });
    }
    let arrived = Class::ALL.iter().zip(&heights).zip(sums).filter(|(_, sum)| *sum > 0);
    layers.extend(arrived.map(|((class, values), _)| Layer { name: class.name(), paint: class_paint(*class), values }));
    let last = run.points.last().map_or((0, 0), |point| (point.copied_bytes, point.plan_bytes));
    let by_class: Vec<String> = Class::ALL
        .iter()
        .zip(sums)
        .filter(|(_, sum)| *sum > 0)
        .map(|(class, sum)| format!("{class} {}", human::bytes(sum)))
        .collect();
    let description = format!(
        "Bytes safe over time, one layer for each class in the order they were read. Now {} of {} planned. Before this run \
         {}; in this run {}.",
        human::bytes(last.0),
        human::bytes(last.1),
        human::bytes(held_before),
        if by_class.is_empty() { "nothing".to_owned() } else { by_class.join(", ") }
    );
    let y = Axis {
        label: "safe, up to all that is planned",
        quantity: Quantity::Bytes,
        from: 0.0,
        to: last.1.max(last.0) as f64,
    };
    figure("Safe, by class", |name, width| {
        let id = format!("safe-{name}");
        let frame =
            Frame { id: &id, title: "Bytes safe over time", description: &description, width, plot_height: 150.0 };
        stacked_areas(&frame, &time_axis(run), &y, &at, &layers)
    })
}

/// A figure over time: the mean of it between one shown moment and the next.
fn over_time(run: &CopyRun, of: impl Fn(&Point) -> Option<f64>) -> Vec<(f64, f64)> {
    let mut from = 0;
    let mean = |last: usize| {
        let part = &run.points[from..=last];
        let known: Vec<f64> = part.iter().filter_map(&of).filter(|value| value.is_finite()).collect();
        from = last + 1;
        #[allow(clippy::cast_precision_loss, reason = "few")]
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        // Without any it is no number, which leaves a gap.
        (run.points[last].seconds, mean)
    };
    moments(run.points.len()).into_iter().map(mean).collect()
}

/// Least and most of what is known; `None` when nothing is.
fn reach(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let known = points.iter().map(|point| point.1).filter(|value| value.is_finite());
    known.fold(None, |reach, value| match reach {
        None => Some((value, value)),
        Some((least, most)) => Some((least.min(value), most.max(value))),
    })
}

fn rate(run: &CopyRun) -> String {
    let points = over_time(run, |point| point.rate);
    let Some((least, most)) = reach(&points) else { return String::new() };
    let description =
        format!("How fast bytes arrive, over time: between {} and {}.", human_rate(least), human_rate(most));
    let y = Axis { label: "rate", quantity: Quantity::BytesPerSecond, from: 0.0, to: most * 1.08 };
    let line = [Line { name: "rate", tone: Tone::Ink, dashed: false, points: &points }];
    figure("Rate", |name, width| {
        let id = format!("rate-{name}");
        let frame = Frame { id: &id, title: "Rate over time", description: &description, width, plot_height: 96.0 };
        lines(&frame, &time_axis(run), &y, &line, &[])
    })
}

fn temperature(run: &CopyRun) -> String {
    let points = over_time(run, |point| point.health.celsius);
    let Some((least, most)) = reach(&points) else { return String::new() };
    let description = format!("Temperature of the drive over time: between {least:.0} and {most:.0} °C.");
    let y =
        Axis { label: "temperature", quantity: Quantity::Celsius, from: least.floor() - 3.0, to: most.ceil() + 3.0 };
    let line = [Line { name: "temperature", tone: Tone::Ink, dashed: false, points: &points }];
    figure("Heat", |name, width| {
        let id = format!("heat-{name}");
        let frame =
            Frame { id: &id, title: "Temperature over time", description: &description, width, plot_height: 96.0 };
        lines(&frame, &time_axis(run), &y, &line, &[])
    })
}

/// Bytes a second as people read them.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
pub(super) fn human_rate(rate: f64) -> String {
    format!("{}/s", human::bytes(rate.max(0.0) as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_moments_and_the_last_among_them() {
        assert!(moments(0).is_empty());
        assert_eq!(moments(3), [0, 1, 2]);
        for points in [MOMENTS, MOMENTS + 1, 7 * MOMENTS + 3, 100_000] {
            let shown = moments(points);
            assert_eq!((shown.len(), shown.last()), (MOMENTS, Some(&(points - 1))));
            assert!(shown.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
