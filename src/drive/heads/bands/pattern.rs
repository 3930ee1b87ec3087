//! Where the bands of one head lie within a zone.

use crate::base::chance::Chances;

/// Bands of one length, with two gaps that take turns. Places and lengths are in cells.
///
/// Where heads take turns as 0 1 2 3, 0 1 2 3, both gaps have the length of all other heads' bands. Where they go
/// 0 1 2 3, 3 2 1 0, one gap is twice what lies before the head in a group, the other twice what lies behind it; two bands
/// that touch are one of twice the length.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::drive::heads) struct Pattern {
    /// Where a band starts.
    pub(in crate::drive::heads) start: f64,
    /// Length of a band.
    pub(in crate::drive::heads) bad: f64,
    /// Length of the gap after the band at `start`, and of the one after the next band.
    pub(in crate::drive::heads) good: [f64; 2],
}

impl Pattern {
    /// The length after which everything comes again.
    pub(in crate::drive::heads) fn cycle(&self) -> f64 {
        2.0 * self.bad + self.good[0] + self.good[1]
    }

    /// The share that lies in bands.
    pub(in crate::drive::heads) fn share(&self) -> f64 {
        2.0 * self.bad / self.cycle()
    }

    /// Whether both gaps are one and the same length.
    pub(in crate::drive::heads) fn is_even(&self) -> bool {
        self.good[0].to_bits() == self.good[1].to_bits()
    }

    /// Numbers that have to be found out for it.
    pub(in crate::drive::heads) fn parameters(&self) -> f64 {
        if self.is_even() { 3.0 } else { 4.0 }
    }

    /// Whether a drive can be like that: lengths of at least a cell.
    pub(in crate::drive::heads) fn is_possible(&self) -> bool {
        let possible = |length: f64| (1.0..1e9).contains(&length);
        self.start.is_finite() && possible(self.bad) && self.good.into_iter().all(possible)
    }

    /// Whether a band overlaps the cell at `cell`.
    pub(in crate::drive::heads) fn meets(&self, cell: f64) -> bool {
        let (from_start, cycle) = (cell.floor() - self.start, self.cycle());
        // Each read asks 48 patterns: with `rem_euclid`, which is exact, a third of the time of copying from a weak head went into this.
        let along = from_start - (from_start / cycle).floor() * cycle;
        let second = self.bad + self.good[0];
        along < self.bad || (along + 1.0 > second && along < second + self.bad) || along + 1.0 > cycle
    }

    /// The first cell behind the one at `cell` for which [`Pattern::meets`] says something else.
    pub(in crate::drive::heads) fn next_change(&self, cell: f64) -> f64 {
        let cell = cell.floor();
        self.bands(cell, f64::INFINITY)
            .flat_map(|(start, end)| [start.floor(), end.ceil()])
            .find(|edge| *edge > cell)
            .unwrap_or(f64::INFINITY)
    }

    /// The bands that overlap a range, ascending, uncut.
    pub(in crate::drive::heads) fn bands(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64)> {
        let pattern = *self;
        let mut at = self.start + ((from - self.start) / self.cycle()).floor() * self.cycle();
        let mut turn = 0;
        std::iter::from_fn(move || {
            let band = (at < to).then_some((at, at + pattern.bad))?;
            at = band.1 + pattern.good[turn];
            turn = 1 - turn;
            Some(band)
        })
        .filter(move |band| band.1 > from)
    }

    /// The same from `start` on, with all lengths times `factor`.
    pub(in crate::drive::heads) fn scaled(&self, start: f64, factor: f64) -> Pattern {
        Pattern { start, bad: self.bad * factor, good: self.good.map(|good| good * factor) }
    }

    /// The same with bands that are shorter by a share, at their ends.
    pub(in crate::drive::heads) fn with_shorter_bands(&self, share: f64) -> Pattern {
        let cut = self.bad * share;
        Pattern { bad: self.bad - cut, good: self.good.map(|good| good + cut), ..*self }
    }

    /// The same with the gaps in the other order.
    pub(in crate::drive::heads) fn swapped(&self) -> Pattern {
        Pattern { good: [self.good[1], self.good[0]], ..*self }
    }

    /// A step along the difference between two others.
    pub(in crate::drive::heads) fn stepped(&self, from: &Pattern, to: &Pattern, factor: f64) -> Pattern {
        Pattern {
            start: self.start + factor * (to.start - from.start),
            bad: self.bad + factor * (to.bad - from.bad),
            good: [0, 1].map(|turn| self.good[turn] + factor * (to.good[turn] - from.good[turn])),
        }
    }

    /// Changed a little in one way, so that no way is ever lost: shifted, with longer bands, stretched about the middle of
    /// a range, or with gaps more apart. At the range's ends it is a cell at most, mostly.
    pub(in crate::drive::heads) fn shaken(&self, (from, to): (f64, f64), chances: &mut Chances) -> Pattern {
        let size = chances.normal() * 0.01f64.powf(chances.share());
        let mut new = *self;
        match chances.below(if self.is_even() { 3 } else { 4 }) {
            0 => new.start += size,
            1 => {
                let longer = size.min(self.good[0] / 2.0).min(self.good[1] / 2.0);
                new.bad += longer;
                new.good = self.good.map(|good| good - longer);
            }
            2 => {
                let stretch = size / ((to - from) / 2.0 / self.cycle()).max(1.0);
                let turns = (((from + to) / 2.0 - self.start) / self.cycle()).round();
                new.good = self.good.map(|good| good + stretch / 2.0);
                new.start -= stretch * turns;
            }
            _ => new.good = [self.good[0] + size, self.good[1] - size],
        }
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;
    use crate::drive::sick::{Geometry, HeadOrder, Zone};

    /// The bands of each head of a drive, by the geometry that knows no patterns, and by patterns.
    #[test]
    fn patterns_are_what_the_orders_of_heads_make() {
        let bands = vec![3u64, 5, 4, 2];
        for order in [HeadOrder::Same, HeadOrder::Alternating] {
            let zone = Zone { bytes: 14 * 40, rate: 1.0, bands: bands.clone() };
            let geometry = Geometry::new(vec![zone], order);
            for head in 0..4 {
                let before: u64 = bands[..head].iter().sum();
                let behind: u64 = bands[head + 1..].iter().sum();
                let [bad, before, behind] = [bands[head], before, behind].map(crate::drive::model::to_f64);
                let good = match order {
                    HeadOrder::Same => [before + behind; 2],
                    HeadOrder::Alternating => [2.0 * behind, 2.0 * before],
                };
                let pattern = Pattern { start: before, bad, good };
                for cell in 0..14 * 40 {
                    let is_bad = geometry.bands(Extent::between(cell, cell + 1)).any(|band| band.head == head);
                    assert_eq!(
                        pattern.meets(crate::drive::model::to_f64(cell)),
                        is_bad,
                        "{order:?}, head {head}, {cell}"
                    );
                }
            }
        }
    }

    #[test]
    fn changes_are_where_the_answer_changes() {
        let pattern = Pattern { start: 7.3, bad: 2.5, good: [4.1, 9.2] };
        let mut cell = 0.0;
        while cell < 200.0 {
            let next = pattern.next_change(cell);
            let mut at = cell + 1.0;
            while at < next {
                assert_eq!(pattern.meets(at), pattern.meets(cell), "{at}");
                at += 1.0;
            }
            assert_ne!(pattern.meets(next), pattern.meets(cell), "{next}");
            cell = next;
        }
    }
}
