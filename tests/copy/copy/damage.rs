//! Drives with places that do not answer.

use super::class_maps::{SECTOR, class_map, map_of, plan, request};
use super::scripted::{Log, Vanishing};
use super::{Bench, MIB, sectors, small, to_the_end};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::copy::reading::{CopyOptions, End, Event, StopAfter, StopReason};
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope};
use gleaner::survey::allocation::Class;
use proptest::prelude::*;
use std::sync::Arc;

/// Bad places on a drive of some thousand sectors: `physical` bytes each, alone and in stretches.
fn bad_places(physical: u64) -> impl Strategy<Value = ExtentSet> {
    let unit = physical / SECTOR;
    let place = (0_u64..1500 / unit, prop_oneof![3 => Just(1_u64), 1 => 1_u64..60 / unit]);
    prop::collection::vec(place, 0..12)
        .prop_map(move |list| list.into_iter().map(|(at, count)| sectors(at * unit, count * unit)).collect())
}

fn drive() -> impl Strategy<Value = (u64, ExtentSet)> {
    prop_oneof![Just(512_u64), Just(4096)].prop_flat_map(|physical| (Just(physical), bad_places(physical)))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    // Required: "with injected unreadable sectors every readable planned sector arrives, the unreadable list
    // equals the injected list exactly".
    #[test]
    fn all_but_the_bad_sectors_arrives_and_exactly_those_are_given_up(
        map in class_map(0..60, 40), request in request(20), (physical, bad) in drive(),
        retries in 0_u32..3, log2 in 3_u32..9, twice in any::<bool>(),
    ) {
        let mut bench = Bench::new(&plan(&map, &request), physical);
        bench.script(|script| script.bad = bad.clone());
        let options = CopyOptions { retries, request_bytes: SECTOR << log2, ..small() };
        if twice {
            // What ended by itself is gone on with to the end.
            bench.copy(&CopyOptions { to_the_end: false, ..options.clone() }).unwrap();
        }
        let outcome = bench.copy(&options).unwrap();
        bench.assert_complete(&outcome, &bad);
        // Every sector that is given up was requested alone: once, and once more for each retry, or oftener.
        for lost in bench.store.given_up_set().extents() {
            for sector in lost.pieces(SECTOR) {
                let alone = bench.log().iter().filter(|r| r.extent.bytes <= physical && r.extent.contains(&sector)).count();
                prop_assert!(alone as u64 > u64::from(retries), "{} attempts", alone);
            }
        }
        prop_assert_eq!(bench.copy(&options).unwrap().requests, 0);
    }

    #[test]
    fn sectors_that_answer_late_or_alone_arrive(
        map in class_map(10..60, 40),
        weak in prop::collection::btree_map(0_u64..1000, 1_u32..3, 0..20),
        small_places in bad_places(512),
        most in 1_u64..9,
    ) {
        let mut request = PlanRequest::new(Scope::Whole);
        request.wants = vec!["a".to_owned(), "b".to_owned(), "c".to_owned()];
        let mut bench = Bench::new(&plan(&map, &request), 512);
        bench.script(|script| {
            script.weak = weak.iter().map(|(sector, times)| (sector * SECTOR, *times)).collect();
            script.small_only = Some((small_places.clone(), most * SECTOR));
        });
        // A weak sector fails at most twice, and each is asked alone three times before it is given up.
        let outcome = bench.copy(&CopyOptions { retries: 2, ..small() }).unwrap();
        bench.assert_complete(&outcome, &ExtentSet::new());
    }
}

fn one_class(mib: u64) -> Plan {
    plan(&map_of(&[(mib * MIB / SECTOR, Class::Files)]), &PlanRequest::new(Scope::Allocated))
}

fn failures(physical: u64, bad: &ExtentSet) -> (u64, Bench) {
    let mut bench = Bench::new(&one_class(256), physical);
    bench.script(|script| script.bad = bad.clone());
    let outcome = bench.copy(&to_the_end()).unwrap();
    bench.assert_complete(&outcome, bad);
    assert_eq!(outcome.failed_requests, bench.failed());
    (outcome.failed_requests, bench)
}

/// The bounds of docs/copying.md, with the usual retries.
const LONE_SECTOR: u64 = 3;
const NEIGHBOUR_SECTOR: u64 = 5;

// Source: docs/copying.md, derived there: once with its request, once alone when that is read by sectors, one retry.
#[test]
fn a_lone_bad_sector_costs_three_failed_requests_wherever_it_lies() {
    let mut state = 7_u64;
    for round in 0..40 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let physical = if round % 2 == 0 { 512 } else { 4096 };
        let last = 256 * MIB / physical - 1;
        // The corners of requests and of the drive, then anywhere.
        let at = match round / 2 {
            0 => 0,
            1 => last,
            2 => 100 * MIB / physical,
            3 => 100 * MIB / physical - 1,
            _ => (state >> 20) % last,
        };
        let bad = [Extent::new(at * physical, physical).unwrap()].into_iter().collect();
        let (failed, bench) = failures(physical, &bad);
        assert_eq!(failed, LONE_SECTOR, "{bad:?}: {:?}", bench.log().iter().filter(|r| !r.arrived).collect::<Vec<_>>());
    }
}

#[test]
fn failed_requests_grow_with_the_bad_sectors_and_little_beside() {
    // A solid stretch: each sector once alone, once as retry; what else failed is the search for its ends.
    for count in [2_u64, 100, 3000, 40_000] {
        let bad = [sectors(20_001, count)].into_iter().collect();
        let (failed, _) = failures(512, &bad);
        println!("{count} bad sectors in a row: {failed} failed requests");
        assert!(failed >= 2 * count && failed <= 2 * count + 60, "{failed} for {count} in a row");
    }
    // Every other sector: single sectors that answer in between are no reason to ask for more at once.
    let bad: ExtentSet = (0..500).map(|n| sectors(20_000 + 2 * n, 1)).collect();
    let (failed, _) = failures(512, &bad);
    println!("every other of 1000 sectors: {failed} failed requests");
    assert!(failed <= 2 * 500 + 60, "{failed} for every other of 1000 sectors");
    // Lone sectors, far apart and close together.
    for distance in [70_000_u64, 5_000, 600, 40] {
        let bad: ExtentSet = (0..7).map(|n| sectors(1_000 + n * distance, 1)).collect();
        let (failed, _) = failures(512, &bad);
        println!("7 bad sectors {distance} apart: {failed} failed requests");
        assert!(failed <= 7 * NEIGHBOUR_SECTOR, "{failed} for 7 sectors {distance} apart");
    }
}

#[test]
fn regions_tell_what_failed_in_them() {
    let bad: ExtentSet = [sectors(10_000, 3), sectors(10_010, 1), sectors(400_000, 1)].into_iter().collect();
    let mut bench = Bench::new(&one_class(256), 512);
    bench.script(|script| script.bad = bad.clone());
    let outcome = bench.copy(&to_the_end()).unwrap();
    let regions = &outcome.bad_regions;
    assert_eq!(regions.len(), 2);
    assert_eq!((regions[0].extent, regions[0].unreadable_sectors), (sectors(10_000, 11), 4));
    assert_eq!((regions[1].extent, regions[1].unreadable_bytes), (sectors(400_000, 1), SECTOR));
    let within = |from: u64, to: u64| {
        bench.log().iter().filter(|r| !r.arrived && r.extent.intersection(&sectors(from, to - from)).is_some()).count()
    };
    assert_eq!(regions[0].failed_requests, within(0, 100_000) as u64);
    assert_eq!(regions[1].failed_requests, within(390_000, 420_000) as u64);
}

// Source: docs/copying.md, "Bridged gaps": near a bad place they are read after everything else; and they may hold what
// a lower class wants.
#[test]
fn gaps_near_a_bad_place_come_last_and_all_the_same_arrive() {
    let gap = |sectors| (sectors, Class::Free);
    let files = |sectors| (sectors, Class::Files);
    let far = 40 * MIB / SECTOR;
    let map = map_of(&[
        (64, Class::Structure),
        files(64),
        (8, Class::Bulk),
        files(64),
        gap(8),
        files(64),
        gap(far),
        files(64),
        gap(8),
        files(64),
        (5000, Class::Outside),
        (64, Class::Unclaimed),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::fixed(16 * SECTOR);
    let plan = plan(&map, &request);
    let mut bench = Bench::new(&plan, 512);
    // In the structure, which is read first: the gaps between the files close by are near it, the last is not.
    let bad: ExtentSet = [sectors(10, 1)].into_iter().collect();
    bench.script(|script| script.bad = bad.clone());
    let outcome = bench.copy(&small()).unwrap();
    bench.assert_complete(&outcome, &bad);
    let near = [sectors(128, 8), sectors(200, 8)];
    let far_gap = sectors(64 * 4 + 16 + far + 64, 8);
    let touching = |place: &Extent| {
        let log = bench.log();
        log.iter().position(|request| request.extent.intersection(place).is_some()).unwrap()
    };
    let last_class = sectors(64 * 5 + 24 + far + 64 + 5000, 64);
    assert!(near.iter().all(|gap| touching(gap) > touching(&last_class)), "{:?}", bench.log());
    assert!(bench.log()[touching(&far_gap)].extent.bytes > 8 * SECTOR, "the far gap is read through");
}

// Required: "where /dev/kmsg names the failing sector, use it: two failures for a lone bad sector"; "never trust it
// beyond the request's own range".
#[test]
fn where_the_log_names_the_sector_a_lone_one_costs_two_failed_requests() {
    for (moved, most) in [(0, 2), (300 * SECTOR, LONE_SECTOR + 1), (5 * MIB, LONE_SECTOR), (1 << 60, LONE_SECTOR)] {
        let bad: ExtentSet = [sectors(100_100, 1)].into_iter().collect();
        let mut bench = Bench::new(&one_class(256), 512);
        bench.script(|script| script.bad = bad.clone());
        bench.request_log = Some(Log { script: Arc::clone(&bench.script), moved, resets: 0 });
        let outcome = bench.copy(&to_the_end()).unwrap();
        bench.assert_complete(&outcome, &bad);
        assert!(outcome.failed_requests <= most, "{} failed, moved by {moved}", outcome.failed_requests);
    }
}

#[test]
fn a_copy_stops_after_so_many_resets() {
    let mut bench = Bench::new(&one_class(256), 512);
    bench.script(|script| script.bad = (1..9).map(|place| sectors(place * 50_000, 1)).collect());
    bench.request_log = Some(Log { script: Arc::clone(&bench.script), moved: 0, resets: 2 });
    let stop_after = StopAfter { resets: Some(7), ..StopAfter::default() };
    let outcome = bench.copy(&CopyOptions { stop_after, ..to_the_end() }).unwrap();
    assert_eq!(outcome.end, End::Stopped { reason: StopReason::Resets });
    assert_eq!((outcome.resets, outcome.failed_requests), (8, 4));
}

// Required: "requests no longer than the queue's max_sectors_kb, so that one request is one command", after the
// first failure.
#[test]
fn after_the_first_failure_a_request_is_no_longer_than_a_command() {
    let bad: ExtentSet = [sectors(100_100, 1)].into_iter().collect();
    let mut bench = Bench::new(&one_class(256), 512);
    bench.script(|script| script.bad = bad.clone());
    let command_bytes = 128 << 10;
    let outcome = bench.copy(&CopyOptions { command_bytes: Some(command_bytes), ..to_the_end() }).unwrap();
    bench.assert_complete(&outcome, &bad);
    let log = bench.log();
    let first = log.iter().position(|request| !request.arrived).unwrap();
    assert_eq!(log[..first].iter().map(|request| request.extent.bytes).min(), Some(MIB));
    assert_eq!(log[first + 1..].iter().map(|request| request.extent.bytes).max(), Some(command_bytes));
}

// Required: "ends by itself when that falls below a documented worth; what was not tried stays skipped, not
// unreadable". Twenty MB that are dead: every sector of them would take three days.
#[test]
fn a_copy_ends_by_itself_when_the_rest_is_not_worth_its_time() {
    let bad: ExtentSet = [sectors(100_000, 40_000)].into_iter().collect();
    let mut bench = Bench::new(&one_class(256), 512);
    bench.script(|script| script.bad = bad.clone());
    let options = CopyOptions { to_the_end: false, ..CopyOptions::default() };
    let outcome = bench.copy(&options).unwrap();
    assert!(matches!(outcome.end, End::LittleLeft { .. }), "{:?}", outcome.end);
    let sound: ExtentSet = bench.planned.extents().iter().flat_map(|extent| bad.missing_from(*extent)).collect();
    assert_eq!(bench.store.held_set(), sound, "both edges are found");
    assert!(outcome.failed_requests < 400, "{}", outcome.failed_requests);
    assert!(bench.store.given_up_set().bytes() < 200 * SECTOR, "only what failed alone is unreadable");
    assert!(bench.store.deferred_set().bytes() > 39_000 * SECTOR);
    // The same again brings no more, and to the end brings the rest.
    let outcome = bench.copy(&to_the_end()).unwrap();
    bench.assert_complete(&outcome, &bad);
}

// A bad place is met once, and not once for each class: what lies in it of other classes is skipped.
#[test]
fn a_difficult_place_is_skipped_by_every_class() {
    let runs: Vec<(u64, Class)> =
        (0..200).map(|n| (2048, [Class::Structure, Class::Files, Class::Unclaimed][n % 3])).collect();
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let mut bench = Bench::new(&plan(&map_of(&runs), &request), 512);
    let bad = sectors(100 * 2048, 60 * 2048);
    bench.script(|script| script.bad = [bad].into_iter().collect());
    bench
        .copy(&CopyOptions { stop_after: StopAfter { errors: Some(12), ..StopAfter::default() }, ..to_the_end() })
        .unwrap();
    let sound = bench.planned.extents().iter().map(|extent| extent.bytes).sum::<u64>() - bad.bytes;
    assert!(bench.store.held_set().bytes() > sound / 10 * 8, "{} of {sound}", bench.store.held_set().bytes());
}

// The class order of first reading up to a failure, around which all classes are read; and no retry before its end.
#[test]
fn first_reading_goes_through_all_classes_before_difficult_places() {
    let map = map_of(&[
        (500, Class::Files),
        (300, Class::Structure),
        (300, Class::Unclaimed),
        (600, Class::Files),
        (200, Class::Structure),
        (400, Class::Bulk),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let plan = plan(&map, &request);
    let mut bench = Bench::new(&plan, 512);
    bench.script(|script| script.bad = [sectors(100, 1), sectors(600, 1), sectors(1900, 1)].into_iter().collect());
    bench.copy(&small()).unwrap();
    // Around a failure a request may hold the end of one extent and the beginning of the next: the first counts.
    let class_of = |extent: Extent| {
        let first = Extent::new(extent.start.0, SECTOR).unwrap();
        let pass = plan.passes.iter().find(|pass| pass.extents().iter().any(|e| e.contains(&first)));
        pass.expect("only planned bytes are read").header.class
    };
    // Skipped ranges are read again in what had failed.
    let log = bench.log();
    let failed: ExtentSet = log.iter().take(60).filter(|r| !r.arrived).map(|r| r.extent).collect();
    let first =
        log.iter().enumerate().position(|(n, r)| log[..n].iter().any(|b| !b.arrived && b.extent.contains(&r.extent)));
    let classes: Vec<Class> = log[..first.unwrap()].iter().map(|request| class_of(request.extent)).collect();
    let in_files = log.iter().position(|r| !r.arrived && class_of(r.extent) == Class::Files).unwrap();
    assert!(classes[..=in_files].is_sorted(), "{classes:?}");
    assert!(classes.contains(&Class::Unclaimed) && classes.contains(&Class::Bulk) && !failed.extents().is_empty());
}

// What is read around a failure shows where a wide bad range ends, on a machine's clock too: there a part of the drive in which nothing is
// left to read takes time as well.
#[test]
fn around_a_failure_all_is_read_although_looking_takes_time() {
    // 16 MiB are bad. Three wanted files of 8 sectors: one within them, two far behind. A request is made when the next extent
    // does not touch it, so the second one follows the failure.
    let map = map_of(&[
        (44_768, Class::Files),
        (8, Class::Wanted),
        (87_216, Class::Files),
        (8, Class::Wanted),
        (10_000, Class::Files),
        (8, Class::Wanted),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.wants = vec!["a".to_owned()];
    request.bridge = BridgeRule::OFF;
    let mut bench = Bench::new(&plan(&map, &request), 512);
    bench.store.take_time_on(bench.reader.clock().clone());
    bench.script(|script| script.bad = [sectors(32_768, 32_768)].into_iter().collect());
    bench.copy(&small()).unwrap();
    let wanted = sectors(44_768 + 8 + 87_216 + 8 + 10_000, 8);
    let before = bench.log().into_iter().take_while(|request| !request.extent.contains(&wanted));
    let behind: u64 = before.filter(|r| r.arrived && r.extent.start.0 >= 65_536 * SECTOR).map(|r| r.extent.bytes).sum();
    assert!(behind > 8 * MIB, "{behind} bytes behind the bad range were read before the next wanted file");
}

// What is read around a failure is of several passes: the one that is swept counts its own bytes only.
#[test]
fn a_pass_counts_no_bytes_of_others() {
    let classes = [Class::Structure, Class::Files, Class::Unclaimed, Class::Bulk];
    let runs: Vec<(u64, Class)> = (0..400).map(|n| (512, classes[n % 4])).collect();
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let plan = plan(&map_of(&runs), &request);
    let mut bench = Bench::new(&plan, 512);
    let bad = [sectors(20_000, 10), sectors(60_000, 9_000), sectors(120_600, 1)].into_iter().collect();
    bench.script(|script| script.bad = bad);
    bench.copy(&small()).unwrap();
    let mut begun = None;
    let (mut all, mut ended) = (0, 0);
    for event in &bench.events {
        match event {
            Event::PassBegun { number, bytes, .. } => begun = Some((*number, *bytes)),
            Event::PassEnded { number, arrived_bytes, deferred_bytes } => {
                let (of, bytes) = begun.take().unwrap();
                assert_eq!(*number, of);
                assert!(
                    arrived_bytes + deferred_bytes <= bytes,
                    "pass {of}: {arrived_bytes} and {deferred_bytes} of {bytes}"
                );
                if ended == 0 {
                    assert_eq!(arrived_bytes + deferred_bytes, bytes, "nothing is read around failures in structure");
                }
                all += arrived_bytes + deferred_bytes;
                ended += 1;
            }
            _ => {}
        }
    }
    assert_eq!(ended, plan.passes.len());
    assert!(all < bench.planned.bytes(), "nothing was read around a failure: {all}");
}

/// The jump behind the failure at the drive's start ends in what another class has; the next failure of its own class lies far
/// behind. The read in the middle between the two must not pass for all that lies there.
#[test]
fn what_lies_between_a_jump_and_the_next_failure_is_left_to_its_class() {
    let runs = [
        (129, Class::Structure),
        (165, Class::Tables),
        (46, Class::Structure),
        (27, Class::Tables),
        (26, Class::Structure),
        (133, Class::Tables),
        (80, Class::Wanted),
        (36, Class::Structure),
    ];
    let mut request = PlanRequest::new(Scope::Whole);
    request.wants = vec!["a".to_owned(), "b".to_owned(), "c".to_owned()];
    let mut bench = Bench::new(&plan(&map_of(&runs), &request), 512);
    bench.script(|script| {
        script.weak = [(0, 1)].into();
        script.small_only = Some(([129, 192, 606].map(|at| sectors(at, 1)).into_iter().collect(), SECTOR));
    });
    let outcome = bench.copy(&CopyOptions { retries: 2, ..small() }).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
}

/// What a run has skipped of a class that comes later lies among what is retried before: the next run comes to it all the same.
#[test]
fn what_an_earlier_run_skipped_of_a_later_class_is_not_passed_over() {
    let runs = [
        (608, Class::Tables),
        (46, Class::Wanted),
        (10, Class::Outside),
        (27, Class::Files),
        (19, Class::Tables),
        (25, Class::Files),
        (43, Class::Tables),
    ];
    let mut request = PlanRequest::new(Scope::Files);
    request.also = vec![Class::Outside];
    request.wants = vec!["a".to_owned(), "b".to_owned(), "c".to_owned()];
    request.bridge.gap_bytes = 0;
    let mut bench = Bench::new(&plan(&map_of(&runs), &request), 4096);
    let bad: ExtentSet = [(0, 8), (608, 48), (696, 8)].iter().map(|(at, count)| sectors(*at, *count)).collect();
    bench.script(|script| script.bad = bad.clone());
    let options = CopyOptions { retries: 0, request_bytes: 4096, ..to_the_end() };
    bench.copy(&CopyOptions { to_the_end: false, ..options.clone() }).unwrap();
    let outcome = bench.copy(&options).unwrap();
    bench.assert_complete(&outcome, &bad);
}

/// Where a jump begins, a sector of another class may have failed alone. What the jump passes has not, and has all its tries before it.
#[test]
fn a_sector_that_failed_alone_lends_its_tries_to_none_that_a_jump_passes() {
    let runs =
        [(37, Class::Structure), (24, Class::Files), (1, Class::Tables), (400, Class::Unclaimed), (16, Class::Files)];
    let mut request = PlanRequest::new(Scope::Whole);
    request.bridge = BridgeRule::OFF;
    let mut bench = Bench::new(&plan(&map_of(&runs), &request), 512);
    bench.script(|script| {
        script.weak = [(61 * SECTOR, 1), (156 * SECTOR, 2), (462 * SECTOR, 1)].into();
        script.small_only = Some(([sectors(37, 1)].into_iter().collect(), SECTOR));
    });
    let outcome = bench.copy(&CopyOptions { retries: 2, ..small() }).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
}

/// A jump ended on a failure, and the read in the middle of what it passed failed too: all of that is skipped, of every class, and a
/// later run does not begin with it.
#[test]
fn what_a_jump_passed_in_trouble_is_skipped_for_a_later_run_too() {
    let mut runs = vec![(4000, Class::Files)];
    runs.extend((0..400).map(|n| (100, [Class::Files, Class::Unclaimed][n % 2])));
    runs.push((400_000, Class::Files));
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let plan = plan(&map_of(&runs), &request);
    let copied = |vanish_at: Option<usize>| {
        let mut bench = Bench::new(&plan, 512);
        bench.script(|script| {
            script.bad = [sectors(4000, 40_000)].into_iter().collect();
            script.vanish_at = vanish_at.map(|at| (at, Vanishing::NoDevice));
        });
        let stop_after = StopAfter { errors: Some(12), ..StopAfter::default() };
        bench.copy(&CopyOptions { stop_after, ..small() }).unwrap();
        bench
    };
    let log = copied(None).log();
    let failed: Vec<usize> = (0..log.len()).filter(|n| !log[*n].arrived).collect();
    let is_middle = |pair: &&[usize]| log[pair[1]].extent.start < log[pair[0]].extent.start;
    let [landing, middle] = *failed.windows(2).find(is_middle).expect("a read in a middle") else { unreachable!() };
    let behind = Extent::between(log[middle].extent.end(), log[landing].extent.start.0);
    assert!(behind.bytes > 100 * SECTOR, "{log:?}");
    // The drive goes away with the next request.
    let bench = copied(Some(middle + 1));
    assert!(bench.store.deferred_set().covers(behind), "{behind:?}: {:?}", bench.store.deferred_set());
}
