//! Axes: which round values are marked, and how they read.

use crate::base::human;

/// What an axis counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Quantity {
    /// Bytes, marked in decimal units.
    Bytes,
    /// Bytes a second.
    BytesPerSecond,
    /// Seconds, marked as people read times.
    Seconds,
    /// A share from 0 to 1, marked in percent.
    Share,
    /// A share from 0 to 1 on a square-root scale, so that little of much is seen.
    ShareRoot,
    /// Degrees Celsius.
    Celsius,
    /// A plain number.
    Number,
}

/// An axis.
#[derive(Clone, Copy, Debug)]
pub struct Axis<'a> {
    /// What it shows, in a word or two, without the unit.
    pub label: &'a str,
    /// What it counts.
    pub quantity: Quantity,
    /// The value at its start.
    pub from: f64,
    /// The value at its end. An axis that does not ascend is made one unit long.
    pub to: f64,
}

impl Axis<'_> {
    /// Start and end, finite and ascending.
    pub(super) fn ends(&self) -> (f64, f64) {
        let from = if self.from.is_finite() { self.from } else { 0.0 };
        let to = if self.to.is_finite() && self.to > from { self.to } else { from + 1.0 };
        (from, to)
    }

    /// Where a value lies, 0 at the start and 1 at the end; what lies beyond is brought in.
    pub(super) fn place(&self, value: f64) -> f64 {
        let (from, to) = self.ends();
        let linear = if value.is_finite() { ((value - from) / (to - from)).clamp(0.0, 1.0) } else { 0.0 };
        if self.quantity == Quantity::ShareRoot { linear.sqrt() } else { linear }
    }

    /// Round values to mark, at most about `most` of them.
    pub(super) fn ticks(&self, most: f64) -> Vec<f64> {
        if self.quantity == Quantity::ShareRoot {
            return vec![0.0, 0.25, 1.0];
        }
        let (from, to) = self.ends();
        let step = self.step((to - from) / most.max(1.0));
        let first = (from / step).ceil();
        let mut ticks = Vec::new();
        let mut number = first;
        while number * step <= to * (1.0 + 1e-9) && ticks.len() < 100 {
            ticks.push(number * step);
            number += 1.0;
        }
        ticks
    }

    /// The least round step that is not below `least`.
    fn step(&self, least: f64) -> f64 {
        const TIMES: [f64; 17] = [
            1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0,
            21_600.0, 43_200.0,
        ];
        let decimal = |least: f64| {
            let power = 10f64.powf(least.log10().floor());
            [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power).into_iter().find(|step| *step >= least * (1.0 - 1e-9))
        };
        match self.quantity {
            Quantity::Seconds if least > 43_200.0 => decimal(least / 86_400.0).unwrap_or(1.0).max(1.0) * 86_400.0,
            Quantity::Seconds if least > 0.5 => TIMES.into_iter().find(|step| *step >= least).unwrap_or(86_400.0),
            Quantity::Bytes => decimal(least.max(1.0)).unwrap_or(1.0),
            _ => decimal(least).unwrap_or(1.0),
        }
    }

    /// A value as it stands at its mark.
    pub(super) fn text(&self, value: f64) -> String {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
        let whole = value.max(0.0).round() as u64;
        match self.quantity {
            Quantity::Bytes => short_bytes(whole),
            Quantity::BytesPerSecond => format!("{}/s", short_bytes(whole)),
            Quantity::Seconds => short_time(value),
            Quantity::Share | Quantity::ShareRoot => human::share(value),
            Quantity::Celsius => format!("{} °C", plain(value)),
            Quantity::Number => plain(value),
        }
    }
}

fn plain(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// `1.50 GB` as `1.5 GB`: a mark is a round value.
fn short_bytes(bytes: u64) -> String {
    let text = human::bytes(bytes);
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
        }
        _ => text,
    }
}

/// A mark on a time axis: `0`, `30 s`, `5 min`, `1 h 30`, `2 d`.
fn short_time(value: f64) -> String {
    if value < 10.0 && value.fract().abs() > 1e-6 {
        return format!("{} s", plain(value));
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
    let whole = value.max(0.0).round() as u64;
    match whole {
        0 => "0".to_owned(),
        _ if whole < 60 || (whole < 3600 && !whole.is_multiple_of(60)) => format!("{whole} s"),
        _ if whole < 3600 => format!("{} min", whole / 60),
        _ if whole.is_multiple_of(86_400) => format!("{} d", whole / 86_400),
        _ if whole.is_multiple_of(3600) => format!("{} h", whole / 3600),
        _ => format!("{} h {:02}", whole / 3600, whole % 3600 / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marks(quantity: Quantity, from: f64, to: f64, most: f64) -> String {
        let axis = Axis { label: "", quantity, from, to };
        axis.ticks(most).into_iter().map(|value| axis.text(value)).collect::<Vec<_>>().join(" | ")
    }

    #[test]
    fn marks_are_round_and_few() {
        assert_eq!(marks(Quantity::Bytes, 0.0, 2.3e9, 5.0), "0 B | 500 MB | 1 GB | 1.5 GB | 2 GB");
        assert_eq!(marks(Quantity::Seconds, 0.0, 95.0, 5.0), "0 | 30 s | 60 s | 90 s".replace("60 s", "1 min"));
        assert_eq!(marks(Quantity::Seconds, 0.0, 9000.0, 5.0), "0 | 30 min | 1 h | 1 h 30 | 2 h | 2 h 30");
        assert_eq!(marks(Quantity::Seconds, 0.0, 400_000.0, 5.0), "0 | 1 d | 2 d | 3 d | 4 d");
        assert_eq!(marks(Quantity::Seconds, 0.0, 0.4, 4.0), "0 | 0.1 s | 0.2 s | 0.3 s | 0.4 s");
        assert_eq!(marks(Quantity::Share, 0.0, 1.0, 2.0), "0 % | 50 % | 100 %");
        assert_eq!(marks(Quantity::Celsius, 35.0, 52.0, 4.0), "35 °C | 40 °C | 45 °C | 50 °C");
        assert_eq!(marks(Quantity::BytesPerSecond, 0.0, 1.2e8, 3.0), "0 B/s | 50 MB/s | 100 MB/s");
        assert_eq!(marks(Quantity::Bytes, 0.0, 0.0, 3.0), "0 B | 1 B");
    }
}
