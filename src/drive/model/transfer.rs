//! The time a transfer takes: the rate falls in a line from the first byte to the last, and the interface caps it.

use super::{DriveModel, to_f64};
use crate::base::extent::Extent;

/// The rate at a byte.
pub(super) fn rate_at(model: &DriveModel, byte: u64, drive_bytes: u64) -> f64 {
    raw_rate(model, byte, drive_bytes).min(model.interface_rate)
}

fn raw_rate(model: &DriveModel, byte: u64, drive_bytes: u64) -> f64 {
    let share = (to_f64(byte) / to_f64(drive_bytes.max(1))).clamp(0.0, 1.0);
    model.first_rate + (model.last_rate - model.first_rate) * share
}

/// The integral of 1 / rate over an extent.
pub(super) fn seconds(model: &DriveModel, extent: Extent, drive_bytes: u64) -> f64 {
    if extent.is_empty() {
        return 0.0;
    }
    let (from, to) = (extent.start.0, extent.end());
    let (first, last) = (raw_rate(model, from, drive_bytes), raw_rate(model, to, drive_bytes));
    let cap = model.interface_rate;
    if first <= cap && last <= cap {
        return of_line(to_f64(extent.bytes), first, last);
    }
    if first >= cap && last >= cap {
        return to_f64(extent.bytes) / cap;
    }
    // The cap ends somewhere inside.
    let share = (first - cap) / (first - last);
    let bytes = to_f64(extent.bytes);
    let (before, behind) = (bytes * share, bytes * (1.0 - share));
    let capped = |bytes: f64, a: f64, b: f64| if a.max(b) > cap { bytes / cap } else { of_line(bytes, a, b) };
    if first > cap {
        capped(before, first, cap) + of_line(behind, cap, last)
    } else {
        of_line(before, first, cap) + behind / cap
    }
}

/// Seconds for `bytes` over which the rate goes in a line from `first` to `last`.
fn of_line(bytes: f64, first: f64, last: f64) -> f64 {
    let change = (last - first) / first;
    // Near equality the logarithm loses all its digits; its series does not.
    if change.abs() < 1e-6 {
        return bytes / (first * (1.0 + change / 2.0));
    }
    bytes / (last - first) * (last / first).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::model::preset;

    /// Against the plain sum over many small steps.
    #[test]
    fn the_integral_agrees_with_a_sum_of_small_steps() {
        let mut model = preset("desktop-7200").unwrap().model();
        let drive = 1_000_000_000_000;
        for cap in [1e12, 150e6, 120e6, 35e6] {
            model.interface_rate = cap;
            for extent in [
                Extent::between(0, drive),
                Extent::between(drive / 4, drive / 2),
                Extent::between(drive / 3, drive / 3 + 4096),
            ] {
                const STEPS: u32 = 20_000;
                let step = to_f64(extent.bytes) / f64::from(STEPS);
                let sum: f64 = (0..STEPS)
                    .map(|n| {
                        let share = (to_f64(extent.start.0) + (f64::from(n) + 0.5) * step) / to_f64(drive);
                        let rate = (model.first_rate + (model.last_rate - model.first_rate) * share).min(cap);
                        step / rate
                    })
                    .sum();
                let exact = seconds(&model, extent, drive);
                assert!((exact / sum - 1.0).abs() < 1e-4, "cap {cap}, {extent:?}: {exact} against {sum}");
            }
        }
    }
}
