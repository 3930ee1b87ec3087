//! Drives with places that do not answer.

use super::class_maps::{SECTOR, class_map, map_of, plan, request};
use super::{Bench, MIB, sectors, small};
use gleaner::allocation::Class;
use gleaner::copy::{CopyOptions, Event};
use gleaner::extent::{Extent, ExtentSet};
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope};
use proptest::prelude::*;
use std::time::Duration;

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

    // Source: issue text: "with injected unreadable sectors every readable planned sector arrives, the unreadable list
    // equals the injected list exactly".
    #[test]
    fn all_but_the_bad_sectors_arrives_and_exactly_those_are_given_up(
        map in class_map(0..60, 40), request in request(20), (physical, bad) in drive(),
        retries in 0_u32..3, log2 in 3_u32..9, out_of_time in any::<bool>(),
    ) {
        let mut bench = Bench::new(&plan(&map, &request), physical);
        bench.script(|script| script.bad = bad.clone());
        let share = if out_of_time { (0.0, Duration::ZERO) } else { (1.0, Duration::from_secs(3600)) };
        let options = CopyOptions {
            retries,
            request_bytes: SECTOR << log2,
            trouble_share: share.0,
            trouble_minimum: share.1,
            ..small()
        };
        let outcome = bench.copy(&options).unwrap();
        bench.assert_complete(&outcome, &bad);
        // Every sector that is given up was asked for alone: once, and once more for each retry, or oftener.
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
    let outcome = bench.copy(&CopyOptions::default()).unwrap();
    bench.assert_complete(&outcome, bad);
    assert_eq!(outcome.failed_requests, bench.failed());
    (outcome.failed_requests, bench)
}

/// The bounds of docs/copying.md, with the usual options.
const LONE_SECTOR: u64 = 6;
const NEIGHBOUR_SECTOR: u64 = 8;

// Source: docs/copying.md, derived there: 1 in the sweep, 64 KiB, 4 KiB and the sector from the front, the sector once
// in the core and once as retry. With 4 KiB sectors one step less.
#[test]
fn a_lone_bad_sector_costs_six_failed_requests_wherever_it_lies() {
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
        let most = if physical == 512 { LONE_SECTOR } else { LONE_SECTOR - 1 };
        assert!((3..=most).contains(&failed), "{failed} failed for {bad:?}: {:?}", bench.log());
    }
}

#[test]
fn failed_requests_grow_with_the_bad_sectors_and_little_beside() {
    // A solid stretch: each sector once in the core, once as retry; the sweep leaves by doubling jumps; two edges.
    for count in [2_u64, 100, 3000, 40_000] {
        let bad = [sectors(20_001, count)].into_iter().collect();
        let (failed, _) = failures(512, &bad);
        println!("{count} bad sectors in a row: {failed} failed requests");
        assert!(failed >= 2 * count && failed <= 2 * count + 20, "{failed} for {count} in a row");
    }
    // Every other sector: single sectors that answer in between are no reason to ask for more at once.
    let bad: ExtentSet = (0..500).map(|n| sectors(20_000 + 2 * n, 1)).collect();
    let (failed, _) = failures(512, &bad);
    println!("every other of 1000 sectors: {failed} failed requests");
    assert!(failed <= 2 * 500 + 20, "{failed} for every other of 1000 sectors");
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
    let outcome = bench.copy(&CopyOptions::default()).unwrap();
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

/// The plan's class of each request.
fn classes_asked(bench: &Bench, plan: &Plan) -> Vec<Class> {
    let of = |extent: Extent| {
        let pass = plan.passes.iter().find(|pass| pass.extents().iter().any(|e| e.contains(&extent)));
        pass.expect("only planned bytes are asked for").header.class
    };
    bench.log().iter().map(|request| of(request.extent)).collect()
}

fn classes_with_bad_places() -> (Plan, Bench) {
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
    let bench = Bench::new(&plan, 512);
    let bad = [sectors(100, 5), sectors(600, 30), sectors(900, 2), sectors(1900, 1), sectors(2200, 1)];
    bench.script(|script| script.bad = bad.into_iter().collect());
    (plan, bench)
}

// Source: issue text: "All of it within the class before lower classes are asked, unless the class's time share is used
// up."
#[test]
fn a_class_is_finished_before_the_next_is_asked() {
    let (plan, mut bench) = classes_with_bad_places();
    bench.copy(&small()).unwrap();
    let classes = classes_asked(&bench, &plan);
    assert!(classes.is_sorted(), "{classes:?}");
    assert!(bench.failed() > 40);
}

#[test]
fn a_class_that_used_up_its_share_waits_until_all_were_swept() {
    let (plan, mut bench) = classes_with_bad_places();
    let options = CopyOptions { trouble_share: 0.0, trouble_minimum: Duration::ZERO, ..small() };
    let outcome = bench.copy(&options).unwrap();
    let bad = bench.script.lock().unwrap().bad.clone();
    bench.assert_complete(&outcome, &bad);
    let classes = classes_asked(&bench, &plan);
    let falls = classes.windows(2).filter(|pair| pair[1] < pair[0]).count();
    assert_eq!(falls, 1, "one sweep through the classes, then one through what was left: {classes:?}");
    let used_up = bench.events.iter().filter(|event| matches!(event, Event::ShareUsedUp { .. })).count();
    assert_eq!(used_up, 4);
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
    let last_other = bench.log().iter().rposition(|r| near.iter().all(|gap| r.extent.intersection(gap).is_none()));
    assert!(near.iter().all(|gap| touching(gap) > last_other.unwrap()), "{:?}", bench.log());
    assert!(bench.log()[touching(&far_gap)].extent.bytes > 8 * SECTOR, "the far gap is read through");
}

#[test]
fn the_sweep_leaves_a_bad_place_by_growing_jumps_within_its_pass() {
    let map = map_of(&[(4000, Class::Files), (4000, Class::Free)]);
    let mut bench = Bench::new(&plan(&map, &PlanRequest::new(Scope::Allocated)), 512);
    bench.script(|script| script.bad = [sectors(1000, 400)].into_iter().collect());
    bench.copy(&small()).unwrap();
    let jumps: Vec<u64> = bench
        .events
        .iter()
        .filter_map(|event| match event {
            Event::Trouble { jump_bytes, .. } => Some(*jump_bytes / SECTOR),
            _ => None,
        })
        .collect();
    // Requests of 64 sectors: 960 to 1024 fails and 8 are jumped; 1032 to 1088, 16; 1104 to 1152, 32; 1184 to 1216, 64;
    // 1280 to 1344, 128, which leads out.
    assert_eq!(jumps, [8, 16, 32, 64, 128]);
    let first_try: Vec<_> = bench.log().iter().map(|r| r.extent).skip(15).take(6).collect();
    assert_eq!(
        first_try,
        [
            sectors(960, 64),
            sectors(1032, 56),
            sectors(1104, 48),
            sectors(1184, 32),
            sectors(1280, 64),
            sectors(1472, 64)
        ]
    );
}
