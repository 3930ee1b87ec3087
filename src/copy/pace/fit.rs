//! From times to a model. Every figure rests on medians or on squares with outliers left out; what cannot be told stays as
//! it was and says so.

use super::Sample;
use super::measure::{LARGE, SMALL};
use super::squares::{median, not_negative, quantile};
use crate::drive::model::{DriveModel, SeekCurve, Spread, to_f64};
use serde::Serialize;
use std::collections::BTreeMap;

/// A figure before and after.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct Figure {
    /// Its name in the model.
    pub name: &'static str,
    /// What it was.
    pub before: f64,
    /// What was measured; `None` when it could not be and stays.
    pub measured: Option<f64>,
    /// How many requests or stretches it rests on.
    pub samples: u64,
}

/// The rate at a place.
#[derive(Serialize, Debug, Clone, Copy, PartialEq)]
pub struct RatePoint {
    /// The stretch's first byte.
    pub byte: u64,
    /// Bytes a second.
    pub rate: f64,
}

/// A model with what it was made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The model.
    pub model: DriveModel,
    /// Each figure.
    pub figures: Vec<Figure>,
    /// The rates, ascending by place.
    pub rates: Vec<RatePoint>,
}

/// The slowest disks turned 3,600 times a minute (from memory); beyond that it is not a turn that was seen.
const LONGEST_TURN_MS: f64 = 60_000.0 / 3600.0;
/// A shorter turn than that of 30,000 a minute is the clock's own noise.
const SHORTEST_TURN_MS: f64 = 2.0;
/// Forward jumps shorter than this may be read through by the drive.
const SHORTEST_JUMP: u64 = 4 << 20;
/// Fewer samples than this say nothing.
const ENOUGH: usize = 4;

/// Fits a model of a drive of `drive_bytes` to what was measured; `base` gives what was not.
pub fn fit(samples: &[Sample], failed_seconds: &[f64], base: &DriveModel, drive_bytes: u64) -> Fit {
    let mut model = base.clone();
    let transfers = transfers(samples);
    let rates = transfers.rates.clone();
    let figure = |name, before, measured, samples| Figure { name, before, measured, samples };
    let line = line(&rates, base, drive_bytes);
    if let Some((first, last, _)) = line {
        (model.first_rate, model.last_rate) = (first, last);
        model.interface_rate = base.interface_rate.max(first).max(last);
    }
    let stretches = rates.len() as u64;
    let mut figures = vec![
        figure("first_rate", base.first_rate, line.map(|l| l.0), stretches),
        figure("last_rate", base.last_rate, line.map(|l| l.1), stretches),
        figure("request_ms", base.request_ms, transfers.request_ms, stretches),
    ];
    if let Some(request_ms) = transfers.request_ms {
        model.request_ms = request_ms;
    }
    let jumps = jumps(samples, &model, drive_bytes);
    let seeks = seeks(&jumps, base);
    if let Some(seeks) = &seeks {
        (model.seek, model.turn_ms) = (seeks.curve, seeks.turn_ms);
    }
    figures.extend(seek_figures(seeks.as_ref(), base, jumps.len() as u64));
    let failed = median(failed_seconds);
    if let Some(seconds) = failed {
        model.failed_seconds = seconds;
    }
    figures.push(figure("failed_seconds", base.failed_seconds, failed, failed_seconds.len() as u64));
    model.spread = spread(line.map(|l| l.2), seeks.as_ref().map(|s| s.error), base.spread);
    if figures.iter().any(|figure| figure.measured.is_some()) && !base.name.ends_with(MEASURED) {
        model.name = format!("{}{MEASURED}", base.name);
    }
    for figure in &figures {
        let source = match figure.measured {
            Some(_) => format!("measured, {} samples", figure.samples),
            None => continue,
        };
        model.sources.insert(figure.name.to_owned(), source);
    }
    Fit { model, figures, rates }
}

const MEASURED: &str = ", as measured";

/// The figures of a seek; its times rest on a third of the jumps each, the turn on all of them.
fn seek_figures(seeks: Option<&Seeks>, base: &DriveModel, jumps: u64) -> [Figure; 4] {
    let time = |name, which: usize, of: fn(&SeekCurve) -> f64| Figure {
        name,
        before: of(&base.seek),
        measured: seeks.filter(|seeks| seeks.support[which] >= ENOUGH).map(|seeks| of(&seeks.curve)),
        samples: seeks.map_or(0, |seeks| seeks.support[which] as u64),
    };
    let turn_ms = seeks.filter(|seeks| seeks.turn_known).map(|seeks| seeks.turn_ms);
    [
        Figure { name: "turn_ms", before: base.turn_ms, measured: turn_ms, samples: jumps },
        time("seek.shortest_ms", 0, |curve| curve.shortest_ms),
        time("seek.average_ms", 1, |curve| curve.average_ms),
        time("seek.longest_ms", 2, |curve| curve.longest_ms),
    ]
}

struct Transfers {
    request_ms: Option<f64>,
    rates: Vec<RatePoint>,
}

/// What requests cost and how fast bytes come, from requests of two sizes in the same stretches.
fn transfers(samples: &[Sample]) -> Transfers {
    let mut stretches: BTreeMap<u32, (u64, Vec<f64>, Vec<f64>)> = BTreeMap::new();
    for sample in samples.iter().filter(|sample| sample.from == sample.extent.start.0) {
        let Some(stretch) = sample.stretch else { continue };
        let (_, small, large) = stretches.entry(stretch).or_insert((sample.extent.start.0, Vec::new(), Vec::new()));
        match sample.extent.bytes {
            SMALL => small.push(sample.seconds),
            LARGE => large.push(sample.seconds),
            _ => {}
        }
    }
    let medians: Vec<(u64, Option<f64>, f64)> = stretches
        .into_values()
        .filter_map(|(byte, small, large)| Some((byte, median(&small), median(&large)?)))
        .collect();
    // The larger takes longer by its further bytes alone.
    let overhead = |(_, small, large): &(u64, Option<f64>, f64)| {
        let small = (*small)?;
        let a_byte = (large - small).max(0.0) / to_f64(LARGE - SMALL);
        Some((small - to_f64(SMALL) * a_byte).clamp(0.0, small.min(*large)))
    };
    let overheads: Vec<f64> = medians.iter().filter_map(overhead).collect();
    let request = median(&overheads);
    let mut rates: Vec<RatePoint> = medians
        .iter()
        .map(|(byte, _, large)| {
            // At most half of the time can be the request's: else there is no rate to speak of.
            let transfer = (large - request.unwrap_or(0.0)).max(large / 2.0).max(1e-9);
            RatePoint { byte: *byte, rate: (to_f64(LARGE) / transfer).clamp(1.0, 1e12) }
        })
        .collect();
    rates.sort_by_key(|point| point.byte);
    Transfers { request_ms: request.map(|seconds| (seconds * 1000.0).min(1e7)), rates }
}

/// The rates at both ends, and how far the points lie from the line as a share; the line of the medians of all slopes and
/// all heights (Theil, 1950, and Sen, 1968; from memory), which a third of wild points cannot bend.
fn line(rates: &[RatePoint], base: &DriveModel, drive_bytes: u64) -> Option<(f64, f64, f64)> {
    let drive = to_f64(drive_bytes.max(1));
    let points: Vec<(f64, f64)> = rates.iter().map(|point| (to_f64(point.byte) / drive, point.rate)).collect();
    let typical = median(&points.iter().map(|p| p.1).collect::<Vec<_>>())?;
    let spread = points.last()?.0 - points.first()?.0;
    let slope = if spread >= 1.0 / 3.0 {
        let pairs = points.iter().enumerate().flat_map(|(n, a)| points[n + 1..].iter().map(move |b| (*a, *b)));
        // Neighbours say nothing about the slope.
        let apart = pairs.filter(|(a, b)| b.0 - a.0 >= spread / 8.0);
        median(&apart.map(|(a, b)| (b.1 - a.1) / (b.0 - a.0)).collect::<Vec<_>>())?
    } else {
        // Too near to each other: the slope of the base, in proportion.
        let here = median(&points.iter().map(|p| p.0).collect::<Vec<_>>())?;
        let (first, last) = (base.first_rate, base.last_rate);
        (last - first) * typical / (first + (last - first) * here)
    };
    let first = median(&points.iter().map(|p| p.1 - slope * p.0).collect::<Vec<_>>())?;
    let floor = typical / 100.0;
    let (first, last) = (first.max(floor).clamp(1.0, 1e12), (first + slope).max(floor).clamp(1.0, 1e12));
    let off = points.iter().map(|p| (p.1 / (first + (last - first) * p.0) - 1.0).abs());
    Some((first, last, median(&off.collect::<Vec<_>>())?))
}

/// A jump: its length as a share of the drive, and its time less request and transfer, in milliseconds.
type Jump = (f64, f64);

fn jumps(samples: &[Sample], model: &DriveModel, drive_bytes: u64) -> Vec<Jump> {
    let jump = |sample: &Sample| {
        let to = sample.extent.start.0;
        let way = sample.from.abs_diff(to);
        let counts = sample.extent.bytes < SMALL && way > 0 && (to < sample.from || way >= SHORTEST_JUMP);
        let transfer = model.transfer_seconds(sample.extent, drive_bytes);
        let ms = (sample.seconds - transfer) * 1000.0 - model.request_ms;
        counts.then_some((to_f64(way) / to_f64(drive_bytes.max(1)), ms.max(0.0)))
    };
    samples.iter().filter_map(jump).collect()
}

struct Seeks {
    curve: SeekCurve,
    turn_ms: f64,
    turn_known: bool,
    /// Samples that speak for each of the curve's figures.
    support: [usize; 3],
    /// How far the mean seek may be off, as a share.
    error: f64,
}

/// The curve's three factors at a distance: the curve is a sum of shortest, average - shortest and longest - average, each
/// of which is not negative.
fn factors(share: f64) -> [f64; 3] {
    let unit = |n: usize| {
        let figure = |at: usize| if n >= at { 1.0 } else { 0.0 };
        let curve = SeekCurve { shortest_ms: figure(2), average_ms: figure(1), longest_ms: figure(0) };
        curve.milliseconds(share)
    };
    // Steps: all three rise by the first, the latter two by the second, the last by the third.
    [unit(2), unit(1), unit(0)]
}

fn seeks(jumps: &[Jump], base: &DriveModel) -> Option<Seeks> {
    if jumps.len() < ENOUGH {
        return None;
    }
    let which = |share: f64| {
        if share < 1.0 / 12.0 {
            0
        } else if share < 2.0 / 3.0 - 0.1 {
            1
        } else {
            2
        }
    };
    let mut support = [0; 3];
    for (share, _) in jumps {
        support[which(*share)] += 1;
    }
    // What no sample tells stays where it was.
    let held_at = [(0.0, base.seek.shortest_ms), (1.0 / 3.0, base.seek.average_ms), (1.0, base.seek.longest_ms)];
    let held: Vec<([f64; 3], f64)> = held_at
        .into_iter()
        .zip(support)
        .filter(|(_, support)| *support < ENOUGH)
        .map(|((share, ms), _)| (factors(share), ms + base.turn_ms / 2.0))
        .collect();
    let solve = |jumps: &[Jump]| {
        let rows: Vec<_> = jumps.iter().map(|(share, ms)| (factors(*share), *ms)).chain(held.iter().copied()).collect();
        not_negative(&rows)
    };
    let at = |steps: [f64; 3], share: f64| factors(share).iter().zip(steps).map(|(f, x)| f * x).sum::<f64>();
    let off = |steps, jumps: &[Jump]| jumps.iter().map(|(share, ms)| ms - at(steps, *share)).collect::<Vec<f64>>();
    // Twice: those far out (a retry, another's request) bend the first curve and are left out of the second.
    let mut kept = jumps.to_vec();
    let mut steps = solve(&kept);
    for _ in 0..3 {
        let residuals = off(steps, &kept);
        let (low, middle, high) = (quantile(&residuals, 0.25)?, median(&residuals)?, quantile(&residuals, 0.75)?);
        // A turn's wait is even over one turn, twice what lies between the quarters: none is further out than that.
        let limit = 1.5 * (high - low) + 0.2;
        let mut at = residuals.iter();
        kept.retain(|_| at.next().is_some_and(|off| (off - middle).abs() <= limit));
        steps = solve(&kept);
    }
    let residuals = off(steps, &kept);
    let quarters = quantile(&residuals, 0.75)? - quantile(&residuals, 0.25)?;
    let turn_known = kept.len() >= 4 * ENOUGH;
    let turn_ms = if turn_known { evenly_spread(&residuals, quarters) } else { base.turn_ms };
    let turn_ms = if turn_known && turn_ms < SHORTEST_TURN_MS { 0.0 } else { turn_ms.min(LONGEST_TURN_MS) };
    // Seek and half a turn were seen together; neither is negative.
    let turn_ms = turn_ms.min(2.0 * steps[0]);
    let shortest_ms = steps[0] - turn_ms / 2.0;
    let average_ms = shortest_ms + steps[1];
    let curve = SeekCurve { shortest_ms, average_ms, longest_ms: average_ms + steps[2] };
    let mean = median(&kept.iter().map(|jump| jump.1).collect::<Vec<_>>())?;
    #[allow(clippy::cast_precision_loss, reason = "a few hundred samples")]
    let error = quarters / (kept.len() as f64).sqrt() / mean.max(0.01);
    Some(Seeks { curve, turn_ms, turn_known, support, error })
}

/// The length over which values are spread evenly: root 12 times their deviation, which is the surer, unless their tails are
/// longer than an even spread has; then twice what lies between the quarters.
fn evenly_spread(residuals: &[f64], quarters: f64) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "a few hundred samples")]
    let free = residuals.len().saturating_sub(3).max(1) as f64;
    let by_deviation = (12.0 * residuals.iter().map(|off| off * off).sum::<f64>() / free).sqrt();
    let by_quarters = 2.0 * quarters;
    if by_quarters < 0.6 * by_deviation { by_quarters } else { by_deviation }
}

/// How far times may be off: twice what the samples disagree, but never less than 5 % down and 10 % up, for what a model
/// leaves out (common practice, no source); what was measured only in part stays wider.
fn spread(rate_error: Option<f64>, seek_error: Option<f64>, base: Spread) -> Spread {
    let error = match (rate_error, seek_error) {
        (Some(rate), Some(seek)) => 2.0 * rate.max(seek),
        (Some(rate), None) => (2.0 * rate).max(0.15),
        (None, _) => return base,
    };
    Spread { least: 1.0 - error.clamp(0.05, 0.3), most: 1.0 + (2.0 * error).clamp(0.10, 0.5) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;
    use crate::drive::model::{Head, PRESETS, preset};

    /// Numbers that look like chance and are the same every time (Knuth's MMIX constants; from memory).
    struct Chance(u64);

    impl Chance {
        fn share(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            to_f64(self.0 >> 11) / to_f64(1 << 53)
        }
    }

    const DRIVE: u64 = 1_000_000_000_000;

    /// What measuring a drive of this model would give: the turn's wait even over a turn, 2 % noise, every 25th read a second late.
    fn samples(model: &DriveModel, chance: &mut Chance) -> Vec<Sample> {
        let mut at = DRIVE / 2;
        let mut made = Vec::new();
        let mut read = |start: u64, bytes, stretch, chance: &mut Chance| {
            let extent = Extent::new(start, bytes).unwrap();
            let still = DriveModel { turn_ms: 0.0, ..model.clone() };
            let (seconds, head) = still.read_seconds(Head { at, drive_bytes: DRIVE }, extent, 1 << 20);
            let wait = if at == start { 0.0 } else { model.turn_ms / 1000.0 * chance.share() };
            let late = if chance.share() < 0.04 { 1.0 } else { 0.0 };
            let seconds = (seconds + wait) * (0.98 + 0.04 * chance.share()) + late;
            made.push(Sample { from: at, extent, stretch, seconds });
            at = head.at;
        };
        for round in 0..4_u32 {
            for place in 0..5_u32 {
                let mut start = (DRIVE - (200 << 20)) / 4 * u64::from(place) + u64::from(round) * (20 << 20);
                let stretch = Some(round * 5 + place);
                for bytes in [4096].into_iter().chain([SMALL; 4]).chain([LARGE; 8]) {
                    read(start, bytes, stretch, chance);
                    start += bytes;
                }
            }
            let mut here = DRIVE - (100 << 20);
            for share in [0.00001, 0.01, 0.1, 1.0 / 3.0, 2.0 / 3.0, 1.0] {
                for _ in 0..6 {
                    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of the drive")]
                    let way = (to_f64(DRIVE - (300 << 20)) * share) as u64;
                    here = if here >= way + (1 << 20) { here - way } else { (here + way).min(DRIVE - (1 << 20)) };
                    read(here, 4096, None, chance);
                }
            }
        }
        made
    }

    fn near(is: f64, should: f64, share: f64, least: f64) -> bool {
        (is - should).abs() <= (should * share).max(least)
    }

    // Source: the model the times were made of.
    #[test]
    fn a_known_model_comes_back_from_noisy_times() {
        let mut chance = Chance(7);
        for truth in PRESETS.map(|kind| kind.model()) {
            let truth = DriveModel { interface_rate: 1e12, ..truth };
            let base = preset(if truth.turn_ms > 0.0 { "sata-ssd" } else { "failing" }).unwrap().model();
            let made = samples(&truth, &mut chance);
            let Fit { model, figures, .. } = fit(&made, &[3.0, 2.0, 60.0], &base, DRIVE);
            model.check().unwrap();
            let what = format!("{}: {model:?}", truth.name);
            assert!(near(model.first_rate, truth.first_rate, 0.04, 0.0), "{what}");
            assert!(near(model.last_rate, truth.last_rate, 0.04, 0.0), "{what}");
            assert!(near(model.request_ms, truth.request_ms, 0.15, 0.06), "{what}");
            assert!(near(model.turn_ms, truth.turn_ms, 0.2, 0.1), "{what}");
            let whole = |m: &DriveModel, share| m.seek.milliseconds(share) + m.turn_ms / 2.0;
            for share in [0.0, 0.01, 0.1, 1.0 / 3.0, 0.66, 1.0] {
                // 24 waits, even over a turn, leave the mean of each distance off by a seventeenth of a turn (one over the
                // root of 12 x 24); twice that, or 12 %.
                let chance = (truth.turn_ms * 2.0 / 17.0).max(0.1);
                assert!(near(whole(&model, share), whole(&truth, share), 0.12, chance), "{share} {what}");
            }
            assert!((model.failed_seconds - 3.0).abs() < 1e-9);
            assert!(figures.iter().all(|figure| figure.measured.is_some()), "{figures:?}");
            assert!(model.spread.least > 0.7 && model.spread.most < 1.5, "{what}");
        }
    }

    #[test]
    fn what_was_not_measured_stays() {
        let base = preset("notebook-5400").unwrap().model();
        let none = fit(&[], &[], &base, DRIVE);
        assert_eq!(none.model, base);
        assert!(none.figures.iter().all(|figure| figure.measured.is_none()));
        // One stretch in the middle tells the rate there, and the ends in proportion.
        let mut chance = Chance(1);
        let truth = DriveModel { first_rate: 60e6, last_rate: 30e6, ..base.clone() };
        let all = samples(&truth, &mut chance);
        let one: Vec<Sample> = all.into_iter().filter(|sample| sample.stretch == Some(2)).collect();
        let fitted = fit(&one, &[], &base, DRIVE);
        assert!(near(fitted.model.first_rate, 60e6, 0.05, 0.0) && near(fitted.model.last_rate, 30e6, 0.05, 0.0));
        assert_eq!(fitted.model.seek, base.seek);
        assert!(fitted.model.spread.most >= 1.3);
    }

    #[test]
    fn no_times_make_a_model_that_no_drive_has() {
        let base = preset("desktop-7200").unwrap().model();
        let mut chance = Chance(3);
        for scale in [0.0, 1e-9, 1e3] {
            let mut wild = samples(&base, &mut chance);
            for sample in &mut wild {
                sample.seconds = scale * chance.share();
            }
            fit(&wild, &[], &base, DRIVE).model.check().unwrap();
            fit(&wild, &[], &base, 4096).model.check().unwrap();
        }
    }

    /// A short read elsewhere is a jump; one that the head need not move for, that goes a little forward, or that is long, is none.
    #[test]
    fn only_short_reads_elsewhere_are_jumps() {
        let model = preset("desktop-7200").unwrap().model();
        let sample =
            |from, at, bytes| Sample { from, extent: Extent::new(at, bytes).unwrap(), stretch: None, seconds: 0.02 };
        let far = DRIVE / 2;
        for (from, at, bytes, is_jump) in [
            (0, far, 4096, true),
            (far, far, 4096, false),
            (0, far, SMALL, false),
            (far, far, SMALL, false),
            (far, far + SHORTEST_JUMP - 4096, 4096, false),
            (far, far + SHORTEST_JUMP, 4096, true),
            (far, far - 4096, 4096, true),
        ] {
            let found = jumps(&[sample(from, at, bytes)], &model, DRIVE);
            assert_eq!(found.len(), usize::from(is_jump), "{from} to {at}, {bytes} bytes");
        }
    }
}
