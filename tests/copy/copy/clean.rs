//! Drives that answer everything.

use super::class_maps::{SECTOR, class_map, map_of, plan, request};
use super::{Bench, MIB, sectors, small, to_the_end};
use gleaner::base::extent::ExtentSet;
use gleaner::copy::reading::{CopyError, CopyOptions, Event, StopAfter};
use gleaner::plan::{BridgeRule, PlanRequest, Scope};
use gleaner::survey::allocation::Class;
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    // Required: "Reads of up to 1 MiB (adjustable)", "the union of requests is the plan plus nothing; no byte
    // asked twice on a clean drive".
    #[test]
    fn each_planned_byte_is_requested_once_in_the_plans_order(
        map in class_map(0..60, 40), request in request(20), log2 in 0_u32..8,
    ) {
        let plan = plan(&map, &request);
        let mut bench = Bench::new(&plan, 512);
        let options = CopyOptions { request_bytes: SECTOR << log2, ..small() };
        let outcome = bench.copy(&options).unwrap();
        bench.assert_complete(&outcome, &ExtentSet::new());
        prop_assert_eq!(outcome.failed_requests, 0);
        // The requests are the passes' extents, in order, cut on multiples of the request size.
        let expected: Vec<_> = plan
            .passes
            .iter()
            .flat_map(|pass| pass.extents())
            .flat_map(|extent| {
                let first = extent.end().min((extent.start.0 / options.request_bytes + 1) * options.request_bytes);
                let head = gleaner::base::extent::Extent::between(extent.start.0, first);
                let rest = gleaner::base::extent::Extent::between(first, extent.end());
                std::iter::once(head).chain(rest.pieces(options.request_bytes)).collect::<Vec<_>>()
            })
            .collect();
        prop_assert_eq!(bench.arrived(), expected);
        // Running again asks for nothing.
        let again = bench.copy(&options).unwrap();
        prop_assert_eq!(again.requests, 0);
    }

    // What a survey left in the store is not read again.
    #[test]
    fn what_is_held_is_not_requested(
        map in class_map(1..40, 40), request in request(20),
        held in prop::collection::vec((0_u64..800, 1_u64..30), 0..10),
    ) {
        use gleaner::source::CopyStore;
        let plan = plan(&map, &request);
        let mut bench = Bench::new(&plan, 512);
        let before: ExtentSet = held
            .iter()
            .filter_map(|&(start, count)| sectors(start, count).intersection(&sectors(0, plan.header.source.bytes / SECTOR)))
            .collect();
        for extent in before.extents() {
            let mut bytes = vec![0; usize::try_from(extent.bytes).unwrap()];
            super::scripted::fill(extent.start.0, &mut bytes);
            bench.store.keep(*extent, &bytes).unwrap();
        }
        bench.copy(&small()).unwrap();
        // But for the sectors by which the drive is checked.
        let asked: Vec<_> = bench.arrived().into_iter().filter(|e| e.bytes > SECTOR || !before.covers(*e)).collect();
        prop_assert!(bench.arrived().len() - asked.len() <= 2);
        let arrived: ExtentSet = asked.iter().copied().collect();
        let expected: ExtentSet = bench.planned.extents().iter().flat_map(|e| before.missing_from(*e)).collect();
        prop_assert_eq!(&arrived, &expected);
        prop_assert_eq!(asked.iter().map(|e| e.bytes).sum::<u64>(), expected.bytes());
    }
}

fn large_plan(mib: u64) -> gleaner::plan::Plan {
    plan(&map_of(&[(mib * MIB / SECTOR, Class::Files)]), &PlanRequest::new(Scope::Allocated))
}

// When else is for the store to say.
#[test]
fn a_commit_comes_at_the_end_of_each_pass() {
    let mut bench = Bench::new(&large_plan(16), 512);
    bench.copy(&to_the_end()).unwrap();
    // The pass's, and the copy's own.
    assert_eq!(bench.store.commits(), 2);
}

#[test]
fn events_tell_what_happens_as_json_objects() {
    let map = map_of(&[(8, Class::Tables), (100, Class::Free), (3000, Class::Files)]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let mut bench = Bench::new(&plan(&map, &request), 512);
    bench.copy(&small()).unwrap();
    let lines: Vec<serde_json::Value> = bench.events.iter().map(|event| serde_json::to_value(event).unwrap()).collect();
    let names: Vec<&str> = lines.iter().map(|line| line["event"].as_str().unwrap()).collect();
    let told: Vec<&str> = names.iter().copied().filter(|name| *name != "progress").collect();
    assert_eq!(told, ["begun", "pass-begun", "pass-ended", "pass-begun", "pass-ended"]);
    assert_eq!(lines[0]["plan_bytes"], 3008 * SECTOR);
    let ended: Vec<_> = bench
        .events
        .iter()
        .filter_map(|event| match event {
            Event::PassEnded { number, arrived_bytes, deferred_bytes } => {
                Some((*number, *arrived_bytes, *deferred_bytes))
            }
            _ => None,
        })
        .collect();
    assert_eq!(ended, [(1, 8 * SECTOR, 0), (2, 3000 * SECTOR, 0)]);
    let progress = lines.iter().find(|line| line["event"] == "progress").expect("at least one report");
    assert_eq!(progress["pass"]["number"], 1);
    assert_eq!(progress["plan_bytes"], 3008 * SECTOR);
}

#[test]
fn stopping_after_so_many_bytes_stops_there() {
    let mut bench = Bench::new(&large_plan(16), 512);
    let stop_after = StopAfter { bytes: Some(5 * MIB), ..StopAfter::default() };
    let outcome = bench.copy(&CopyOptions { stop_after, ..CopyOptions::default() }).unwrap();
    assert_eq!(outcome.arrived_bytes, 5 * MIB);
    assert_eq!(outcome.totals(), (16 * MIB, 5 * MIB, 0, 0));
    assert!(bench.store.is_committed());
}

#[test]
fn a_plan_that_does_not_fit_is_refused_before_anything_is_read() {
    let mut bench = Bench::new(&large_plan(2), 512);
    let odd = bench.copy(&CopyOptions { request_bytes: 1000, ..CopyOptions::default() });
    assert!(matches!(odd, Err(CopyError::RequestSize { bytes: 1000, .. })));
    bench.plan = super::written(&large_plan(1));
    assert!(matches!(bench.copy(&to_the_end()), Err(CopyError::OtherSource { .. })));
    assert!(bench.log().is_empty());
}
