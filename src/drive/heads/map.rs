//! What the bands of a bad head mean for what is still to be read.

use super::band_finder::BandFinder;
use super::bands::zones::{Zone, Zones, reach};
use super::evidence::cells::Cells;
use super::evidence::weigh::HeadEvidence;
use super::finder::HeadFinder;
use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::drive::model::to_f64;

/// Where a bad head's bands lie, as far as is known. Exists only while the evidence is strong.
#[derive(Clone, Copy)]
pub struct HeadMap<'f> {
    finder: &'f BandFinder,
}

/// A list of extents in two parts. Each keeps the order of the list.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Split {
    /// Under the other heads: to be read first.
    pub healthy: Vec<Extent>,
    /// Under the bad head, as far as is known: to be read last.
    pub suspect: Vec<Extent>,
}

impl HeadFinder {
    /// The map, on strong evidence only.
    pub fn map(&self) -> Option<HeadMap<'_>> {
        let finder = self.better();
        // Bands that were found a moment ago in one range may contradict what was read elsewhere.
        (!finder.zones.list.is_empty() && !finder.is_doubtful()).then_some(HeadMap { finder })
    }
}

impl HeadMap<'_> {
    /// Whether it is a head over the whole drive. Else one place of its surface is damaged, and the map says nothing about
    /// the rest.
    pub fn is_whole_head(&self) -> bool {
        self.finder.is_whole_head()
    }

    /// How strong the evidence is.
    pub fn evidence(&self) -> HeadEvidence {
        self.finder.weighed.evidence
    }

    /// The chance that a read at a position meets the bad head, from 0 to 1.
    pub fn risk(&self, at: ByteOffset) -> f64 {
        let cell = self.cell(at);
        if !self.is_whole_head() && !self.places().any(|(from, to)| (from..to).contains(&cell)) {
            return 0.0;
        }
        self.finder.zones.risk(cell, reach(&self.finder.cells))
    }

    /// The first place behind one where the risk may be another: always behind it, and the drive's end at the latest.
    pub fn next_change(&self, at: ByteOffset) -> ByteOffset {
        let cell = self.cell(at);
        let borders = self.places().flat_map(|(from, to)| [from.ceil(), to.ceil()]).filter(|border| *border > cell);
        let next = borders.fold(self.finder.zones.next_change(cell), f64::min);
        self.byte(next.min(to_f64(self.finder.cells.count() as u64)))
    }

    /// The bad head's bands in a range, ascending: those that explain best what was read. Near the edges and far from what
    /// was read [`HeadMap::risk`] says how sure they are.
    pub fn suspect_bands(&self, within: Extent) -> Vec<Extent> {
        let zones = &self.finder.zones;
        let places: Vec<(f64, f64)> = match self.is_whole_head() {
            true => vec![(0.0, f64::INFINITY)],
            false => self.places().collect(),
        };
        let behind = self.finder.cells.at(within.end().max(1) - 1) as u64 + 1;
        let (from, to) = (self.cell(within.start), to_f64(behind));
        let mut bands: Vec<Extent> = Vec::new();
        for (index, zone) in zones.list.iter().enumerate() {
            let Some(pattern) = zone.best() else { continue };
            let (first, last) = zones.range(index, usize::MAX);
            let (first, last) = (from.max(to_f64(first as u64)), to.min(to_f64(last as u64)));
            for (start, end) in pattern.bands(first, last) {
                let (start, end) = (start.max(first).floor(), end.min(last).ceil());
                let is_meant = places.iter().any(|(from, to)| start < *to && end > *from);
                let band = Extent::between(self.byte(start).0, self.byte(end).0);
                let Some(band) = band.intersection(&within).filter(|_| is_meant) else { continue };
                match bands.last_mut() {
                    Some(last) if last.end() >= band.start.0 => *last = Extent::between(last.start.0, band.end()),
                    _ => bands.push(band),
                }
            }
        }
        bands
    }

    /// The bad head's bands on the whole drive, ascending.
    pub fn all_bands(&self) -> Vec<Extent> {
        self.suspect_bands(Extent::between(0, self.drive_bytes()))
    }

    /// Parts extents by the bands, those that lie in both are cut. The list ascends.
    pub fn split(&self, extents: &[Extent]) -> Split {
        let mut split = Split::default();
        let Some((first, last)) = extents.first().zip(extents.last()) else { return split };
        let bands = self.suspect_bands(Extent::between(first.start.0, last.end()));
        let mut bands = bands.iter().copied().peekable();
        for extent in extents {
            let mut at = extent.start.0;
            while bands.next_if(|band| band.end() <= at).is_some() {}
            while at < extent.end() {
                let band = bands.peek().copied().filter(|band| band.start.0 < extent.end());
                let Some(band) = band else {
                    split.healthy.push(Extent::between(at, extent.end()));
                    break;
                };
                if at < band.start.0 {
                    split.healthy.push(Extent::between(at, band.start.0));
                }
                let end = band.end().min(extent.end());
                split.suspect.push(Extent::between(band.start.0.max(at), end));
                at = end;
                bands.next_if(|band| band.end() <= at);
            }
        }
        split
    }

    /// The share of the drive that lies in the bands, from 0 to 1, where they are known best.
    pub fn share(&self) -> f64 {
        self.finder.zones.best_known().and_then(Zone::best).map_or(0.0, |pattern| pattern.share())
    }

    /// About how many heads there are, if all have bands of about the same length.
    pub fn heads(&self) -> u64 {
        super::evidence::index((1.0 / self.share().max(0.01)).round()) as u64
    }

    /// The drive's length, in whole cells.
    pub(super) fn drive_bytes(&self) -> u64 {
        self.finder.cells.drive_bytes()
    }

    pub(super) fn cells(&self) -> &Cells {
        &self.finder.cells
    }

    pub(super) fn zones(&self) -> &Zones {
        &self.finder.zones
    }

    fn cell(&self, at: ByteOffset) -> f64 {
        to_f64(self.finder.cells.at(at.0) as u64)
    }

    fn byte(&self, cell: f64) -> ByteOffset {
        ByteOffset(self.finder.cells.start_of(super::evidence::index(cell)))
    }

    /// The cells for which the map stands, when it is known for places of a surface only: around each as far as it is long.
    fn places(&self) -> impl Iterator<Item = (f64, f64)> {
        let hits = if self.finder.is_whole_head() { &[] } else { self.finder.weighed.hits.as_slice() };
        hits.iter().map(|(first, last)| {
            let (first, last) = (to_f64(*first as u64), to_f64(*last as u64));
            (2.0 * first - last, 2.0 * last - first)
        })
    }
}
