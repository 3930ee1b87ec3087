//! The first search, as long as no bands are known.

use super::ensemble::Ensemble;
use super::fold;
use crate::base::chance::Chances;
use crate::drive::heads::evidence::Evidence;
use crate::drive::heads::evidence::cells::{Cells, Run};
use crate::drive::heads::evidence::headless;
use crate::drive::model::to_f64;
use std::ops::Range;

/// Bands are acted on from this difference of the criterion on.
const STRONG: f64 = 20.0;
/// Bad reads before the first search.
const FEWEST: usize = 4;
/// The shortest cycle to be expected: two heads with bands of 8 MiB, in bytes, a little less; and in cells.
const SHORTEST_CYCLE: u64 = 14 << 20;
const FEWEST_CELLS: f64 = 4.0;
/// A search looks at so many ranges of bad cells around the one that was met last: a zone's pattern ends with the zone.
const WINDOWS: [usize; 5] = [6, 12, 24, 48, 96];
/// And at no more than this share of the drive, unless that is little.
const WIDEST: usize = 16;
const LITTLE: usize = 4096;
/// What is bad so many bytes apart is not one band, whatever lies between.
const LONGEST_BAND: u64 = 1 << 30;
/// So many cells beside a window belong to it at least.
const BESIDE: usize = 64;
/// Cells times runs that are searched down to the shortest cycle.
const WORK: f64 = 2e6;
/// Rounds in which the patterns found are made better.
const ROUNDS: u32 = 20;
/// How far the lengths of the first zone may still be from what was found: the deviation of their logarithm.
const FIRST_SPREAD: f64 = 0.1;

/// When to search.
#[derive(Debug, Default)]
pub(in crate::drive::heads) struct Search {
    bad_reads: usize,
    searches: usize,
    next_at: usize,
}

impl Search {
    /// Takes note of a bad read. Whether enough is new for a search.
    pub(in crate::drive::heads) fn is_due(&mut self) -> bool {
        self.bad_reads += 1;
        self.bad_reads >= self.next_at.max(FEWEST)
    }

    /// Searches a range of cells around the cell `at`. Bands, and the first cell for which they hold: what is bad before it
    /// has a reason of its own, or another pattern.
    pub(in crate::drive::heads) fn find(
        &mut self,
        cells: &Cells,
        range: (usize, usize),
        at: usize,
        chances: &mut Chances,
    ) -> Option<(usize, Ensemble)> {
        self.searches += 1;
        self.next_at = self.bad_reads + (self.searches / 2).max(self.bad_reads / 16).max(1);
        let runs = cells.runs(range.0, range.1);
        let (from, mut bands) = search(&runs, at, cells, chances)?;
        // From now on they change only as far as reads demand it.
        bands.keep_near(FIRST_SPREAD);
        *self = Search::default();
        let is_first = !runs.iter().any(|run| run.bad && run.start < from);
        Some((if is_first { range.0 } else { from }, bands))
    }
}

/// The best pattern over one of the windows around a cell, with the window's first cell.
fn search(runs: &[Run], at: usize, cells: &Cells, chances: &mut Chances) -> Option<(usize, Ensemble)> {
    // Runs with which ranges of bad cells begin.
    let goes_on = |index: usize| {
        let apart = |before: &Run| (runs[index].start - before.end) as u64 * cells.bytes();
        index
            .checked_sub(1)
            .map(|before| &runs[before])
            .is_some_and(|before| before.bad && apart(before) < LONGEST_BAND)
    };
    let bad: Vec<usize> = (0..runs.len()).filter(|index| runs[*index].bad && !goes_on(*index)).collect();
    let mut best: Option<(f64, usize, Ensemble)> = None;
    for (number, window) in WINDOWS.into_iter().enumerate() {
        if bad.is_empty() || number > 0 && WINDOWS[number - 1] >= bad.len() {
            break;
        }
        let own = around(runs, &bad, nearest(runs, &bad, at, window));
        let Some((bic, ensemble)) = best_of(&own, cells, chances) else { continue };
        if best.as_ref().is_none_or(|(other, ..)| bic > *other) {
            best = Some((bic, own[0].start, ensemble));
        }
    }
    best.filter(|(bic, ..)| *bic > STRONG).map(|(_, from, ensemble)| (from, ensemble))
}

/// Of the ranges of bad cells so many that are nearest to a cell.
fn nearest(runs: &[Run], bad: &[usize], at: usize, count: usize) -> Range<usize> {
    let split = bad.partition_point(|index| runs[*index].start <= at);
    let mut chosen = split..split;
    let away =
        |number: Option<usize>| number.and_then(|number| bad.get(number)).map(|index| runs[*index].start.abs_diff(at));
    while chosen.len() < count.min(bad.len()) {
        let (before, behind) = (away(chosen.start.checked_sub(1)), away(Some(chosen.end)));
        if behind.is_none() || before.is_some_and(|before| Some(before) <= behind) {
            chosen.start -= 1;
        } else {
            chosen.end += 1;
        }
    }
    chosen
}

/// The runs of some ranges of bad cells, and what is good beside them, up to four of their mean distances: a read far
/// away, of a copy at the drive's end, belongs to no window.
fn around(runs: &[Run], bad: &[usize], chosen: Range<usize>) -> Vec<Run> {
    let before = chosen.start.checked_sub(1).map_or(0, |before| {
        let last_bad = runs[bad[before]..bad[chosen.start]].iter().rposition(|run| run.bad);
        bad[before] + last_bad.map_or(0, |at| at + 1)
    });
    let behind = bad.get(chosen.end).copied().unwrap_or(runs.len());
    let own = &runs[before..behind];
    let (first_bad, last_bad) =
        (runs[bad[chosen.start]].start, own.iter().rfind(|run| run.bad).map_or(0, |run| run.end));
    let margin = 4 * (last_bad - first_bad) / chosen.len() + BESIDE;
    let (from, to) = (first_bad.saturating_sub(margin), last_bad + margin);
    let cut = |run: &Run| Run { start: run.start.max(from), end: run.end.min(to), bad: run.bad };
    own.iter().map(cut).filter(|run| run.start < run.end).collect()
}

/// The best pattern for runs, with its criterion.
fn best_of(runs: &[Run], cells: &Cells, chances: &mut Chances) -> Option<(f64, Ensemble)> {
    let (from, to) = (runs.first()?.start, runs.last()?.end);
    if to - from > (cells.count() / WIDEST).max(LITTLE) {
        return None;
    }
    let evidence = Evidence::of_runs(runs, from, to);
    let without = headless::log_chance(runs);
    // Long windows look at long cycles only, so that no search takes much longer than another.
    let work = to_f64((to - from) as u64) * to_f64(runs.len() as u64);
    let least = to_f64(SHORTEST_CYCLE) / to_f64(cells.bytes()) * (work / WORK).max(1.0);
    let mut best: Option<(f64, Ensemble)> = None;
    for two in [false, true] {
        let proposals = fold::proposals(runs, least.max(FEWEST_CELLS), two, chances);
        let chosen = Ensemble::chosen(proposals, None, &evidence, evidence.range(), chances);
        let Some(mut ensemble) = chosen else { continue };
        ensemble.refine(&evidence, evidence.range(), ROUNDS, chances);
        let (pattern, cost) = ensemble.best();
        let bic = 2.0 * (-cost - without) - pattern.parameters() * f64::from(evidence.known()).ln();
        if best.as_ref().is_none_or(|(other, _)| bic > *other) {
            ensemble.loosen(&evidence, evidence.range(), chances);
            best = Some((bic, ensemble));
        }
    }
    best
}
