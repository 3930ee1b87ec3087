//! For the first search (`search`): at which cycle all that is bad falls on the same phases.

use super::pattern::Pattern;
use crate::base::chance::Chances;
use crate::drive::heads::evidence::cells::Run;
use crate::drive::heads::evidence::{BAD_OUTSIDE, GOOD_INSIDE, index};
use crate::drive::model::to_f64;

/// Parts of a cycle that are told apart.
const PHASES: usize = 128;
/// At most so many of them belong to one window of bad phases.
const WIDEST: usize = PHASES * 62 / 100;
/// From one cycle that is tried to the next, the last run moves by so much of a cycle.
const SLIP: f64 = 0.04;
/// So many cycles are looked at closely, if they are not much worse than the best.
const CLOSELY: usize = 32;
const MUCH_WORSE: f64 = 6.0;
/// Patterns proposed for each.
const EACH: usize = 48;

/// Bad phases in a row, with the neighbours of which nothing is known: an edge lies between the outer and the inner one.
#[derive(Clone, Copy, Debug)]
struct Window {
    outer_start: f64,
    start: f64,
    end: f64,
    outer_end: f64,
}

struct Fold {
    cycle: f64,
    windows: [Window; 2],
    score: f64,
}

/// Proposes patterns for runs. `least` is the shortest cycle to be expected, in cells. With `two` gaps of different lengths
/// or with one.
pub(super) fn proposals(runs: &[Run], least: f64, two: bool, chances: &mut Chances) -> Vec<Pattern> {
    let Some((first, last)) = runs.first().zip(runs.last()) else { return Vec::new() };
    let (origin, span) = (to_f64(first.start as u64), to_f64((last.end - first.start) as u64));
    let (least, slip) = if two { (least * 2.0, SLIP / 2.0) } else { (least, SLIP) };
    let (slowest, fastest) = (2.2 / span, 1.0 / least);
    if slowest >= fastest {
        return Vec::new();
    }
    let steps = index((fastest - slowest) * span / slip);
    let cycles = (0..=steps).map(|step| 1.0 / (slowest + to_f64(step as u64) * slip / span));
    let mut folds: Vec<Fold> = cycles.filter_map(|cycle| fold(runs, origin, cycle, two)).collect();
    let best = folds.iter().map(|fold| fold.score).fold(0.0, f64::max);
    folds.retain(|fold| fold.score > best - MUCH_WORSE);
    folds.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut list = Vec::with_capacity(CLOSELY * EACH);
    for number in 0..folds.len().min(CLOSELY) {
        let fold = &folds[number * folds.len() / folds.len().min(CLOSELY)];
        for _ in 0..EACH {
            list.push(pattern(fold, origin, two, chances));
        }
    }
    list
}

fn pattern(fold: &Fold, origin: f64, two: bool, chances: &mut Chances) -> Pattern {
    let phases = to_f64(PHASES as u64);
    let mut edges = |window: Window| {
        let mut between = |from: f64, to: f64| from + (to - from) * chances.share();
        (between(window.outer_start, window.start), between(window.end, window.outer_end))
    };
    let (start, end) = edges(fold.windows[0]);
    let (start, bad, good) = if two {
        let (other_start, other_end) = edges(fold.windows[1]);
        let bad = (end - start + other_end - other_start) / 2.0;
        let apart = ((other_start + other_end - start - end) / 2.0).rem_euclid(phases);
        ((start + end - bad) / 2.0, bad, [apart - bad, phases - apart - bad])
    } else {
        (start, end - start, [phases - (end - start); 2])
    };
    Pattern { start, bad, good }.scaled(origin + start * fold.cycle / phases, fold.cycle / phases)
}

fn fold(runs: &[Run], origin: f64, cycle: f64, two: bool) -> Option<Fold> {
    let phases = to_f64(PHASES as u64);
    let mut steps = [0.0f64; PHASES + 1];
    for run in runs {
        let phase = |cell: usize| (to_f64(cell as u64) - origin) / cycle * phases;
        // Phases of which all was read, phases in which anything failed.
        let (from, to) = match run.bad {
            true => (phase(run.start).floor(), phase(run.end).ceil()),
            false => (phase(run.start).ceil(), phase(run.end).floor()),
        };
        let weight = if run.bad { BAD_OUTSIDE } else { -GOOD_INSIDE };
        let count = index(to - from);
        let start = index(from.rem_euclid(phases));
        steps[0] += weight * to_f64((count / PHASES) as u64);
        let end = start + count % PHASES;
        steps[start] += weight;
        steps[end.min(PHASES)] -= weight;
        if end > PHASES {
            steps[0] += weight;
            steps[end - PHASES] -= weight;
        }
    }
    let mut weights = [0.0f64; PHASES];
    let mut sum = 0.0;
    for (weight, step) in weights.iter_mut().zip(steps) {
        sum += step;
        *weight = sum;
    }
    let (first, score) = window(&weights)?;
    if !two {
        return Some(Fold { cycle, windows: [first; 2], score });
    }
    for phase in index(first.start)..index(first.end) {
        weights[phase % PHASES] = -1.0;
    }
    let (second, more) = window(&weights)?;
    let may_be_as_long = |one: Window, other: Window| one.end - one.start <= other.outer_end - other.outer_start;
    (may_be_as_long(first, second) && may_be_as_long(second, first)).then_some(Fold {
        cycle,
        windows: [first, second],
        score: score + more,
    })
}

/// The window of most weight.
fn window(weights: &[f64; PHASES]) -> Option<(Window, f64)> {
    let at = |phase: usize| weights[phase % PHASES];
    let mut best = (0.0, 0, 0);
    for start in (0..PHASES).filter(|start| at(*start) > 0.0 && at(start + PHASES - 1) <= 0.0) {
        let mut sum = 0.0;
        for length in 1..=WIDEST {
            sum += at(start + length - 1);
            if sum > best.0 {
                best = (sum, start, length);
            }
        }
    }
    let (score, start, length) = best;
    if length == 0 {
        return None;
    }
    let free = PHASES - length;
    let is_unknown = |phase: usize| at(phase).abs() < 1e-9;
    let before = (0..free).take_while(|count| is_unknown(start + PHASES - 1 - count)).count();
    let behind = (0..free - before).take_while(|count| is_unknown(start + length + count)).count();
    let [outer_start, start, end, outer_end] =
        [PHASES + start - before, PHASES + start, PHASES + start + length, PHASES + start + length + behind]
            .map(|phase| to_f64(phase as u64));
    // Only whole phases count as read, so that an edge may lie in one more.
    Some((Window { outer_start: outer_start - 1.0, start, end, outer_end: outer_end + 1.0 }, score))
}
