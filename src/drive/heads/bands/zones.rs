//! The drive in zones, each with its own pattern of bands or with none.

use super::ensemble::Ensemble;
use super::pattern::Pattern;
use crate::drive::heads::evidence::cells::{Cells, Run};
use crate::drive::model::to_f64;

/// Beyond what is known a zone goes on for this share of the drive, on average.
const ZONES: f64 = 20.0;

/// How far a zone goes on beyond what is known, on average, in cells.
pub(in crate::drive::heads) fn reach(cells: &Cells) -> f64 {
    to_f64(cells.count() as u64) / ZONES
}

/// A range of the drive with one pattern.
#[derive(Clone, Debug)]
pub(in crate::drive::heads) struct Zone {
    /// Tells zones apart whatever their places.
    pub(in crate::drive::heads) number: u32,
    /// Its first cell; it ends where the next one begins.
    pub(in crate::drive::heads) from: usize,
    /// Its bands; `None` where all is good.
    pub(in crate::drive::heads) bands: Option<Ensemble>,
    /// The cells of which something is known, from the first to behind the last.
    pub(in crate::drive::heads) known: (usize, usize),
}

impl Zone {
    pub(in crate::drive::heads) fn best(&self) -> Option<Pattern> {
        self.bands.as_ref().map(|bands| bands.best().0)
    }

    pub(in crate::drive::heads) fn risk(&self, cell: f64) -> f64 {
        self.bands.as_ref().map_or(0.0, |bands| bands.risk(cell))
    }

    fn next_change(&self, cell: f64) -> f64 {
        self.bands.as_ref().map_or(f64::INFINITY, |bands| bands.next_change(cell))
    }
}

/// All zones, ascending, without gaps. Empty until bands were found.
#[derive(Clone, Debug, Default)]
pub(in crate::drive::heads) struct Zones {
    pub(in crate::drive::heads) list: Vec<Zone>,
    /// The last number given to a zone.
    pub(in crate::drive::heads) last_number: u32,
}

impl Zones {
    /// Lets bands rule from a cell on, to the end of the zone that it lies in.
    pub(in crate::drive::heads) fn set_bands(&mut self, from: usize, bands: Ensemble) {
        if self.list.is_empty() {
            self.push(0, 0);
        }
        let index = self.index(from);
        if from > self.list[index].from {
            self.push(index + 1, from);
        }
        let index = self.index(from);
        self.list[index].bands = Some(bands);
    }

    fn push(&mut self, index: usize, from: usize) {
        self.last_number += 1;
        self.list.insert(index, Zone { number: self.last_number, from, bands: None, known: (from, from) });
    }

    /// The zone that a cell lies in. There must be one.
    pub(in crate::drive::heads) fn index(&self, cell: usize) -> usize {
        self.list.partition_point(|zone| zone.from <= cell).max(1) - 1
    }

    /// The zone with bands of which most is known.
    pub(in crate::drive::heads) fn best_known(&self) -> Option<&Zone> {
        let with_bands = self.list.iter().filter(|zone| zone.bands.is_some());
        with_bands.max_by_key(|zone| zone.known.1.saturating_sub(zone.known.0))
    }

    /// The range of a zone in cells.
    pub(in crate::drive::heads) fn range(&self, index: usize, end: usize) -> (usize, usize) {
        (self.list[index].from, self.list.get(index + 1).map_or(end, |next| next.from))
    }

    /// What reads told of a zone: most of it. What lies further away than a zone goes on, as a copy of something at the drive's
    /// end does, belongs to a zone of which nothing else is known.
    pub(in crate::drive::heads) fn runs(&self, index: usize, cells: &Cells) -> Vec<Run> {
        let (from, to) = self.range(index, cells.end());
        let runs = cells.runs(from, to);
        let reach = reach(cells);
        let together = runs.chunk_by(|before, behind| to_f64((behind.start - before.end) as u64) <= reach);
        together.max_by_key(|runs| runs.len()).map_or(Vec::new(), <[Run]>::to_vec)
    }

    /// The zones that may rule at a cell: its own, and the neighbour when nothing is known in between.
    fn ruling(&self, cell: f64) -> (&Zone, Option<&Zone>) {
        let index = self.index(crate::drive::heads::evidence::index(cell));
        let zone = &self.list[index];
        let other = if cell >= to_f64(zone.known.1 as u64) {
            self.list.get(index + 1)
        } else if cell < to_f64(zone.known.0 as u64) {
            index.checked_sub(1).map(|before| &self.list[before])
        } else {
            None
        };
        (zone, other)
    }

    /// The chance that a cell lies in a bad band. Where the next zone begins is not known: far from what is known, any
    /// phase is as likely as the next. `reach` is how far a zone goes on beyond that, on average, in cells.
    pub(in crate::drive::heads) fn risk(&self, cell: f64, reach: f64) -> f64 {
        let (zone, other) = self.ruling(cell);
        if let Some(other) = other {
            return (zone.risk(cell) + other.risk(cell)) / 2.0;
        }
        let (first, last) = zone.known;
        let beyond = (to_f64(first as u64) - cell).max(cell - to_f64(last as u64)).max(0.0);
        let share = zone.best().map_or(0.0, |pattern| pattern.share());
        let same = (-beyond / reach).exp();
        same * zone.risk(cell) + (1.0 - same) * share
    }

    /// The first cell behind one where the risk may be another.
    pub(in crate::drive::heads) fn next_change(&self, cell: f64) -> f64 {
        let (zone, other) = self.ruling(cell);
        let next = self.list.get(self.index(crate::drive::heads::evidence::index(cell)) + 1);
        let borders = next.map(|next| next.from).into_iter().chain([zone.known.0, zone.known.1]);
        let border =
            borders.map(|border| to_f64(border as u64)).filter(|border| *border > cell).fold(f64::INFINITY, f64::min);
        zone.next_change(cell).min(other.map_or(f64::INFINITY, |other| other.next_change(cell))).min(border)
    }
}
