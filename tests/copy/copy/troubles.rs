//! Slow places and warm drives.

use super::class_maps::{SECTOR, map_of, plan};
use super::scripted::{READ, Request};
use super::{Bench, MIB, sectors, small};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::ByteOffset;
use gleaner::copy::reading::{CopyOptions, End, Event, StopAfter, StopReason, TroubleKind};
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope};
use gleaner::survey::allocation::Class;
use std::time::{Duration, Instant};

fn one_class(count: u64) -> Plan {
    plan(&map_of(&[(count, Class::Files)]), &PlanRequest::new(Scope::Allocated))
}

// Required: "A read slower than --slow counts as trouble and defers its neighbourhood."
#[test]
fn a_slow_read_is_kept_and_what_follows_it_comes_later() {
    let mut bench = Bench::new(&one_class(100_000), 512);
    bench.script(|script| {
        script.slow = Some(([sectors(1000, 1)].into_iter().collect(), Duration::from_millis(300)));
    });
    let outcome = bench.copy(&CopyOptions { slow: Some(Duration::from_millis(250)), ..small() }).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
    assert_eq!((outcome.slow_requests, outcome.failed_requests), (1, 0));
    assert!(outcome.bad_regions.is_empty());
    let trouble: Vec<_> = bench
        .events
        .iter()
        .filter_map(|event| match event {
            Event::Trouble { extent, kind, seconds, jump_bytes } => {
                Some((*extent, *kind, *seconds > 0.25, *jump_bytes))
            }
            _ => None,
        })
        .collect();
    let [(extent, TroubleKind::Slow, true, jump)] = trouble[..] else { panic!("{trouble:?}") };
    assert_eq!(extent, sectors(960, 64));
    assert!(jump >= 64 * SECTOR, "{jump}");
    // What follows it is read after all the rest.
    let log = bench.log();
    let at = |sector: u64| log.iter().position(|r| r.extent.contains(&sectors(sector, 1))).unwrap();
    assert!(at(1024) > at(99_999) && at(1024 + jump / SECTOR - 1) > at(99_999));
    assert!(at(1024 + jump / SECTOR) < at(99_999));
}

// Without a limit of the technician's a read that is slow beside the others leaves nothing: another may have been served before it.
#[test]
fn a_read_that_is_slow_alone_leaves_nothing() {
    let mut bench = Bench::new(&one_class(100_000), 512);
    bench.script(|script| {
        script.slow = Some(([sectors(64_000, 1)].into_iter().collect(), Duration::from_millis(300)));
    });
    let outcome = bench.copy(&CopyOptions { request_bytes: MIB, ..small() }).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
    assert_eq!(outcome.slow_requests, 1);
    assert!(bench.log().is_sorted_by_key(|request| request.extent.start.0), "something was left for later");
}

/// Pieces of one request that are wanted, with other files between: eight requests of them.
fn wanted_among_files(units: u64) -> Bench {
    let pieces = (0..units).flat_map(|_| [(64, Class::Wanted), (8 * 64, Class::Files)]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.wants = vec!["a".to_owned()];
    request.bridge = BridgeRule::OFF;
    Bench::new(&plan(&map_of(&pieces.collect::<Vec<_>>()), &request), 512)
}

/// Some sectors of a unit of these.
fn in_unit(unit: u64, start: u64, count: u64) -> Extent {
    sectors(unit * 9 * 64 + start, count)
}

// Source: docs/copying.md: what a failed read took is spent once more on all that is planned behind it, and nothing on a small
// bad place.
#[test]
fn what_lies_behind_a_long_bad_place_is_read_for_as_long_as_it_took() {
    const FAILED: u64 = 7000;
    const READ_MILLISECONDS: u64 = 20;
    let order = |bad: Extent| {
        let mut bench = wanted_among_files(2400);
        let everything = [Extent::between(0, in_unit(2400, 0, 1).start.0)].into_iter().collect();
        bench.script(|script| {
            script.bad = [bad].into_iter().collect();
            script.slow = Some((everything, Duration::from_millis(READ_MILLISECONDS)));
        });
        bench.copy(&CopyOptions { to_the_end: false, ..small() }).unwrap();
        bench.log()
    };
    let at = |log: &[Request], extent: Extent| log.iter().position(|r| r.extent.contains(&extent)).unwrap();
    let (piece, behind) = (|unit| in_unit(unit, 0, 64), |unit| in_unit(unit, 70, 1));

    // 18 MiB: longer than a spot, and a band could be as long.
    let log = order(in_unit(100, 0, 18 << 11));
    let last_wanted = at(&log, piece(2399));
    assert!(at(&log, behind(50)) > last_wanted, "nothing before the failure");
    assert!(at(&log, behind(200)) < at(&log, piece(300)), "all behind it");
    let failed = log[..last_wanted].iter().filter(|request| !request.arrived).count() as u64;
    let is_other = |request: &&Request| request.arrived && request.extent.start.0 / SECTOR % (9 * 64) >= 64;
    let others = log[..last_wanted].iter().filter(is_other).count() as u64;
    let allowed = failed * FAILED / READ_MILLISECONDS;
    assert!(others > 100 && others <= allowed + 8, "{others} requests of {allowed} for {failed} failures");

    // A lone bad sector.
    let log = order(in_unit(100, 5, 1));
    assert!(at(&log, behind(102)) > at(&log, piece(2399)), "read on behind a small place");
}

/// Where failed requests lay, and how far the copy jumped behind each.
fn jumps(bad: &[Extent]) -> (Bench, Vec<(Extent, u64)>) {
    let mut bench = Bench::new(&one_class(600_000), 512);
    bench.script(|script| script.bad = bad.iter().copied().collect());
    bench.copy(&CopyOptions { to_the_end: false, ..small() }).unwrap();
    let trouble = bench.events.iter().filter_map(|event| match event {
        Event::Trouble { extent, kind: TroubleKind::Failed, jump_bytes, .. } => Some((*extent, *jump_bytes)),
        _ => None,
    });
    let jumps = trouble.collect();
    (bench, jumps)
}

// Source: docs/copying.md: where a jump ends on a failure, one read in the middle of what it passed tells whether that is still the
// same trouble, at most twice in one.
#[test]
fn a_jump_that_ends_in_other_trouble_does_not_make_one_of_both() {
    let long = |start: u64, end: u64| sectors(start, end - start);
    // The first failure jumps nowhere, the second one far.
    let (bench, one) = jumps(&[long(64_000, 500_000)]);
    let (second, jump) = one[1];
    assert_eq!(one[0].1, 0);
    let landed = second.end() + jump;
    let log = bench.log();
    // On one long range: the middle after the first two landings, and then no more.
    let failed: Vec<Extent> = log.iter().filter(|request| !request.arrived).map(|request| request.extent).collect();
    let first_reading = &failed[..8];
    let middles = first_reading.windows(2).filter(|pair| pair[1].end() <= pair[0].start.0).count();
    assert_eq!(middles, 2, "{first_reading:?}");
    assert!(one[2].1 > jump, "one long range is left by longer jumps");

    // The same, but the range ends soon, and the jump ends in another one.
    let ends = second.end() / SECTOR + 640;
    let begins = landed / SECTOR;
    let (bench, two) = jumps(&[long(64_000, ends), long(begins, begins + 640)]);
    assert_eq!(two[..2], one[..2]);
    assert_eq!(two[2].0.start, ByteOffset(landed));
    assert!(two[2].1 < jump / 2, "a new range is left by what was learned of the first: {}", two[2].1);
    let log = bench.log();
    let landing = log.iter().position(|request| request.extent.start.0 == landed).unwrap();
    let middle = log[landing + 1];
    assert!(middle.arrived && middle.extent.start.0 > second.end() && middle.extent.end() < landed);
}

// Required: "above --warm-limit copying pauses until it has cooled, and says so".
#[test]
fn a_warm_drive_is_left_alone_until_it_has_cooled() {
    let mut bench = Bench::new(&one_class(2000), 512);
    let script = std::sync::Arc::clone(&bench.script);
    let mut readings = [40.0, 55.0, 55.1, 57.0, 53.0, 52.1, 52.0].into_iter();
    let mut asked_at = Vec::new();
    let thermometer = || {
        asked_at.push(script.lock().unwrap().log.len());
        readings.next().or(Some(45.0))
    };
    let options = CopyOptions { hot_limit: 55.0, temperature_every: READ, ..small() };
    let outcome = bench.copy_with(&options, Some(Box::new(thermometer))).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
    // 40 and 55 allow a request each; from 55.1 until 52.0 is read nothing is asked of the drive.
    assert_eq!(asked_at[..8], [0, 1, 2, 2, 2, 2, 2, 3]);
    let told: Vec<_> =
        bench.events.iter().filter(|e| matches!(e, Event::Paused { .. } | Event::Resumed { .. })).collect();
    assert_eq!(*told[0], Event::Paused { celsius: 55.1, until_celsius: 52.0 });
    assert!(matches!(told[1], Event::Resumed { celsius: Some(celsius), .. } if (*celsius - 52.0).abs() < 1e-9));
    assert_eq!(told.len(), 2);
    assert!(outcome.paused_seconds > 0.0 && outcome.paused_seconds <= outcome.seconds);
}

#[test]
fn a_pause_ends_when_asked_to_stop_and_when_the_sensor_falls_silent() {
    let mut bench = Bench::new(&one_class(2000), 512);
    let stop_after = StopAfter { time: Some(Duration::from_millis(200)), ..StopAfter::default() };
    let options = CopyOptions { temperature_every: Duration::from_millis(20), stop_after, ..small() };
    let began = Instant::now();
    let outcome = bench.copy_with(&options, Some(Box::new(|| Some(80.0)))).unwrap();
    assert_eq!((outcome.end, outcome.requests), (End::Stopped { reason: StopReason::Time }, 0));
    assert!(began.elapsed() < Duration::from_secs(60));
    let mut readings = [Some(80.0)].into_iter();
    let options = CopyOptions { temperature_every: Duration::from_millis(1), ..small() };
    let outcome = bench.copy_with(&options, Some(Box::new(move || readings.next().flatten()))).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
    assert!(bench.events.iter().any(|event| matches!(event, Event::Resumed { celsius: None, .. })));
}
