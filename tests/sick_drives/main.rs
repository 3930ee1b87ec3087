//! Strategies of copying on drives that fail, by seeds: the tables of docs/sick-drives.md, and a small run of the same as
//! a test. scripts/sick-drives makes the tables.

#![allow(clippy::cast_precision_loss, reason = "shares and times need no 53 bits")]

#[path = "../support/class_maps.rs"]
mod class_maps;
#[path = "../support/layouts.rs"]
mod layouts;
#[path = "../support/mounted.rs"]
mod mounted;
#[path = "../support/witness.rs"]
mod witness;

mod baseline;
mod many;
mod named;
mod outside;
mod play;
mod scene;
mod score;
mod store;
mod survey;
mod tables;
mod volume;

use gleaner::base::extent::Extent;
use gleaner::base::units::ByteOffset;
use gleaner::copy::pace::{Budget, MeasurableRanges, fit, measure};
use gleaner::drive::model::preset;
use gleaner::drive::sick::{DriveSpec, Illness, LogTotals, SickDrive, Technician, oracle};
use gleaner::filesystem::{NodeKind, Purpose};
use gleaner::plan::{pass_seconds, read_plan};
use gleaner::simulate::{Assumptions, BadHead, Pieces, plan_under_head, simulate};
use gleaner::source::{CopyStore, LeftOff, Reader, Source, TroubleLimit};
use gleaner::survey::allocation::{Choices, Class, classify, read_drive};
use gleaner::survey::coherence::{Verdict, judge};
use play::{BASELINE, PRODUCT, play, play_in_runs, play_into};
use scene::Scene;
use std::io::{self, Read, Seek, SeekFrom};
use std::time::Duration;
use store::PlayStore;
use volume::{CLUSTER, Shape, Volume};

/// What must hold of every play: no log has more than the bound at any moment, every log is orderly, and a second play is
/// the same to the nanosecond, although the product reads and keeps in two threads.
#[test]
fn every_play_is_orderly_within_the_bound_and_the_same_again() {
    for (number, illness) in (0..).zip(Illness::ALL) {
        let kinds = layouts::kinds();
        let kind = kinds[number % kinds.len()].clone().smaller(if number % kinds.len() == 6 { 16 } else { 256 });
        let scene = Scene::of(&kind);
        let drive = SickDrive::new(illness.draw(&kind.model(), kind.drive_bytes, number as u64));
        let best = oracle(&drive, &scene.classes, &Technician::default());
        let until = best.last().unwrap().ended().0 * 4;
        let hold = |log: &[_], who: &str| {
            let who = format!("{who}, {}, {}", illness.name(), kind.name);
            score::assert_orderly(log, kind.drive_bytes, &who);
            score::assert_within_bound(log, &drive, &scene.belongings, &who);
        };
        hold(&best, "oracle");
        for strategy in [BASELINE, PRODUCT] {
            let log = play(&drive, &scene.plan, strategy, until);
            hold(&log, strategy.name);
            assert!(log == play(&drive, &scene.plan, strategy, until), "{}, {}", strategy.name, illness.name());
        }
        if illness == Illness::None {
            let log = play(&drive, &scene.plan, PRODUCT, until);
            let own: u64 = scene.belongings.bytes.iter().map(|own| own.bytes).sum();
            let all = score::at_moments(&log, &scene.belongings, &[until])[0];
            assert_eq!((all.failed, all.bytes, all.files), (0, own, u64::from(scene.belongings.files)));
        }
    }
}

/// What a copy left in its store tells of the head: the bands are those of the drive, and a plan knows what lies in them.
#[test]
fn what_a_copy_left_shows_a_plan_the_dead_head() {
    let scene = named::random_plan();
    let drive = SickDrive::new(named::dead_head(128));
    let bytes = drive.geometry().bytes();
    let (_, store) = play_into(&drive, &scene.plan, PRODUCT, Duration::from_secs(30 * 60));
    let plan = read_plan(scene.plan.as_slice()).unwrap();
    let planned = || plan.ascending().map(|extent| (extent, None)).collect();
    let head = BadHead::known(bytes, store.as_ref(), planned).expect("half an hour shows it");
    assert!(head.words.starts_with("One of about 4 heads fails"), "{}", head.words);

    // Where the copy has been, the bands are right but for their edges.
    let been = store.held(drive.identity().extent()).last().unwrap().end();
    let (mut right, mut wrong) = (0, 0);
    for band in drive.geometry().bands(Extent::between(0, been)) {
        let suspect = head.bands.bytes_within(band.extent);
        let (is_right, is_wrong) = if band.head == 1 {
            (suspect, band.extent.bytes - suspect)
        } else {
            (band.extent.bytes - suspect, suspect)
        };
        right += is_right;
        wrong += is_wrong;
    }
    assert!(wrong * 20 < right, "{wrong} bytes are in the wrong place, {right} in the right one");

    let under = plan_under_head(&plan, &preset("desktop-7200").unwrap().model(), 1 << 20, &head);
    let (suspect, rest_after) = under.of_class(Class::Files);
    let share = layouts::to_f64(suspect) / layouts::to_f64(plan.bytes());
    assert!((0.2..0.3).contains(&share), "{share} of the plan lies under one of four heads");
    let all = pass_seconds(&plan, &preset("desktop-7200").unwrap().model()).iter().sum::<f64>();
    assert!(rest_after.unwrap() < all * 0.9, "the other heads' part comes first");

    // A drive without a bad head shows none.
    let drive = SickDrive::new(named::hundred_sectors(&scene));
    let (_, store) = play_into(&drive, &scene.plan, PRODUCT, Duration::from_secs(30 * 60));
    assert_eq!(BadHead::known(bytes, store.as_ref(), Vec::new), None);
}

/// A copy that was stopped and goes on knows the bands from its first read on.
#[test]
fn a_later_run_need_not_learn_the_bands_anew() {
    let scene = named::random_plan();
    let drive = SickDrive::new(named::dead_head(64));
    let minutes = |minutes: u64| Duration::from_secs(minutes * 60);
    let failed = |ends: &[Duration]| {
        let (log, _) = play_in_runs(&drive, &scene.plan, PRODUCT, ends);
        LogTotals::of(&log).failed
    };
    let (at_once, in_runs) = (failed(&[minutes(24)]), failed(&[minutes(8), minutes(16), minutes(24)]));
    assert!(in_runs <= at_once + 15, "{in_runs} failed in three runs, {at_once} in one");
}

/// Two simulations that share nothing but the seek curve: a plan played on a drive's model, and a copy of a sound drive
/// with zones and bands. And the model that measuring that drive comes to has its rates.
#[test]
fn a_sound_drive_takes_the_time_of_its_model_and_is_measured_as_what_it_is() {
    let kind = layouts::kinds().remove(1).smaller(64);
    let (scene, model) = (Scene::of(&kind), kind.model());
    let drive = SickDrive::new(Illness::None.draw(&model, kind.drive_bytes, 3));
    let log = play(&drive, &scene.plan, PRODUCT, Duration::MAX);
    let took = log.last().unwrap().ended().0.as_secs_f64();
    let plan = read_plan(scene.plan.as_slice()).unwrap();
    let pieces = Pieces::of_plan(&plan);
    let played =
        simulate(pieces, &Assumptions { model: model.clone(), request_bytes: 1 << 20, law: None, bad_head: None });
    assert!((took / played.plan.seconds - 1.0).abs() < 0.05, "{took} s, by the model {} s", played.plan.seconds);

    let store = PlayStore::new(drive.content().clone());
    let places = MeasurableRanges::of_plan(&plan, kind.drive_bytes, &store);
    let reader = Reader::new(Box::new(drive.twin()), None);
    let measured = measure(&reader, &store, places, &Budget::default()).unwrap();
    let base = preset("failing").unwrap().model();
    let fitted = fit(&measured.samples, &measured.failed_seconds, &base, kind.drive_bytes).model;
    for (is, should) in [
        (fitted.first_rate, model.first_rate),
        (fitted.last_rate, model.last_rate),
        (fitted.mean_rate(), model.mean_rate()),
    ] {
        assert!((is / should - 1.0).abs() < 0.05, "{is} instead of {should}");
    }
}

/// A check of the harness: a log that claims more than can have been read in its time is found out.
#[test]
#[should_panic(expected = "bound")]
fn a_log_that_is_too_good_is_found_out() {
    let kind = layouts::kinds().remove(6).smaller(16);
    let scene = Scene::of(&kind);
    let drive = SickDrive::new(Illness::None.draw(&kind.model(), kind.drive_bytes, 1));
    let mut log = oracle(&drive, &scene.classes, &Technician::default());
    // An interface slower than the platters hides small gains, so half of the time.
    log.iter_mut().for_each(|request| request.took /= 2);
    score::assert_within_bound(&log, &drive, &scene.belongings, "somebody");
}

/// Reads a volume as a file.
struct AsFile<'v> {
    volume: &'v Volume,
    at: u64,
}

impl Read for AsFile<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let size = self.volume.identity().bytes;
        let first = self.at / 512 * 512;
        let skip = usize::try_from(self.at - first).unwrap();
        let count = buffer.len().min(usize::try_from(size - self.at).unwrap());
        let mut sectors = vec![0; (skip + count).next_multiple_of(512)];
        self.volume.read_at(ByteOffset(first), &mut sectors).map_err(io::Error::other)?;
        buffer[..count].copy_from_slice(&sectors[skip..skip + count]);
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for AsFile<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::Current(way) => self.at.checked_add_signed(way).ok_or(io::ErrorKind::InvalidInput)?,
            SeekFrom::End(way) => {
                self.volume.identity().bytes.checked_add_signed(way).ok_or(io::ErrorKind::InvalidInput)?
            }
        };
        Ok(self.at)
    }
}

// Source: the crate `ntfs`, an independent parser: names and runs of every file.
#[test]
fn the_volume_is_read_by_others() {
    let shape = Shape { bytes: 500_000_256, files: 400, table_at: 26 << 20, full: 0.5, wanted_one_in: 3 };
    let volume = Volume::new(&shape);
    let mut file = AsFile { volume: &volume, at: 0 };
    let parsed = ntfs::Ntfs::new(&mut file).unwrap();
    assert_eq!(u64::from(parsed.cluster_size()), CLUSTER);
    let mut found = 0;
    // A folder above, ten with forty files each.
    for record in 24..24 + 1 + 10 * 41 {
        let own = parsed.file(&mut file, record).unwrap();
        let name = own.name(&mut file, None, None).unwrap().unwrap().name().to_string_lossy();
        let Some(data) = own.data(&mut file, "") else {
            assert!(own.is_directory(), "{name}");
            continue;
        };
        let item = data.unwrap();
        let attribute = item.to_attribute().unwrap();
        let value = attribute.value(&mut file).unwrap();
        let ntfs::attribute_value::NtfsAttributeValue::NonResident(runs) = value else { panic!("{name} is resident") };
        let runs: Vec<Extent> = runs
            .data_runs()
            .map(|run| run.unwrap())
            .map(|run| Extent::new(run.data_position().value().unwrap().get(), run.allocated_size()).unwrap())
            .collect();
        assert_eq!(runs, volume.files[found], "{name}");
        assert_eq!(name, format!("Station {found:06}.sheet"));
        found += 1;
    }
    assert_eq!(found, 400);
}

#[test]
fn the_named_volumes_are_sound_before_they_fall_ill() {
    for (spec, volume) in [named::small_volume(), named::dead_table()] {
        let drive = SickDrive::new(DriveSpec { ailments: Vec::new(), ..spec });
        let reader = Reader::new(Box::new(drive), None);
        let map = read_drive(&reader).unwrap();
        assert_eq!(judge(&map, &reader).unwrap().verdict, Verdict::Sound);
        assert!(map.all_findings().kept().is_empty());
        let classes = classify(&map, &Choices::default());
        let bytes: u64 = volume.files.iter().flatten().map(|run| run.bytes).sum();
        // Folders' own clusters come with the files.
        let nodes = map.volumes().flat_map(|(_, volume)| volume.catalog.nodes());
        let folders = nodes.filter(|node| node.kind() == NodeKind::Folder && node.purpose() == Purpose::Client);
        let entries = folders.flat_map(|folder| folder.streams()).flat_map(|stream| stream.runs());
        let entries: u64 = entries.map(|run| run.count * CLUSTER).sum();
        assert_eq!(classes.bytes_of(Class::Files), bytes + entries);
    }
}

/// A survey costs a sick drive at most its limit, and still says what there is: the volume, and most of its files where they
/// can be known. The limit is the documented one (docs/coherence.md).
#[test]
fn a_survey_leaves_trouble_within_its_limit() {
    for (name, (spec, _), verdicts) in [
        ("a dead head", named::small_volume(), ["unreadable", "partly-damaged"]),
        ("a dead table", named::dead_table(), ["unreadable", "partly-damaged"]),
    ] {
        let (log, verdict) = survey::alone(&spec);
        let failed = LogTotals::of(&log).failed;
        assert!((1..=16).contains(&failed), "{name}: {failed}");
        assert!(verdicts.contains(&verdict.as_str()), "{name}: {verdict}");
        let drive = SickDrive::new(spec.clone());
        let limit = TroubleLimit { failures: 4, time: Duration::from_secs(60) };
        let reader = Reader::new(Box::new(drive.clone()), None).with_trouble_limit(limit);
        let map = read_drive(&reader).unwrap();
        let judged = judge(&map, &reader).unwrap();
        let failed = LogTotals::of(&drive.log()).failed;
        assert!((1..=4).contains(&failed), "{name}: {failed}");
        assert_eq!(map.volumes().count(), 1, "{name}");
        let so_far = judged.so_far.expect("something was left");
        assert!(so_far.why == LeftOff::TroubleLimit && so_far.bytes > 0 && so_far.troubles <= 4, "{name}: {so_far:?}");
    }
}

/// The whole of a survey and a copy by case on a small drive of which one head is dead, twice: the same, and what is read
/// of the client's within the bound.
#[test]
fn survey_and_copy_of_a_case_are_the_same_each_time() {
    let shape = Shape { bytes: 300_000_256, files: 200, table_at: 26 << 20, full: 0.5, wanted_one_in: 3 };
    let (spec, volume) = named::with_dead_head(&shape);
    let until = Duration::from_secs(3600);
    let log = survey::product(&spec, until, Technician::default().request_bytes);
    assert!(log == survey::product(&spec, until, Technician::default().request_bytes));
    let baseline = survey::baseline(&spec, until);
    assert!(baseline == survey::baseline(&spec, until));
    let own = survey::belongings(&volume);
    for log in [log, baseline] {
        score::assert_orderly(&log, shape.bytes, "case");
        score::assert_within_bound(&log, &SickDrive::new(spec.clone()), &own, "case");
        assert!(score::at_moments(&log, &own, &[until])[0].failed > 4);
    }
}
