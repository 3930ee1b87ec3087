//! The evidence in a range of the drive, for a picture of it.

use super::map::HeadMap;
use crate::base::extent::Extent;

/// What is known of each part of a range.
pub struct RangeEvidence {
    /// The range.
    pub within: Extent,
    /// Mean bytes of a part.
    pub part_bytes: u64,
    /// For each part the share that failed or was slow,
    pub bad: Vec<f64>,
    /// that was read well,
    pub good: Vec<f64>,
    /// and that is suspect and was not read yet.
    pub suspect: Vec<f64>,
}

/// Cycles in the range that shows the bands best. Each has two bands.
const CYCLES: f64 = 6.0;

impl HeadMap<'_> {
    /// A range of some bands, where most of them were met: what a picture can show. The whole drive has thousands.
    pub fn example(&self) -> Extent {
        let cells = self.cells();
        let with_bands = self.zones().list.iter().filter_map(|zone| Some((zone.best()?, zone.known)));
        let mut best = (0, Extent::between(0, 0));
        for (pattern, known) in with_bands {
            let runs = cells.runs(known.0, known.1);
            let length = super::evidence::index(pattern.cycle() * CYCLES).max(1);
            let mut start = known.0;
            while start < known.1 {
                let end = start + length;
                let meets = |run: &&super::evidence::cells::Run| run.bad && run.start >= start && run.end <= end;
                let met = runs.iter().filter(meets).count();
                if met > best.0 {
                    best = (met, Extent::between(cells.start_of(start), cells.start_of(end)));
                }
                start = end;
            }
        }
        best.1
    }

    /// What is known of each part of a range.
    pub fn range_evidence(&self, within: Extent) -> RangeEvidence {
        let cells = self.cells();
        let (first, last) = (cells.at(within.start.0), cells.at(within.end().max(within.start.0 + 1) - 1));
        let mut is_suspect = vec![false; last - first + 1];
        for band in self.suspect_bands(within) {
            is_suspect[cells.at(band.start.0) - first..=cells.at(band.end() - 1) - first].fill(true);
        }
        let (mut bad, mut good, mut suspect) = (Vec::new(), Vec::new(), Vec::new());
        for (cell, is_suspect) in (first..).zip(is_suspect) {
            let [is_bad, is_good, is_unknown] = match cells.seen_at(cell) {
                (false, false) => [0.0, 0.0, if is_suspect { 1.0 } else { 0.0 }],
                (true, true) => [0.5, 0.5, 0.0],
                (true, false) => [1.0, 0.0, 0.0],
                (false, true) => [0.0, 1.0, 0.0],
            };
            bad.push(is_bad);
            good.push(is_good);
            suspect.push(is_unknown);
        }
        RangeEvidence { within, part_bytes: within.bytes / bad.len() as u64, bad, good, suspect }
    }
}
