//! What is known of a range of cells, summed up so that a pattern is quickly held against it.

pub(super) mod cells;
pub(super) mod headless;
pub(super) mod slowness;
pub(super) mod weigh;

use crate::drive::heads::bands::pattern::Pattern;
use crate::drive::model::to_f64;
use cells::{Cells, Run};

/// What a bad cell costs that no band explains: minus the logarithm of its chance, 0.7 %.
pub(super) const BAD_OUTSIDE: f64 = 5.0;
/// What a good cell costs within a band: minus the logarithm of its chance, 5 %. A weak head reads some at full speed.
pub(super) const GOOD_INSIDE: f64 = 3.0;

/// Sums over the cells of a range.
pub(super) struct Evidence {
    from: usize,
    to: usize,
    /// Good and bad cells before each cell.
    good: Vec<u32>,
    bad: Vec<u32>,
}

impl Evidence {
    pub(super) fn of(cells: &Cells, from: usize, to: usize) -> Evidence {
        let to = to.min(cells.end()).max(from);
        Evidence::of_runs(&cells.runs(from, to), from, to)
    }

    pub(super) fn of_runs(runs: &[Run], from: usize, to: usize) -> Evidence {
        let (mut good, mut bad) = (vec![0u32; to - from + 1], vec![0u32; to - from + 1]);
        for run in runs {
            let list = if run.bad { &mut bad } else { &mut good };
            list[run.start - from + 1..=run.end - from].fill(1);
        }
        for list in [&mut good, &mut bad] {
            let mut sum = 0;
            for count in list {
                sum += *count;
                *count = sum;
            }
        }
        Evidence { from, to, good, bad }
    }

    /// Cells of which something is known.
    pub(super) fn known(&self) -> u32 {
        self.good.last().unwrap_or(&0) + self.bad.last().unwrap_or(&0)
    }

    /// The range in cells.
    pub(super) fn range(&self) -> (f64, f64) {
        (to_f64(self.from as u64), to_f64(self.to as u64))
    }

    /// Minus the logarithm of the chance of what is known from one cell to another, if the bands were those of `pattern`;
    /// of a place without bands when there is none.
    ///
    /// A bad cell is explained when a band overlaps any of it. A good one counts by the part that a band covers.
    pub(super) fn cost(&self, pattern: Option<&Pattern>, (from, to): (f64, f64)) -> f64 {
        let (base, end) = self.range();
        let (low, high) = (from.clamp(base, end), to.clamp(base, end));
        let (mut explained, mut inside) = (0, 0.0);
        for (start, end) in pattern.into_iter().flat_map(|pattern| pattern.bands(low, high)) {
            let (start, end) = (start.max(low) - base, end.min(high) - base);
            explained += self.bad[index(end.ceil())] - self.bad[index(start)];
            inside += self.goods(end) - self.goods(start);
        }
        let all = self.bad[index(high - base)] - self.bad[index(low - base)];
        f64::from(all.saturating_sub(explained)) * BAD_OUTSIDE + inside * GOOD_INSIDE
    }

    /// Good cells up to a place, with a share of the one it lies in.
    fn goods(&self, at: f64) -> f64 {
        let low = self.good[index(at)];
        let next = self.good.get(index(at) + 1).map_or(0, |next| next - low);
        f64::from(low) + at.fract() * f64::from(next)
    }
}

/// The cell that a place lies in.
pub(super) fn index(at: f64) -> usize {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "saturates at 0 and far beyond any drive"
    )]
    let index = at as usize;
    index
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: by hand. Bands of 3 cells from 4 on, each 10 cells: 4 to 7, 14 to 17. Known: 0 to 5 good, 5 and 15 bad, 19 bad.
    #[test]
    fn costs_by_hand() {
        let pattern = Pattern { start: 4.0, bad: 3.0, good: [7.0; 2] };
        let run = |start, end, bad| Run { start, end, bad };
        let runs = [run(0, 5, false), run(5, 6, true), run(15, 16, true), run(19, 20, true)];
        let evidence = Evidence::of_runs(&runs, 0, 20);
        assert_eq!(evidence.known(), 8);
        // The good cell 4 lies within a band, the bad one 19 outside.
        let close = |cost: f64, expected: f64| assert!((cost - expected).abs() < 1e-9, "{cost} {expected}");
        close(evidence.cost(Some(&pattern), (0.0, 20.0)), GOOD_INSIDE + BAD_OUTSIDE);
        close(evidence.cost(None, (0.0, 20.0)), 3.0 * BAD_OUTSIDE);
        close(evidence.cost(Some(&pattern), (5.0, 19.0)), 0.0);
        // Half of cell 4 is outside of the band; a band that ends within a bad cell explains it.
        close(evidence.cost(Some(&Pattern { start: 4.5, ..pattern }), (0.0, 16.0)), 0.5 * GOOD_INSIDE);
        close(evidence.cost(Some(&Pattern { start: 2.5, bad: 2.6, good: [7.4; 2] }), (0.0, 15.0)), 2.5 * GOOD_INSIDE);
    }
}
