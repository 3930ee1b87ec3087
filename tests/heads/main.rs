//! The map of heads on simulated drives: what it saves, and that it sees no head where none is bad.
//!
//! Small numbers run always. `cargo test --release --test heads -- --ignored --nocapture` makes the figures of
//! docs/heads.md.

#![allow(clippy::cast_precision_loss, reason = "shares need no 53 bits")]

mod driver;

use driver::{DeadHead, Drive, Limits, MIB, Played, Sick, follow};
use gleaner::base::clock::Clock;
use gleaner::base::extent::Extent;
use gleaner::base::units::ByteOffset;
use gleaner::drive::heads::{HeadFinder, HeadLoad, Observed};
use gleaner::drive::model::preset;
use gleaner::drive::sick::{Ailment, Content, DriveSpec, Geometry, HeadOrder, Illness, SickDrive, Zone};
use gleaner::source::{ReadError, Source, SourceIdentity};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

const TB: u64 = 1_000_000_000_000;
const GB: u64 = 1_000_000_000;

/// A fixed sequence of numbers (Knuth's MMIX constants).
struct Numbers(u64);

impl Numbers {
    /// From 0 up to, not including, 1.
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(self.0 >> 32).unwrap()) / 4_294_967_296.0
    }
}

/// A share of a drive at random, in files of 64 KiB to 256 MiB.
fn random_plan(share: f64, seed: u64, drive_bytes: u64) -> Vec<Extent> {
    let mut numbers = Numbers(seed);
    let mut at = MIB;
    let mut plan = Vec::new();
    while at < drive_bytes {
        let bytes = (whole(65_536.0 * 4096_f64.powf(numbers.share())) / 4096 * 4096).min(drive_bytes - at);
        if numbers.share() < share {
            plan.push(Extent::between(at, at + bytes));
        }
        at += bytes;
    }
    plan
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn whole(value: f64) -> u64 {
    value as u64
}

/// A drive with bands of so many MiB, 10 % apart by head, shrinking over 24 zones.
fn dead_head(bytes: u64, band_mib: u64, heads: usize, dead: usize, order: HeadOrder) -> DeadHead {
    let model = preset("desktop-7200").unwrap().model();
    let shares: Vec<f64> = match heads {
        4 => vec![1.05, 0.95, 1.0 + 0.05 / 3.0, 1.0 - 0.05 / 3.0],
        _ => (0..heads).map(|head| 0.95 + 0.1 * ((head * 7 + 3) % heads) as f64 / (heads - 1) as f64).collect(),
    };
    let zones = Zone::in_steps(&model, bytes, 24, (band_mib * MIB) as f64, &shares);
    DeadHead { geometry: Geometry::new(zones, order), dead }
}

/// A drive of four heads with bands of 16 MB at first, each cycle of which is shorter than the one before: half as long at the end.
/// So it is where a zone has only a few cycles.
fn shrinking(bytes: u64, dead: usize) -> DeadHead {
    let rate = preset("desktop-7200").unwrap().model().first_rate;
    let mut zones = Vec::new();
    let mut at = 0;
    while at < bytes {
        let first = 16e6 * (1.0 - at as f64 / bytes as f64 / 2.0);
        let bands: Vec<u64> = [1.0, 1.1, 0.95, 0.9].iter().map(|share| whole(first * share) / 4096 * 4096).collect();
        let cycle = bands.iter().sum::<u64>().min(bytes - at);
        zones.push(Zone { bytes: cycle, rate, bands });
        at += cycle;
    }
    DeadHead { geometry: Geometry::new(zones, HeadOrder::Same), dead }
}

/// Follows a plan until 95 % of what the other heads hold is read.
fn until_95(drive: &mut DeadHead, plan: &[Extent]) -> (Played, HeadFinder) {
    let mut finder = HeadFinder::new(drive.geometry.bytes());
    let limits = Limits { bytes: drive.healthy(plan) / 100 * 95, failed: 20_000 };
    let played = follow(drive, &mut finder, plan, limits);
    (played, finder)
}

/// Plans of one drive: what one of them costs may be twice what another does, so that a limit is one for their mean.
const PLANS: std::ops::Range<u64> = 45..50;

fn mean(failed: &[u64]) -> u64 {
    failed.iter().sum::<u64>() / failed.len() as u64
}

#[test]
fn a_dead_head_costs_a_few_failures_in_each_zone() {
    for (order, dead) in [(HeadOrder::Same, 1), (HeadOrder::Alternating, 0)] {
        let failed: Vec<u64> =
            PLANS.map(|seed| on_one_plan(&mut dead_head(100 * GB, 16, 4, dead, order), order, seed)).collect();
        assert!(mean(&failed) <= 240, "{order:?}: {failed:?}");
    }
}

/// A drive whose reads take as long as at 100 MB a second and, by chance, some milliseconds more.
struct Uneven {
    drive: DeadHead,
    numbers: Numbers,
}

impl Drive for Uneven {
    fn read(&mut self, extent: Extent) -> (bool, Duration) {
        let waits = -0.003 * (1.0 - self.numbers.share()).ln();
        (self.drive.read(extent).0, Duration::from_secs_f64(extent.bytes as f64 / 1e8 + waits))
    }
}

/// On a machine reads take uneven times. They are no evidence against what failures show, nor of bands.
#[test]
fn uneven_times_hide_no_dead_head() {
    let failed: Vec<u64> = PLANS
        .map(|seed| {
            let dead = shrinking(4_300_000_256, 2);
            let plan = random_plan(0.45, seed, dead.geometry.bytes());
            let limits = Limits { bytes: dead.healthy(&plan) / 100 * 95, failed: 20_000 };
            let mut finder = HeadFinder::new(dead.geometry.bytes());
            let mut drive = Uneven { drive: dead, numbers: Numbers(seed) };
            follow(&mut drive, &mut finder, &plan, limits).failed
        })
        .collect();
    assert!(mean(&failed) <= 140, "{failed:?}");
}

/// Bands of 8 to 16 MB on 4.3 GB are some 90 cycles: two failures in each would be 180.
#[test]
fn bands_that_shrink_from_cycle_to_cycle_are_known_too() {
    for dead in 0..4 {
        let failed: Vec<u64> = PLANS
            .map(|seed| {
                let mut drive = shrinking(4_300_000_256, dead);
                let plan = random_plan(0.45, seed, drive.geometry.bytes());
                let (played, finder) = until_95(&mut drive, &plan);
                assert!(finder.map().is_some_and(|map| map.is_whole_head()), "{played:?}");
                played.failed
            })
            .collect();
        assert!(mean(&failed) <= 140, "head {dead}: {failed:?}");
    }
}

/// The failures that a plan costs, with a map that is right in the end.
fn on_one_plan(drive: &mut DeadHead, order: HeadOrder, seed: u64) -> u64 {
    let plan = random_plan(0.45, seed, drive.geometry.bytes());
    let (played, finder) = until_95(drive, &plan);
    assert!(played.map_after.is_some_and(|after| after <= 40), "{order:?}: {played:?}");
    let map = finder.map().unwrap();
    assert!(map.is_whole_head());
    assert_eq!(map.heads(), 4);

    // The plan in two parts, against the geometry.
    let split = map.split(&plan);
    let bytes = |list: &[Extent]| list.iter().map(|extent| extent.bytes).sum::<u64>();
    assert_eq!(bytes(&split.healthy) + bytes(&split.suspect), bytes(&plan));
    let (healthy, suspect) = (drive.healthy(&split.healthy), drive.healthy(&split.suspect));
    assert!(healthy as f64 > 0.98 * bytes(&split.healthy) as f64, "{healthy} of {}", bytes(&split.healthy));
    assert!((suspect as f64) < 0.15 * bytes(&split.suspect) as f64, "{suspect} of {}", bytes(&split.suspect));
    played.failed
}

/// Copies of a table lie at the drive's end, and are read first. From there nothing follows for the zones that are read next.
#[test]
fn a_copy_at_the_drives_end_does_not_spoil_the_map() {
    let failed: Vec<u64> = PLANS
        .map(|seed| {
            let mut drive = dead_head(100 * GB, 64, 4, 1, HeadOrder::Same);
            let plan = random_plan(0.45, seed, drive.geometry.bytes());
            let mut finder = HeadFinder::new(drive.geometry.bytes());
            let end = drive.geometry.bytes() / MIB * MIB;
            for back in [1, 2, 40, 90, 150, 300] {
                let extent = Extent::new(end - back * MIB, MIB).unwrap();
                let (ok, took) = drive.read(extent);
                finder.observe(&Observed { extent, failed: !ok, slow: false, took });
            }
            let limits = Limits { bytes: drive.healthy(&plan) / 100 * 95, failed: 20_000 };
            follow(&mut drive, &mut finder, &plan, limits).failed
        })
        .collect();
    assert!(mean(&failed) <= 240, "{failed:?}");
}

#[test]
fn words_and_picture_say_what_lies_under_the_head() {
    let mut drive = dead_head(40 * GB, 32, 4, 1, HeadOrder::Same);
    let plan = random_plan(0.45, 7, drive.geometry.bytes());
    let (_, finder) = until_95(&mut drive, &plan);
    let map = finder.map().unwrap();
    // Two extents in three are a file of two fragments, the others no file's.
    let file = |number: usize| (number % 3 < 2).then(|| u32::try_from(number / 3).unwrap());
    let planned = || plan.iter().enumerate().map(|(number, extent)| (*extent, file(number)));
    let load = HeadLoad::of(&map, planned());

    let under = |extent: &Extent| extent.bytes - drive.healthy(&[*extent]);
    let files: BTreeSet<u32> = planned().filter_map(|(_, file)| file).collect();
    let hit: BTreeSet<u32> = planned().filter(|(extent, _)| under(extent) > 0).filter_map(|(_, file)| file).collect();
    assert_eq!(load.bytes, plan.iter().map(|extent| extent.bytes).sum::<u64>());
    assert_eq!(load.files, files.len() as u64);
    let bytes: u64 = plan.iter().map(under).sum();
    for (is, should) in [(load.suspect_bytes, bytes), (load.suspect_files, hit.len() as u64)] {
        assert!((is as f64 / should as f64 - 1.0).abs() < 0.1, "{is} instead of {should}");
    }

    let words = map.in_words(&load);
    assert!(words.starts_with("One of about 4 heads fails"), "{words}");
    let figure = format!("bytes of {} of {} planned files", load.suspect_files, load.files);
    assert!(words.contains(&figure), "{words}");

    let example = map.example();
    let bands = map.suspect_bands(example).len();
    assert!((10..=14).contains(&bands), "{bands} bands in {example:?}");
    let evidence = map.range_evidence(example);
    let parts = [&evidence.bad, &evidence.good, &evidence.suspect];
    let some = parts.map(|shares| shares.iter().filter(|share| **share > 0.0).count());
    assert!(some.iter().all(|count| *count > 0), "{some:?}: parts that failed, that read well, that wait");
}

#[test]
fn the_same_reads_give_the_same_map() {
    let play = || {
        let mut drive = dead_head(20 * GB, 16, 3, 1, HeadOrder::Alternating);
        let plan = random_plan(0.45, 1, drive.geometry.bytes());
        let (played, finder) = until_95(&mut drive, &plan);
        let bands = finder.map().unwrap().suspect_bands(Extent::between(0, 20 * GB));
        (played, finder.evidence(), bands)
    };
    assert_eq!(play(), play());
}

/// Holds nothing: what is read does not matter here, and filling buffers would take most of the time.
struct Blank(SourceIdentity);

impl Source for Blank {
    fn identity(&self) -> &SourceIdentity {
        &self.0
    }

    fn read_at(&self, _: ByteOffset, _: &mut [u8]) -> Result<(), ReadError> {
        Ok(())
    }

    fn is_present(&self) -> bool {
        true
    }

    fn clock(&self) -> Clock {
        Clock::simulated()
    }
}

/// A drive as its seed draws it.
fn drawn(illness: Illness, bytes: u64, seed: u64) -> DriveSpec {
    let model = preset(["desktop-7200", "notebook-5400"][usize::from(seed % 2 == 1)]).unwrap().model();
    let mut spec = illness.draw(&model, bytes, seed);
    let blank = Blank(SickDrive::new(spec.clone()).identity().clone());
    spec.content = Content::Of(Arc::new(blank));
    spec
}

fn bad_head(spec: &DriveSpec) -> Option<usize> {
    spec.ailments.iter().find_map(|ailment| match ailment {
        Ailment::DeadHead { head } | Ailment::WeakHead { head, .. } => Some(*head),
        _ => None,
    })
}

fn sick(spec: DriveSpec) -> Sick {
    Sick { drive: SickDrive::new(spec), buffer: vec![0; usize::try_from(MIB).unwrap()] }
}

/// What drives without a bad head came to.
#[derive(Debug, Default)]
struct Alarms {
    drives: u64,
    /// Seeds with a map of a whole head.
    heads: Vec<u64>,
    /// Seeds with a map of a place.
    places: Vec<u64>,
    /// The largest share of a plan that waited for a later pass.
    waited: f64,
}

/// Plays drives without a bad head, every illness in turn.
fn without_bad_head(seeds: std::ops::Range<u64>, bytes: u64, share: f64) -> Alarms {
    let mut alarms = Alarms::default();
    for seed in seeds {
        let illness = Illness::ALL[usize::try_from(seed).unwrap() % Illness::ALL.len()];
        let spec = drawn(illness, bytes, seed);
        if bad_head(&spec).is_some() {
            continue;
        }
        let plan = random_plan(share, seed, bytes);
        let planned: u64 = plan.iter().map(|extent| extent.bytes).sum();
        let limits = Limits { bytes: u64::MAX, failed: 1500 };
        let played = follow(&mut sick(spec), &mut HeadFinder::new(bytes), &plan, limits);
        alarms.drives += 1;
        if played.whole_head_after.is_some() {
            alarms.heads.push(seed);
        } else if played.map_after.is_some() {
            alarms.places.push(seed);
        }
        alarms.waited = alarms.waited.max(played.waited as f64 / planned as f64);
    }
    alarms
}

#[test]
fn no_head_is_seen_where_none_is_bad() {
    let alarms = without_bad_head(0..52, 60 * GB, 0.45);
    assert_eq!((alarms.drives, alarms.heads.len()), (42, 0), "{alarms:?}");
    assert!(alarms.waited < 0.05, "{alarms:?}");
}

/// Three scratches, two of them 38 GB apart: bands that fit the second contradict what was read since the first.
#[test]
fn scratches_far_apart_are_no_head() {
    let alarms = without_bad_head(173..174, TB, 0.45);
    assert_eq!((alarms.drives, alarms.heads.len()), (1, 0), "{alarms:?}");
}

#[test]
fn a_weak_head_is_found_by_what_is_slow_and_what_fails() {
    let spec = drawn(Illness::WeakHead, 60 * GB, 20);
    let head = bad_head(&spec).unwrap();
    let geometry = Geometry::new(spec.zones.clone(), spec.order);
    let mut finder = HeadFinder::new(60 * GB);
    let plan = random_plan(0.45, 20, geometry.bytes());
    let limits = Limits { bytes: u64::MAX, failed: 200 };
    let played = follow(&mut sick(spec), &mut finder, &plan, limits);
    let map = finder.map().unwrap();
    assert!(map.is_whole_head(), "{played:?}");
    let suspect = map.split(&plan).suspect;
    let others = DeadHead { geometry, dead: head }.healthy(&suspect);
    let all: u64 = suspect.iter().map(|extent| extent.bytes).sum();
    assert!((others as f64) < 0.1 * all as f64, "{others} of {all}");
}

/// Only slowness, told by the time alone: no failure at all.
#[test]
fn slowness_alone_shows_a_head() {
    let mut drive = dead_head(10 * GB, 16, 4, 2, HeadOrder::Same);
    let mut finder = HeadFinder::new(drive.geometry.bytes());
    for extent in Extent::between(0, 4 * GB).pieces(MIB) {
        let took = Duration::from_millis(if drive.read(extent).0 { 10 } else { 30 });
        finder.observe(&Observed { extent, failed: false, slow: false, took });
    }
    let map = finder.map().unwrap();
    let bands = map.suspect_bands(Extent::between(0, 4 * GB));
    let all: u64 = bands.iter().map(|band| band.bytes).sum();
    assert!((drive.healthy(&bands) as f64) < 0.1 * all as f64);
    let probe = bands[bands.len() / 2];
    let middle = ByteOffset(probe.start.0 + probe.bytes / 2);
    assert!(map.risk(middle) > 0.9);
    assert!(map.next_change(middle) > middle && map.next_change(middle).0 <= probe.end() + 2 * MIB);
}

#[test]
#[ignore = "a measurement over large drives: the figures of docs/heads.md"]
fn figures_of_dead_heads() {
    let cases: [(&str, u64, f64, usize, usize, HeadOrder); 10] = [
        ("four heads, the second dead", 45, 0.45, 4, 1, HeadOrder::Same),
        ("the first dead", 45, 0.45, 4, 0, HeadOrder::Same),
        ("the second dead, 0 1 2 3 3 2 1 0", 45, 0.45, 4, 1, HeadOrder::Alternating),
        ("the first dead, 0 1 2 3 3 2 1 0", 45, 0.45, 4, 0, HeadOrder::Alternating),
        ("six heads, the third dead", 45, 0.45, 6, 2, HeadOrder::Same),
        ("six heads, the third dead, 0 1 .. 5 5 .. 1 0", 45, 0.45, 6, 2, HeadOrder::Alternating),
        ("three heads (two platters, one surface unused), the second dead", 45, 0.45, 3, 1, HeadOrder::Alternating),
        ("two heads, the first dead", 45, 0.45, 2, 0, HeadOrder::Same),
        ("5 % planned, four heads, the second dead", 45, 0.05, 4, 1, HeadOrder::Same),
        ("5 % planned, 0 1 2 3 3 2 1 0", 45, 0.05, 4, 1, HeadOrder::Alternating),
    ];
    for (name, seed, share, heads, dead, order) in cases {
        let mut cells = vec![name.to_owned()];
        for band in [16, 64, 128, 256] {
            let mut drive = dead_head(TB, band, heads, dead, order);
            let plan = random_plan(share, seed, drive.geometry.bytes());
            let began = Instant::now();
            let (played, _) = until_95(&mut drive, &plan);
            let reached = played.bytes >= drive.healthy(&plan) / 100 * 95;
            let note = if reached { String::new() } else { " (95 % not reached)".to_owned() };
            cells.push(format!("{}{note}", played.failed));
            println!("{name}, {band} MiB: {played:?} in {:.1?}", began.elapsed());
        }
        println!("| {} |", cells.join(" | "));
    }
}

/// How the figures vary: the promised drives with other plans.
#[test]
#[ignore = "a measurement over large drives: the figures of docs/heads.md"]
fn figures_of_other_plans() {
    for band in [16, 64, 128, 256] {
        let mut failed: Vec<u64> = (0..9)
            .map(|seed| {
                let mut drive = dead_head(TB, band, 4, 1, HeadOrder::Same);
                let plan = random_plan(0.45, 100 + seed, drive.geometry.bytes());
                until_95(&mut drive, &plan).0.failed
            })
            .collect();
        failed.sort_unstable();
        println!("{band} MiB: median {}, all {failed:?}", failed[4]);
    }
}

#[test]
#[ignore = "a measurement over many drives: the figures of docs/heads.md"]
fn figures_without_a_bad_head() {
    for (bytes, share) in [(250 * GB, 0.45), (250 * GB, 0.05), (TB, 0.45)] {
        println!("{} GB, {share} planned: {:?}", bytes / GB, without_bad_head(0..300, bytes, share));
    }
    let mut alarms = 0;
    for seed in 0..200 {
        let mut finder = HeadFinder::new(250 * GB);
        let plan = random_plan(0.45, seed, 250 * GB);
        let spec = drawn(Illness::None, 250 * GB, seed);
        let played = follow(&mut sick(spec), &mut finder, &plan, Limits { bytes: u64::MAX, failed: 1 });
        alarms += u64::from(played.map_after.is_some());
    }
    println!("200 sound drives: {alarms} maps");
}

#[test]
#[ignore = "a measurement over many drives: the figures of docs/heads.md"]
fn figures_of_drawn_bad_heads() {
    for illness in [Illness::DeadHead, Illness::WeakHead] {
        let mut after = Vec::new();
        let mut time = Duration::ZERO;
        for seed in 1000..1020 {
            let spec = drawn(illness, 250 * GB, seed);
            let plan = random_plan(0.45, seed, 250 * GB);
            let mut finder = HeadFinder::new(250 * GB);
            let began = Instant::now();
            let (heads, band) = (spec.zones[0].bands.len(), spec.zones[0].bands[0] / MIB);
            let played = follow(&mut sick(spec), &mut finder, &plan, Limits { bytes: u64::MAX, failed: 400 });
            time += began.elapsed();
            println!("{} {seed}: {heads} heads, {band} MiB, {played:?}", illness.name());
            after.push(played.whole_head_after.unwrap_or(u64::MAX));
        }
        after.sort_unstable();
        println!("{}: map of a whole head after {after:?} failed reads, {time:.1?}", illness.name());
    }
}
