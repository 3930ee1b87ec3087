//! What is wrong with a drive, and what that does to a read.

use super::geometry::Geometry;
use crate::base::chance::draw;
use crate::base::extent::{Extent, ExtentSet};
use crate::drive::model::to_f64;
use std::collections::BTreeMap;
use std::time::Duration;

/// One thing that is wrong. A range that cannot be read spoils the whole of every request that touches it, and costs the
/// drive's time for a failed read.
#[derive(Clone, PartialEq, Debug)]
pub enum Ailment {
    /// Nothing under this head can be read.
    DeadHead {
        /// Which, from 0.
        head: usize,
    },
    /// A head that reads badly. Each unit of [`UNIT`] bytes under it fails by chance at each try, and what it reads takes
    /// longer, because the drive itself retries.
    WeakHead {
        /// Which, from 0.
        head: usize,
        /// The chance that a unit fails at one try.
        fails: f64,
        /// How many times as long reading takes.
        slowness: f64,
    },
    /// A range of which nothing can be read: a ring that a head has scraped, a zone.
    DeadPlace(Extent),
    /// Single sectors that cannot be read.
    BadSectors(Vec<u64>),
    /// A scratch: one bad sector on each track of a surface, over so many neighbouring tracks.
    Scratch {
        /// A byte of the first track.
        at: u64,
        /// Number of tracks.
        tracks: u64,
        /// Sectors that it moves on along the track, from one track to the next.
        slant: u64,
    },
    /// A range that takes longer, because the drive itself retries.
    SlowPlace {
        /// Where.
        extent: Extent,
        /// How many times as long.
        slowness: f64,
    },
    /// Sectors that answer only after some failed tries: each with its number of failures.
    LateSectors(Vec<(u64, u32)>),
    /// Damage that grows to both sides.
    Growing(Growth),
    /// The drive goes silent now and then, then answers as if nothing had been.
    Hanging {
        /// Once in so many requests, by chance.
        once_in: u64,
        /// How long.
        time: Duration,
    },
    /// Every request takes longer, now more and now less: the drive has other work, or the computer has.
    Uneven {
        /// By how long on average; the times are distributed exponentially (a choice, no source).
        mean: Duration,
    },
    /// The drive vanishes after so many failed reads, until its power was off.
    Vanishing {
        /// Failed reads since power on.
        failures: u64,
    },
    /// The drive dies: it is gone for good, however often its power is taken.
    Dying {
        /// At this time on its clock.
        after: Duration,
    },
}

/// How a damaged range grows.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Growth {
    /// The byte in its middle.
    pub middle: u64,
    /// Its length at first, in bytes.
    pub first_bytes: u64,
    /// By how many bytes it grows in an hour.
    pub bytes_an_hour: u64,
    /// By how many bytes it grows with each read of the drive, wherever that is.
    pub bytes_a_read: u64,
    /// By how many bytes it grows with each read that fails in it.
    pub bytes_a_failure: u64,
    /// The length at which it stops growing, in bytes.
    pub most_bytes: u64,
}

/// The unit in which a weak head fails, in bytes. A request of a mebibyte is 16 of them.
pub const UNIT: u64 = 64 << 10;

/// What is to be expected of a range.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Prospect {
    /// It will be read, after so many failed tries, at so many times the time.
    Read { failures: u32, slowness: f64 },
    /// It will not be read, and is part of something larger that is known: a head, a range.
    Dead,
    /// It will not be read, and lies alone.
    Alone,
}

struct Weak {
    fails: f64,
    slowness: f64,
}

/// All that is wrong, in the form in which it is looked up.
pub(super) struct Ailments {
    seed: u64,
    unit: u64,
    dead_heads: Vec<bool>,
    weak_heads: Vec<Option<Weak>>,
    heads_matter: bool,
    dead: ExtentSet,
    alone: ExtentSet,
    slow: Vec<(Extent, f64)>,
    late: BTreeMap<u64, u32>,
    growing: Option<Growth>,
    pub(super) hanging: Option<(u64, Duration)>,
    pub(super) uneven: Duration,
    pub(super) vanishing: Option<u64>,
    pub(super) dying: Option<Duration>,
}

/// What has become of it by reading.
#[derive(Default)]
pub(super) struct Course {
    /// Tries of late sectors.
    late: BTreeMap<u64, u32>,
    /// Tries of units under weak heads that did not bring them.
    weak: BTreeMap<u64, u32>,
    growth_failures: u64,
    /// Requests so far.
    pub(super) reads: u64,
}

impl Ailments {
    /// `unit` is the physical sector in bytes: what of a sector is bad, all of it is.
    pub(super) fn new(list: &[Ailment], geometry: &Geometry, turn_ms: f64, unit: u64, seed: u64) -> Ailments {
        let mut all = Ailments {
            seed,
            unit,
            dead_heads: vec![false; geometry.heads()],
            weak_heads: (0..geometry.heads()).map(|_| None).collect(),
            heads_matter: false,
            dead: ExtentSet::new(),
            alone: ExtentSet::new(),
            slow: Vec::new(),
            late: BTreeMap::new(),
            growing: None,
            hanging: None,
            uneven: Duration::ZERO,
            vanishing: None,
            dying: None,
        };
        let sector = |byte: u64| Extent::new(byte / unit * unit, unit).expect("a byte of a drive");
        let mut alone = Vec::new();
        for ailment in list {
            match ailment {
                Ailment::DeadHead { head } => {
                    all.dead_heads[*head] = true;
                    all.heads_matter = true;
                }
                Ailment::WeakHead { head, fails, slowness } => {
                    all.weak_heads[*head] = Some(Weak { fails: *fails, slowness: *slowness });
                    all.heads_matter = true;
                }
                Ailment::DeadPlace(extent) => all.dead.insert(extent.aligned_to(unit)),
                Ailment::BadSectors(bytes) => alone.extend(bytes.iter().map(|byte| sector(*byte))),
                Ailment::Scratch { at, tracks, slant } => {
                    alone.extend(scratched(geometry, turn_ms, unit, *at, *tracks, *slant));
                }
                Ailment::SlowPlace { extent, slowness } => all.slow.push((*extent, *slowness)),
                Ailment::LateSectors(list) => {
                    all.late.extend(list.iter().map(|(byte, failures)| (sector(*byte).start.0, *failures)));
                }
                Ailment::Growing(growth) => all.growing = Some(*growth),
                Ailment::Hanging { once_in, time } => all.hanging = Some((*once_in, *time)),
                Ailment::Uneven { mean } => all.uneven = *mean,
                Ailment::Vanishing { failures } => all.vanishing = Some(*failures),
                Ailment::Dying { after } => all.dying = Some(*after),
            }
        }
        all.alone = alone.into_iter().collect();
        all.slow.sort_by_key(|(extent, _)| *extent);
        assert!(all.slow.windows(2).all(|pair| pair[0].0.end() <= pair[1].0.start.0), "slow places must not overlap");
        all
    }

    /// The first byte at which a request for `extent` fails now, or `None` when it brings its bytes.
    pub(super) fn first_failure(
        &self,
        course: &Course,
        geometry: &Geometry,
        extent: Extent,
        age: Duration,
    ) -> Option<u64> {
        let in_set = |set: &ExtentSet| set.intersection(extent).first().map(|place| place.start.0);
        let late = self.late.range(extent.start.0 / self.unit * self.unit..extent.end());
        let late = late.filter(|(at, failures)| course.late.get(at).is_none_or(|tries| tries < failures));
        let late = late.map(|(at, _)| (*at).max(extent.start.0)).next();
        let growing = self.growing.and_then(|growth| growth.now(course, age).intersection(&extent));
        let heads = if self.heads_matter { self.first_under_heads(course, geometry, extent) } else { None };
        [in_set(&self.dead), in_set(&self.alone), late, growing.map(|place| place.start.0), heads]
            .into_iter()
            .flatten()
            .min()
    }

    fn first_under_heads(&self, course: &Course, geometry: &Geometry, extent: Extent) -> Option<u64> {
        for band in geometry.bands(extent) {
            let place = band.extent.intersection(&extent).expect("a band of the extent");
            if self.dead_heads[band.head] {
                return Some(place.start.0);
            }
            let Some(weak) = &self.weak_heads[band.head] else { continue };
            let units = place.start.0 / UNIT..=(place.end() - 1) / UNIT;
            let fails = |unit: &u64| draw(self.seed, *unit, self.tries(course, *unit)) < weak.fails;
            if let Some(unit) = units.into_iter().find(fails) {
                return Some((unit * UNIT).max(place.start.0));
            }
        }
        None
    }

    fn tries(&self, course: &Course, unit: u64) -> u64 {
        course.weak.get(&unit).copied().unwrap_or(0).into()
    }

    /// Takes note that a request for `extent` failed at byte `at`.
    pub(super) fn failed(&self, course: &mut Course, geometry: &Geometry, extent: Extent, at: u64, age: Duration) {
        let sector = at / self.unit * self.unit;
        if self.late.contains_key(&sector) {
            *course.late.entry(sector).or_default() += 1;
        }
        if self.growing.is_some_and(|growth| growth.now(course, age).contains(&Extent::between(at, at + 1))) {
            course.growth_failures += 1;
        }
        // All units under weak heads up to the range had their try; what they gave was lost with it.
        for band in geometry.bands(Extent::between(extent.start.0, at + 1)) {
            if self.weak_heads[band.head].is_some() {
                let place = band.extent.intersection(&Extent::between(extent.start.0, at + 1)).expect("such a band");
                for unit in place.start.0 / UNIT..=(place.end() - 1) / UNIT {
                    *course.weak.entry(unit).or_default() += 1;
                }
            }
        }
    }

    /// `extent` cut where it becomes slower or faster, with how many times as long each part takes.
    pub(super) fn speeds(&self, geometry: &Geometry, extent: Extent) -> Vec<(Extent, f64)> {
        let heads = geometry.bands(extent).map(|band| {
            let slowness = self.weak_heads[band.head].as_ref().map_or(1.0, |weak| weak.slowness);
            (band.extent.intersection(&extent).expect("a band of the extent"), slowness)
        });
        if self.slow.is_empty() {
            return heads.collect();
        }
        let mut parts = Vec::new();
        for (part, slowness) in heads {
            let mut at = part.start.0;
            let first = self.slow.partition_point(|(place, _)| place.end() <= at);
            for (place, times) in &self.slow[first..] {
                let Some(shared) = place.intersection(&part) else { break };
                parts.push((Extent::between(at, shared.start.0), slowness));
                parts.push((shared, slowness.max(*times)));
                at = shared.end();
            }
            parts.push((Extent::between(at, part.end()), slowness));
        }
        parts.retain(|(part, _)| !part.is_empty());
        parts
    }

    /// `extent` cut by what is to be expected of each part.
    pub(super) fn prospects(
        &self,
        course: &Course,
        geometry: &Geometry,
        extent: Extent,
        age: Duration,
    ) -> Vec<(Extent, Prospect)> {
        let mut parts: Vec<(Extent, Prospect)> = Vec::new();
        for (part, slowness) in self.speeds(geometry, extent) {
            let head = geometry.band_at(part.start.0).head;
            if self.dead_heads[head] {
                parts.push((part, Prospect::Dead));
            } else if self.weak_heads[head].is_some() {
                for unit in units_of(part) {
                    parts.push((unit, Prospect::Read { failures: self.failures(course, head, unit), slowness }));
                }
            } else {
                parts.push((part, Prospect::Read { failures: 0, slowness }));
            }
        }
        for place in self.alone.intersection(extent) {
            overlay(&mut parts, place, |_| Prospect::Alone);
        }
        for (at, failures) in self.late.range(extent.start.0 / self.unit * self.unit..extent.end()) {
            let left = failures.saturating_sub(course.late.get(at).copied().unwrap_or(0));
            let Some(place) = Extent::between(*at, at + self.unit).intersection(&extent) else { continue };
            overlay(&mut parts, place, |prospect| match prospect {
                Prospect::Read { failures, slowness } => Prospect::Read { failures: failures + left, slowness },
                never => never,
            });
        }
        let growing = self.growing.and_then(|growth| growth.now(course, age).intersection(&extent));
        for place in self.dead.intersection(extent).into_iter().chain(growing) {
            overlay(&mut parts, place, |_| Prospect::Dead);
        }
        merge(parts)
    }

    fn failures(&self, course: &Course, head: usize, unit: Extent) -> u32 {
        let Some(weak) = &self.weak_heads[head] else { return 0 };
        let (number, first) = (unit.start.0 / UNIT, self.tries(course, unit.start.0 / UNIT));
        let failures = (first..first + 64).take_while(|tries| draw(self.seed, number, *tries) < weak.fails).count();
        u32::try_from(failures).expect("at most 64")
    }

    /// All that may be lost in time although it can be read at first.
    pub(super) fn threatened(&self) -> Option<Extent> {
        self.growing.map(|growth| growth.of_length(growth.most_bytes))
    }
}

impl Growth {
    fn of_length(&self, bytes: u64) -> Extent {
        Extent::between(self.middle.saturating_sub(bytes / 2), self.middle + bytes / 2)
    }

    fn now(&self, course: &Course, age: Duration) -> Extent {
        let hours = age.as_secs_f64() / 3600.0;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
        let with_time = (to_f64(self.bytes_an_hour) * hours) as u64;
        let with_reads = self.bytes_a_read.saturating_mul(course.reads);
        let with_failures = self.bytes_a_failure.saturating_mul(course.growth_failures);
        let grown = with_time.saturating_add(with_reads).saturating_add(with_failures);
        self.of_length(self.first_bytes.saturating_add(grown).min(self.most_bytes))
    }
}

/// The track's length is the rate times the time of one turn; a drive that does not turn has tracks of a mebibyte.
fn scratched(geometry: &Geometry, turn_ms: f64, unit: u64, at: u64, tracks: u64, slant: u64) -> Vec<Extent> {
    let band = geometry.band_at(at);
    let track = geometry.rate(band.zone) * turn_ms / 1000.0;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
    let track = if track > to_f64(unit) { track as u64 / unit * unit } else { 1 << 20 };
    let mut list = Vec::new();
    let (head, mut place) = (band.head, at);
    while (list.len() as u64) < tracks && place < geometry.bytes() {
        let band = geometry.band_at(place);
        if band.head == head {
            list.push(Extent::between(place / unit * unit, place / unit * unit + unit));
            place += track + slant * unit;
        } else {
            // On to the next group's band on the same surface.
            place = band.extent.end();
        }
    }
    list
}

fn units_of(extent: Extent) -> impl Iterator<Item = Extent> {
    let mut at = extent.start.0;
    std::iter::from_fn(move || {
        (at < extent.end()).then(|| {
            let unit = Extent::between(at, extent.end().min((at / UNIT + 1) * UNIT));
            at = unit.end();
            unit
        })
    })
}

/// Changes what is to be expected of `place`.
fn overlay(parts: &mut Vec<(Extent, Prospect)>, place: Extent, change: impl Fn(Prospect) -> Prospect) {
    let mut cut = Vec::with_capacity(parts.len() + 2);
    for (part, prospect) in parts.drain(..) {
        match part.intersection(&place) {
            None => cut.push((part, prospect)),
            Some(shared) => {
                cut.push((Extent::between(part.start.0, shared.start.0), prospect));
                cut.push((shared, change(prospect)));
                cut.push((Extent::between(shared.end(), part.end()), prospect));
            }
        }
    }
    cut.retain(|(part, _)| !part.is_empty());
    *parts = cut;
}

/// Joins neighbours of which the same is to be expected; sectors that lie alone stay apart, for each costs its own failure.
fn merge(parts: Vec<(Extent, Prospect)>) -> Vec<(Extent, Prospect)> {
    let mut merged: Vec<(Extent, Prospect)> = Vec::with_capacity(parts.len());
    for (part, prospect) in parts {
        match merged.last_mut() {
            Some((last, before))
                if *before == prospect && matches!(prospect, Prospect::Dead | Prospect::Read { failures: 0, .. }) =>
            {
                last.bytes += part.bytes;
            }
            _ => merged.push((part, prospect)),
        }
    }
    merged
}
