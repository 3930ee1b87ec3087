//! Finds the bands of a bad head from reads as they turn out, on one scale.

use super::bands::ensemble::Ensemble;
use super::bands::rezone::rezone;
use super::bands::search::Search;
use super::bands::zones::Zones;
use super::evidence::Evidence;
use super::evidence::cells::{BAD, Cells, Scale};
use super::evidence::weigh::{Weighed, weigh};
use crate::base::chance::Chances;
use crate::base::extent::Extent;
use crate::drive::model::to_f64;

/// A map ends when the evidence falls below this difference.
const DOUBTFUL: f64 = 6.0;
/// One whose bands add more than this is well established.
const ESTABLISHED: f64 = 30.0;
/// A failure that nothing explains is most likely another zone's first, once a head is sure: that is tried even where it costs
/// so much of the criterion at first, the new zone's numbers and a little more; in so many looks.
const TRIED: f64 = 20.0;
const MOST_TRIES: u32 = LOOKS / 2;
/// A zone whose bands add less than this to the criterion has other ones, or none.
const HOPELESS: f64 = -40.0;
/// Bands over so many bytes are a head's; fewer may be one place of its surface, scraped or scratched. Common practice, no
/// source. On a small drive a sixteenth of it.
const ONE_PLACE: u64 = 8 << 30;
/// More zones than this are no zones.
const MOST_ZONES: usize = 400;
/// Surprise after which a zone is looked at anew: minus the logarithm of a chance. After so many looks it doubles with each
/// so many more: what still surprises then follows no pattern, and each look takes milliseconds.
const NEWS: f64 = 0.7;
const LOOKS: u32 = 512;
const MORE_LOOKS: f64 = 128.0;
/// Rounds in which patterns are brought up to what is known.
const ROUNDS: u32 = 5;
/// Finds out from reads whether failures or slowness come in bands, on one scale.
pub(super) struct BandFinder {
    pub(super) cells: Cells,
    pub(super) zones: Zones,
    search: Search,
    chances: Chances,
    /// Surprise since the last look, and looks so far.
    news: f64,
    looks: u32,
    pub(super) weighed: Weighed,
    /// How often that was done.
    pub(super) weighings: u64,
}

impl BandFinder {
    /// For a drive of so many bytes of which nothing was read yet.
    pub(super) fn new(drive_bytes: u64, scale: Scale) -> BandFinder {
        BandFinder {
            cells: Cells::new(drive_bytes, scale),
            zones: Zones::default(),
            search: Search::default(),
            chances: Chances::of(0),
            news: 0.0,
            looks: 0,
            weighed: Weighed::default(),
            weighings: 0,
        }
    }

    /// Takes a read into account that told `what`. Most reads cost less than a microsecond; one that is a surprise costs milliseconds.
    pub(super) fn observe(&mut self, extent: Extent, what: u8) {
        if !self.cells.mark(extent, what) || !self.cells.tells(what) {
            return;
        }
        let at = self.cells.at(extent.start.0);
        if !self.zones.list.is_empty() {
            self.follow(at, what == BAD);
        } else if what == BAD && self.search.is_due() {
            let range = (0, self.cells.end());
            if let Some((from, bands)) = self.search.find(&self.cells, range, at, &mut self.chances) {
                self.news = 0.0;
                self.set_bands(from, bands);
            }
        }
    }

    /// Holds what was read against the zones that are known.
    fn follow(&mut self, cell: usize, bad: bool) {
        let index = self.zones.index(cell);
        let risk = self.zones.list[index].risk(to_f64(cell as u64));
        self.news -= if bad { risk.max(0.01).ln() } else { (1.0 - 0.97 * risk).ln() };
        if self.news > NEWS * (f64::from(self.looks.saturating_sub(LOOKS)) / MORE_LOOKS).exp2() {
            self.news = 0.0;
            self.looks += 1;
            if (bad && risk < 0.05) || (!bad && risk > 0.9) {
                self.rezone(cell, bad);
            } else {
                self.refine(index);
            }
        } else if let Some(last) = self.weighed.hits.last_mut()
            && bad
            && risk > 0.5
            && cell >= last.1
            && self.zones.index(last.0) == index
        {
            last.1 = cell + 1;
        }
    }

    fn refine(&mut self, index: usize) {
        let from = self.zones.list[index].from;
        let runs = self.zones.runs(index, &self.cells);
        let zone = &mut self.zones.list[index];
        zone.known = runs.first().zip(runs.last()).map_or((from, from), |(first, last)| (first.start, last.end));
        let evidence = Evidence::of_runs(&runs, zone.known.0, zone.known.1);
        if let Some(bands) = &mut zone.bands {
            bands.refine(&evidence, evidence.range(), ROUNDS, &mut self.chances);
        }
    }

    fn rezone(&mut self, cell: usize, bad: bool) {
        self.refine(self.zones.index(cell));
        self.weigh();
        let own = self.zones.index(cell);
        let is_without = self.zones.list[own].bands.is_none();
        if self.weighed.gains[own] < HOPELESS || (is_without && bad && self.search.is_due()) {
            self.search_in(own, cell);
        }
        let (old, before) = (self.zones.clone(), self.weighed.evidence.bic);
        let reference = self.reference(cell);
        if let Some((from, to)) = reference
            .and_then(|reference| rezone(&mut self.zones, reference, &self.cells, (cell, bad), &mut self.chances))
        {
            for index in self.zones.index(from)..=self.zones.index(to) {
                self.refine(index);
            }
            self.weigh();
            // What is best around one cell may be worse for the rest of the drive.
            let is_sure = bad && self.is_whole_head() && before > ESTABLISHED + TRIED && self.looks < MOST_TRIES;
            let tried = if is_sure { TRIED } else { 0.0 };
            if self.weighed.evidence.bic < before - tried {
                self.zones = old;
                self.weigh();
            }
        }
        if self.is_doubtful() || self.zones.list.len() > MOST_ZONES {
            self.zones.list.clear();
            self.weighed = Weighed::default();
        }
    }

    /// The zone from which another one's lengths may be guessed: the nearest one that is well established.
    fn reference(&self, cell: usize) -> Option<usize> {
        let own = self.zones.index(cell);
        let with_bands = (0..self.zones.list.len()).filter(|at| self.zones.list[*at].bands.is_some());
        with_bands.min_by_key(|at| (self.weighed.gains[*at] < ESTABLISHED, at.abs_diff(own)))
    }

    /// Looks for bands in a zone that has none, or whose bands explain less than no heads would.
    fn search_in(&mut self, index: usize, at: usize) {
        let range = self.zones.range(index, self.cells.end());
        self.zones.list[index].bands = None;
        match self.search.find(&self.cells, range, at, &mut self.chances) {
            Some((from, bands)) => self.set_bands(from, bands),
            None => self.weigh(),
        }
    }

    fn set_bands(&mut self, from: usize, bands: Ensemble) {
        self.zones.set_bands(from, bands);
        self.refine(self.zones.index(from));
        self.weigh();
    }

    /// Weighs the bands anew. What they explain without a surprise adds to their evidence only here.
    pub(super) fn weigh(&mut self) {
        self.weighings += 1;
        self.weighed = weigh(&self.zones, &self.cells);
    }

    /// Whether the bands explain no more of what was read than no heads would.
    pub(super) fn is_doubtful(&self) -> bool {
        self.weighed.evidence.bic < DOUBTFUL
    }

    /// How many cycles of bands the drive has, if all were as long as where they are known best.
    pub(super) fn cycles(&self) -> Option<f64> {
        let pattern = self.zones.best_known()?.best()?;
        Some(to_f64(self.cells.count() as u64) / pattern.cycle())
    }

    /// Whether the bands go over more than one place of a surface may.
    pub(super) fn is_whole_head(&self) -> bool {
        let cells: usize = self.weighed.hits.iter().map(|(first, last)| last - first).sum();
        cells as u64 * self.cells.bytes() >= ONE_PLACE.min(self.cells.drive_bytes() / 16)
    }
}
