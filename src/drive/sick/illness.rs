//! Drives by chance: each kind of illness as a seed draws it.

use super::ailment::{Ailment, Growth};
use super::content::Content;
use super::drive::DriveSpec;
use super::geometry::{Geometry, HeadOrder, Zone, whole};
use super::heat::Heat;
use crate::base::chance::Chances;
use crate::base::extent::Extent;
use crate::base::units::SectorSize;
use crate::drive::model::{DriveModel, to_f64};
use std::time::Duration;

/// A kind of illness. The sizes and numbers that are drawn are common practice, no source, unless one is named.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Illness {
    /// Nothing is wrong.
    None,
    /// One of two to eight heads reads nothing.
    DeadHead,
    /// One of two to eight heads reads badly: a unit fails in 0.2 to 10 of 100 tries, and reading takes 2 to 20 times as long.
    WeakHead,
    /// One or two ranges of 64 MiB to 4 GiB read nothing: on all heads, or on one of them only.
    DamagedPlace,
    /// One to four scratches over 10 to 300 tracks.
    Scratches,
    /// 20 to 300 bad sectors: most have a neighbour within 10 MB (Bairavasundaram et al., SIGMETRICS 2007, from memory).
    BadSectors,
    /// One to six ranges of 16 MiB to 4 GiB that take 10 to 200 times as long.
    SlowPlaces,
    /// 20 to 200 sectors that answer after one to six failures.
    LateSectors,
    /// Damage of 1 to 32 MiB that grows to 64 to 1024 MiB: in an hour, in 100,000 reads, or with each failure in it.
    Growing,
    /// Silent for 30 s once in 2,000 to 50,000 requests, with 10 to 40 bad sectors.
    Hanging,
    /// Vanishes after 5 to 40 failures, with 20 to 100 bad sectors and perhaps a damaged range.
    Vanishing,
    /// Becomes 58 to 75 degrees Celsius warm by reading, with 10 to 40 bad sectors.
    Warm,
    /// Two or three of the others.
    Several,
}

const MIB: u64 = 1 << 20;

impl Illness {
    /// All of them.
    pub const ALL: [Illness; 13] = [
        Illness::None,
        Illness::DeadHead,
        Illness::WeakHead,
        Illness::DamagedPlace,
        Illness::Scratches,
        Illness::BadSectors,
        Illness::SlowPlaces,
        Illness::LateSectors,
        Illness::Growing,
        Illness::Hanging,
        Illness::Vanishing,
        Illness::Warm,
        Illness::Several,
    ];

    /// Its name in a table.
    pub fn name(self) -> &'static str {
        match self {
            Illness::None => "none",
            Illness::DeadHead => "a dead head",
            Illness::WeakHead => "a weak head",
            Illness::DamagedPlace => "damaged places",
            Illness::Scratches => "scratches",
            Illness::BadSectors => "scattered bad sectors",
            Illness::SlowPlaces => "slow places",
            Illness::LateSectors => "sectors that answer late",
            Illness::Growing => "growing damage",
            Illness::Hanging => "hanging for 30 s",
            Illness::Vanishing => "vanishing",
            Illness::Warm => "heat",
            Illness::Several => "several at once",
        }
    }

    /// A drive of `bytes` bytes with this illness, of the kind that `model` is. The same seed draws the same drive.
    ///
    /// Geometry: 2 to 8 heads, 12 to 30 zones whose rates fall in steps as the model's do, bands of 16 to 256 MiB in the
    /// outermost zone that shrink with the rate and differ by up to 12 % from head to head, in either order of heads. A
    /// failed read takes 7 s on every second drive, where retries are capped, and up to 120 s on the others.
    pub fn draw(self, model: &DriveModel, bytes: u64, seed: u64) -> DriveSpec {
        let mut chances = Chances::of(seed);
        let (zones, order) = surfaces(model, bytes, &mut chances);
        let capped = chances.below(2) == 0;
        let failed_seconds = if capped { 7.0 } else { chances.between(7.0, 120.0).round() };
        let mut spec = DriveSpec {
            zones,
            order,
            model: DriveModel { failed_seconds, ..model.clone() },
            logical_sector: SectorSize::S512,
            physical_sector: if chances.below(2) == 0 { SectorSize::S512 } else { SectorSize::S4096 },
            ailments: Vec::new(),
            heat: Heat::OPEN_BENCH,
            seed,
            content: Content::Marks,
        };
        self.add_to(&mut spec, &mut chances);
        spec
    }

    /// Adds its ailments to a drive.
    fn add_to(self, spec: &mut DriveSpec, chances: &mut Chances) {
        let geometry = Geometry::new(spec.zones.clone(), spec.order);
        let (bytes, heads) = (geometry.bytes(), geometry.heads() as u64);
        let head = |chances: &mut Chances| usize::try_from(chances.below(heads)).expect("few heads");
        let ailments = &mut spec.ailments;
        match self {
            Illness::None => {}
            Illness::DeadHead => ailments.push(Ailment::DeadHead { head: head(chances) }),
            Illness::WeakHead => ailments.push(Ailment::WeakHead {
                head: head(chances),
                fails: chances.between(0.002, 0.1),
                slowness: chances.between(2.0, 20.0),
            }),
            Illness::DamagedPlace => damaged_places(&geometry, chances, ailments),
            Illness::Scratches => {
                for _ in 0..=chances.below(4) {
                    let tracks = whole(chances.between(10.0, 300.0));
                    ailments.push(Ailment::Scratch { at: chances.below(bytes), tracks, slant: chances.below(20) });
                }
            }
            Illness::BadSectors => ailments.push(Ailment::BadSectors(scattered(chances, bytes, 20.0, 300.0))),
            Illness::SlowPlaces => slow_places(chances, bytes, ailments),
            Illness::LateSectors => ailments.push(late_sectors(chances, bytes)),
            Illness::Growing => ailments.push(Ailment::Growing(growth(chances, bytes))),
            Illness::Hanging => {
                let once_in = whole(chances.between(2_000.0, 50_000.0));
                ailments.push(Ailment::Hanging { once_in, time: Duration::from_secs(30) });
                ailments.push(Ailment::BadSectors(scattered(chances, bytes, 10.0, 40.0)));
            }
            Illness::Vanishing => {
                ailments.push(Ailment::Vanishing { failures: whole(chances.between(5.0, 40.0)) });
                ailments.push(Ailment::BadSectors(scattered(chances, bytes, 20.0, 100.0)));
                if chances.below(2) == 0 {
                    damaged_places(&geometry, chances, ailments);
                }
            }
            Illness::Warm => {
                ailments.push(Ailment::BadSectors(scattered(chances, bytes, 10.0, 40.0)));
                let reading = 33.0 + 17.0 * chances.share();
                spec.heat =
                    Heat { ambient: 25.0, reading, failing: reading + 5.0, minutes: chances.between(10.0, 40.0) };
            }
            Illness::Several => several(spec, chances),
        }
    }
}

/// Two or three illnesses that can come together.
fn several(spec: &mut DriveSpec, chances: &mut Chances) {
    let others = [
        Illness::DeadHead,
        Illness::WeakHead,
        Illness::DamagedPlace,
        Illness::Scratches,
        Illness::BadSectors,
        Illness::SlowPlaces,
        Illness::LateSectors,
        Illness::Growing,
    ];
    let first = chances.below(others.len() as u64);
    for step in 0..2 + chances.below(2) {
        let index = (first + step * 3) % others.len() as u64;
        others[usize::try_from(index).expect("few")].add_to(spec, chances);
    }
}

fn late_sectors(chances: &mut Chances, bytes: u64) -> Ailment {
    let late = scattered(chances, bytes, 20.0, 200.0);
    let late = late.into_iter().map(|byte| (byte, 1 + u32::try_from(chances.below(6)).expect("below 6")));
    Ailment::LateSectors(late.collect())
}

/// Zones and the order of heads.
fn surfaces(model: &DriveModel, bytes: u64, chances: &mut Chances) -> (Vec<Zone>, HeadOrder) {
    let heads = 2 + chances.below(7);
    let count = 12 + chances.below(19);
    let band = chances.between(16.0, 256.0) * to_f64(MIB);
    let spread = 0.12 * chances.share();
    let shares: Vec<f64> = (0..heads).map(|_| 1.0 + spread * (chances.share() - 0.5)).collect();
    let order = if chances.below(2) == 0 { HeadOrder::Same } else { HeadOrder::Alternating };
    (Zone::in_steps(model, bytes, count, band, &shares), order)
}

fn damaged_places(geometry: &Geometry, chances: &mut Chances, ailments: &mut Vec<Ailment>) {
    for _ in 0..=chances.below(2) {
        let place = some_place(chances, geometry.bytes(), 64.0, 4096.0);
        if chances.below(2) == 0 {
            ailments.push(Ailment::DeadPlace(place));
        } else {
            // On one surface only: so many bytes of one head's bands.
            let (head, mut left) = (geometry.band_at(place.start.0).head, place.bytes / geometry.heads() as u64);
            for band in geometry.bands(Extent::between(place.start.0, geometry.bytes())) {
                if band.head == head && left > 0 {
                    let part = Extent::new(band.extent.start.0, band.extent.bytes.min(left)).expect("within a band");
                    ailments.push(Ailment::DeadPlace(part));
                    left -= part.bytes;
                }
                if left == 0 {
                    break;
                }
            }
        }
    }
}

fn slow_places(chances: &mut Chances, bytes: u64, ailments: &mut Vec<Ailment>) {
    let mut places: Vec<Extent> = Vec::new();
    for _ in 0..=chances.below(6) {
        let place = some_place(chances, bytes, 16.0, 4096.0);
        if places.iter().all(|other| other.intersection(&place).is_none()) {
            places.push(place);
            ailments.push(Ailment::SlowPlace { extent: place, slowness: chances.between(10.0, 200.0) });
        }
    }
}

fn growth(chances: &mut Chances, bytes: u64) -> Growth {
    let most_bytes = whole(chances.between(64.0, 1024.0)) * MIB;
    let cause = chances.below(3);
    let by = |number: u64, bytes: u64| if cause == number { bytes } else { 0 };
    Growth {
        middle: chances.below(bytes),
        first_bytes: whole(chances.between(1.0, 32.0)) * MIB,
        bytes_an_hour: by(0, most_bytes),
        bytes_a_read: by(1, most_bytes / 100_000),
        bytes_a_failure: by(2, whole(chances.between(0.25, 8.0) * to_f64(MIB))),
        most_bytes,
    }
}

/// A range of so many MiB, between the two, and no more than a twentieth of the drive.
fn some_place(chances: &mut Chances, drive_bytes: u64, least_mib: f64, most_mib: f64) -> Extent {
    let bytes = (whole(chances.between(least_mib, most_mib)) * MIB).min(drive_bytes / 20 / MIB * MIB);
    let start = chances.below(drive_bytes - bytes) / MIB * MIB;
    Extent::between(start, start + bytes)
}

/// Sectors, two in three of them within 10 MB of the one before.
fn scattered(chances: &mut Chances, drive_bytes: u64, least: f64, most: f64) -> Vec<u64> {
    let mut at = chances.below(drive_bytes);
    (0..whole(chances.between(least, most)))
        .map(|_| {
            at = if chances.below(3) == 0 { chances.below(drive_bytes) } else { at + chances.below(10_000_000) };
            at %= drive_bytes;
            at
        })
        .collect()
}
