//! A drive's measured pace as text.

use super::{line, time_range};
use crate::base::human;
use crate::cli::table::{Column, Overflow, fitted};
use crate::copy::pace::{End, Figure, PaceReport, RatePoint};

/// How wide a bar is at most.
const WIDTH: f64 = 40.0;
/// Into how many parts the drive is divided for the picture.
const PLACES: u64 = 20;

/// What was measured.
pub fn pace(report: &PaceReport) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    say!(
        &mut text,
        "PACE  {} in {} and {}, all of it planned, and now safe in the case",
        human::bytes(report.bytes),
        human::counted(report.requests, "request", "requests"),
        human::seconds(report.seconds)
    );
    let end = match report.end {
        End::Complete => "all rounds were made",
        End::Budget => "the budget of bytes or requests was used up",
        End::Time => "the time allowed was used up",
        End::Failures => "too many reads failed: the drive was spared the rest",
        End::NothingLeft => "nothing is left in the plan that would give a better figure",
    };
    say!(&mut text, "  {end}");
    let rows = report.figures.iter().map(|figure| {
        vec![
            figure.name.to_owned(),
            value(figure, figure.before),
            figure.measured.map_or("not measured".to_owned(), |measured| value(figure, measured)),
            figure.samples.to_string(),
        ]
    });
    text.push_str(&fitted(
        &[Left("figure"), Right("before"), Right("measured"), Right("samples")],
        rows,
        Overflow::Wrap,
    ));
    let spread = &report.model.spread;
    say!(
        &mut text,
        "  times estimated with it may be {} less or {} more",
        human::share(1.0 - spread.least),
        human::share(spread.most - 1.0)
    );
    picture(&mut text, &report.rates, report.drive_bytes);
    say!(&mut text, "  model: {}", &report.path.to_string_lossy());
    let [about, least, most] = report.plan_seconds;
    say!(&mut text, "");
    say!(
        &mut text,
        "The rest of your plan now takes about {} ({}) where nothing fails.",
        human::seconds(about),
        time_range(least, most)
    );
    text
}

fn value(figure: &Figure, value: f64) -> String {
    match figure.name {
        name if name.ends_with("_ms") => format!("{value:.2} ms"),
        name if name.ends_with("_rate") => format!("{:.1} MB/s", value / 1e6),
        _ => format!("{value:.1} s"),
    }
}

/// A bar for each part of the drive in which something was measured.
fn picture(text: &mut String, rates: &[RatePoint], drive_bytes: u64) {
    let best = rates.iter().map(|point| point.rate).fold(0.0, f64::max);
    if best <= 0.0 {
        return;
    }
    say!(text, "  rate by position:");
    let slot = drive_bytes.div_ceil(PLACES).max(1);
    for place in 0..PLACES {
        let here: Vec<f64> = rates.iter().filter(|point| point.byte / slot == place).map(|point| point.rate).collect();
        if here.is_empty() {
            continue;
        }
        #[allow(clippy::cast_precision_loss, reason = "a few dozen")]
        let mean = here.iter().sum::<f64>() / here.len() as f64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most the width")]
        let bar = "█".repeat((mean / best * WIDTH).round().max(1.0) as usize);
        say!(text, "  {:>4} %  {bar} {:.1} MB/s", place * 100 / PLACES, mean / 1e6);
    }
}
