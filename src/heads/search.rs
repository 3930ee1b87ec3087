//! The first search, as long as no bands are known.

use super::cells::{Cells, Run};
use super::ensemble::Ensemble;
use super::evidence::Evidence;
use super::{fold, headless};
use crate::chance::Chances;
use crate::model::to_f64;

/// Bands are acted on from this difference of the criterion on.
const STRONG: f64 = 20.0;
/// Bad reads before the first search.
const FEWEST: usize = 4;
/// The shortest cycle to be expected: two heads with bands of 8 MiB, in bytes, a little less; and in cells.
const SHORTEST_CYCLE: u64 = 14 << 20;
const FEWEST_CELLS: f64 = 4.0;
/// A search looks at so many stretches of bad cells, the last ones: a zone's pattern ends with the zone.
const WINDOWS: [usize; 5] = [6, 12, 24, 48, 96];
/// And at no more than this share of the drive, unless that is little.
const WIDEST: usize = 16;
const LITTLE: usize = 4096;
/// Cells times runs that are searched down to the shortest cycle.
const WORK: f64 = 2e6;
/// Rounds in which the patterns found are made better.
const ROUNDS: u32 = 20;
/// How far the lengths of the first zone may still be from what was found: the deviation of their logarithm.
const FIRST_SPREAD: f64 = 0.1;

/// When to search.
#[derive(Debug, Default)]
pub(super) struct Search {
    bad_reads: usize,
    searches: usize,
    next_at: usize,
}

impl Search {
    /// Takes note of a bad read. Whether enough is new for a search.
    pub(super) fn is_due(&mut self) -> bool {
        self.bad_reads += 1;
        self.bad_reads >= self.next_at.max(FEWEST)
    }

    /// Searches a range of cells. Bands, and the first cell for which they hold: what is bad before it has a reason of its
    /// own, or another pattern.
    pub(super) fn find(
        &mut self,
        cells: &Cells,
        range: (usize, usize),
        chances: &mut Chances,
    ) -> Option<(usize, Ensemble)> {
        self.searches += 1;
        self.next_at = self.bad_reads + (self.searches / 2).max(self.bad_reads / 16).max(1);
        let runs = cells.runs(range.0, range.1);
        let (from, mut bands) = search(&runs, cells, chances)?;
        // From now on they change only as far as reads demand it.
        bands.keep_near(FIRST_SPREAD);
        *self = Search::default();
        let is_first = !runs.iter().any(|run| run.bad && run.start < from);
        Some((if is_first { range.0 } else { from }, bands))
    }
}

/// The best pattern over one of the windows, with the window's first cell.
fn search(runs: &[Run], cells: &Cells, chances: &mut Chances) -> Option<(usize, Ensemble)> {
    // Runs with which stretches of bad cells begin.
    let bad: Vec<usize> =
        (0..runs.len()).filter(|index| runs[*index].bad && (*index == 0 || !runs[index - 1].bad)).collect();
    let mut best: Option<(f64, usize, Ensemble)> = None;
    for (number, window) in WINDOWS.into_iter().enumerate() {
        if bad.is_empty() || number > 0 && WINDOWS[number - 1] >= bad.len() {
            break;
        }
        let first = bad.len().saturating_sub(window);
        // With what was good before it.
        let before = first.checked_sub(1).map_or(0, |before| {
            let last_bad = runs[bad[before]..bad[first]].iter().rposition(|run| run.bad);
            bad[before] + last_bad.map_or(0, |at| at + 1)
        });
        let own = &runs[before..];
        let Some((bic, ensemble)) = best_of(own, cells, chances) else { continue };
        if best.as_ref().is_none_or(|(other, ..)| bic > *other) {
            best = Some((bic, own[0].start, ensemble));
        }
    }
    best.filter(|(bic, ..)| *bic > STRONG).map(|(_, from, ensemble)| (from, ensemble))
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
