//! Where the bytes of a drive lie on its surfaces.
//!
//! A drive is divided into zones from the outside in, each with one rate. In a zone the bytes run along a *band* of
//! tracks on one head, then along a band on the next, and so on through all heads, which is a *group*; then the next
//! group begins further in. One band is written from the outside in, the next from the inside out, so that no long seek
//! is needed between them: a serpentine. Lengths of bands differ by zone and by head, because each head has its own
//! density. Sources: Gim and Won, "Extract and infer quickly", ACM TOS 2010; Krevat, Tucek and Ganger, HotOS 2011 (both
//! from their abstracts); the sizes of bands are common practice, no source.

use crate::base::extent::Extent;
use crate::drive::model::{DriveModel, to_f64};

/// A zone, as it is described.
#[derive(Clone, PartialEq, Debug)]
pub struct Zone {
    /// Its length in bytes.
    pub bytes: u64,
    /// The rate of its tracks, in bytes a second.
    pub rate: f64,
    /// The length of a band on each head, in bytes.
    pub bands: Vec<u64>,
}

impl Zone {
    /// `count` zones of equal lengths whose rates fall in steps as `model`'s do. `band` is the mean length in bytes of a
    /// band in the outermost zone, and `shares` what each head has of that. Bands shrink with the rate, because a band is
    /// a number of tracks.
    pub fn in_steps(model: &DriveModel, bytes: u64, count: u64, band: f64, shares: &[f64]) -> Vec<Zone> {
        let each = bytes / count / TRIM * TRIM;
        let zone = |number: u64| {
            let rate = model.first_rate + (model.last_rate - model.first_rate) * (to_f64(number) + 0.5) / to_f64(count);
            let length = |share: &f64| (whole(band * rate / model.first_rate * share) / SECTOR).max(1) * SECTOR;
            let own = if number + 1 == count { bytes - each * (count - 1) } else { each };
            Zone { bytes: own, rate, bands: shares.iter().map(length).collect() }
        };
        (0..count).map(zone).collect()
    }
}

/// Lengths of zones are multiples of this, those of bands of a sector of the larger kind, in bytes.
const TRIM: u64 = 1 << 20;
const SECTOR: u64 = 4096;

pub(super) fn whole(value: f64) -> u64 {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
    let whole = value as u64;
    whole
}

/// In which order the heads take turns.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum HeadOrder {
    /// 0 1 2 3, 0 1 2 3.
    Same,
    /// 0 1 2 3, 3 2 1 0: every second group the other way round.
    Alternating,
}

/// A range of neighbouring tracks on one surface.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Band {
    /// Its bytes.
    pub extent: Extent,
    /// The head that reads it.
    pub head: usize,
    /// Its zone.
    pub zone: usize,
    /// Its group, counted from the drive's start.
    pub group: u64,
    /// Whether it runs from the outside in.
    pub inward: bool,
    /// The group's bytes, which is where it lies between the outermost track and the innermost.
    span: Extent,
}

struct Placed {
    extent: Extent,
    rate: f64,
    bands: Vec<u64>,
    group_bytes: u64,
    first_group: u64,
}

/// The surfaces of a drive.
pub struct Geometry {
    zones: Vec<Placed>,
    heads: usize,
    order: HeadOrder,
}

impl Geometry {
    /// Zones from the first byte on.
    ///
    /// # Panics
    /// When there is no zone, or one has no bytes, no rate, a band of no length or another number of heads: a mistake in
    /// the caller.
    pub fn new(zones: Vec<Zone>, order: HeadOrder) -> Geometry {
        let heads = zones.first().map_or(0, |zone| zone.bands.len());
        assert!(heads > 0, "a drive needs a zone with a head");
        let (mut at, mut group) = (0, 0);
        let place = |zone: Zone| {
            assert!(zone.bytes > 0 && zone.rate > 0.0, "a zone has bytes and a rate");
            assert!(zone.bands.len() == heads && !zone.bands.contains(&0), "every head has a band in every zone");
            let extent = Extent::between(at, at + zone.bytes);
            let group_bytes = zone.bands.iter().sum();
            let first_group = group;
            at = extent.end();
            group += zone.bytes.div_ceil(group_bytes);
            Placed { extent, rate: zone.rate, bands: zone.bands, group_bytes, first_group }
        };
        Geometry { zones: zones.into_iter().map(place).collect(), heads, order }
    }

    /// Bytes of the drive.
    pub fn bytes(&self) -> u64 {
        self.zones.last().map_or(0, |zone| zone.extent.end())
    }

    /// Number of heads.
    pub fn heads(&self) -> usize {
        self.heads
    }

    /// The rates of the zones with the bytes of each.
    pub fn zones(&self) -> impl Iterator<Item = (Extent, f64)> {
        self.zones.iter().map(|zone| (zone.extent, zone.rate))
    }

    /// The rate in a zone, in bytes a second.
    pub fn rate(&self, zone: usize) -> f64 {
        self.zones[zone].rate
    }

    /// The band that holds a byte of the drive.
    pub fn band_at(&self, byte: u64) -> Band {
        let index = self.zones.partition_point(|zone| zone.extent.end() <= byte).min(self.zones.len() - 1);
        let zone = &self.zones[index];
        let in_zone = (byte - zone.extent.start.0) / zone.group_bytes;
        let group = zone.first_group + in_zone;
        let start = zone.extent.start.0 + in_zone * zone.group_bytes;
        let span = Extent::between(start, (start + zone.group_bytes).min(zone.extent.end()));
        let backward = self.order == HeadOrder::Alternating && group % 2 == 1;
        let mut at = start;
        let mut turn = 0;
        loop {
            let head = if backward { self.heads - 1 - turn } else { turn };
            let end = at + zone.bands[head];
            if byte < end || turn + 1 == self.heads {
                let extent = Extent::between(at, end.min(span.end()));
                // Each group begins at its outer edge.
                return Band { extent, head, zone: index, group, inward: turn % 2 == 0, span };
            }
            at = end;
            turn += 1;
        }
    }

    /// The bands that `extent` lies in, ascending.
    pub fn bands(&self, extent: Extent) -> impl Iterator<Item = Band> {
        let mut at = extent.start.0;
        std::iter::from_fn(move || {
            (at < extent.end()).then(|| {
                let band = self.band_at(at);
                at = band.extent.end();
                band
            })
        })
    }

    /// How far in a byte lies: 0 on the outermost track, 1 on the innermost. Counted in bytes, as a seek curve counts.
    pub fn radius(&self, byte: u64) -> f64 {
        self.band_at(byte).radius(byte, self.bytes())
    }
}

impl Band {
    fn radius(&self, byte: u64, drive_bytes: u64) -> f64 {
        let along = to_f64(byte - self.extent.start.0) / to_f64(self.extent.bytes.max(1));
        let inward = if self.inward { along } else { 1.0 - along };
        (to_f64(self.span.start.0) + inward * to_f64(self.span.bytes)) / to_f64(drive_bytes.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    /// Two heads, 3 and 2 MiB in the first zone, 2 and 1 in the second; each zone has two groups.
    fn two_heads(order: HeadOrder) -> Geometry {
        let outer = Zone { bytes: 10 * MIB, rate: 100e6, bands: vec![3 * MIB, 2 * MIB] };
        let inner = Zone { bytes: 6 * MIB, rate: 60e6, bands: vec![2 * MIB, MIB] };
        Geometry::new(vec![outer, inner], order)
    }

    fn written_out(geometry: &Geometry) -> Vec<(u64, u64, usize, bool)> {
        let whole = Extent::between(0, geometry.bytes());
        let line = |band: Band| (band.extent.start.0 / MIB, band.extent.end() / MIB, band.head, band.inward);
        geometry.bands(whole).map(line).collect()
    }

    // Source: written out by hand.
    #[test]
    fn a_serpentine_of_two_heads() {
        let same = [
            (0, 3, 0, true),
            (3, 5, 1, false),
            (5, 8, 0, true),
            (8, 10, 1, false),
            (10, 12, 0, true),
            (12, 13, 1, false),
            (13, 15, 0, true),
            (15, 16, 1, false),
        ];
        assert_eq!(written_out(&two_heads(HeadOrder::Same)), same);
        let alternating = [
            (0, 3, 0, true),
            (3, 5, 1, false),
            (5, 7, 1, true),
            (7, 10, 0, false),
            (10, 12, 0, true),
            (12, 13, 1, false),
            (13, 14, 1, true),
            (14, 16, 0, false),
        ];
        assert_eq!(written_out(&two_heads(HeadOrder::Alternating)), alternating);
    }

    // Source: by hand. The first group spans 0 to 5 of 16 MiB: the band of head 0 runs in from 0 to 5/16, that of head 1
    // back out; the second group begins at 5/16.
    #[test]
    fn the_radius_goes_in_and_out_with_the_bands() {
        let geometry = two_heads(HeadOrder::Same);
        let at = |byte: u64| geometry.radius(byte) * 16.0;
        for (byte, radius) in [(0, 0.0), (3 * MIB / 2, 2.5), (3 * MIB, 5.0), (4 * MIB, 2.5), (5 * MIB, 5.0)] {
            assert!((at(byte) - radius).abs() < 1e-9, "{byte}: {}", at(byte));
        }
        assert!(at(5 * MIB - 1) < 1e-5, "the end of the group lies where it began");
    }

    #[test]
    fn a_zone_that_ends_within_a_group_cuts_it() {
        let zone = Zone { bytes: 8 * MIB, rate: 1e8, bands: vec![3 * MIB, 2 * MIB] };
        let geometry = Geometry::new(vec![zone.clone(), zone], HeadOrder::Same);
        let bands = written_out(&geometry);
        assert_eq!(bands[2..4], [(5, 8, 0, true), (8, 11, 0, true)]);
        assert_eq!(bands.last(), Some(&(13, 16, 0, true)));
    }
}
