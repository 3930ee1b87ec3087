//! Stopping, power cuts, a vanishing drive, a full destination; and going on.

use super::class_maps::{SECTOR, class_map, map_of, plan, request};
use super::scripted::Vanishing;
use super::{Bench, sectors, small};
use gleaner::base::extent::ExtentSet;
use gleaner::copy::reading::{CopyError, CopyOptions, End, StopAfter, StopReason};
use gleaner::plan::{Plan, PlanRequest, Scope};
use gleaner::survey::allocation::Class;
use proptest::prelude::*;
use std::time::Duration;

fn some_plan() -> Plan {
    let map = map_of(&[(300, Class::Structure), (40, Class::Free), (700, Class::Files), (100, Class::Bulk)]);
    plan(&map, &PlanRequest::new(Scope::Allocated))
}

fn some_bad() -> ExtentSet {
    [sectors(50, 3), sectors(290, 1), sectors(500, 20), sectors(1139, 1)].into_iter().collect()
}

// Required: "Ctrl-C finishes the current read and stops in order"; resuming ends where an uninterrupted run
// does.
#[test]
fn stopped_at_any_request_it_goes_on_to_the_same_end() {
    let bad = some_bad();
    let mut whole = Bench::new(&some_plan(), 512);
    whole.script(|script| script.bad = bad.clone());
    whole.copy(&small()).unwrap();
    let requests = whole.log().len();
    assert!(requests > 100);
    for at in 1..=requests {
        let mut bench = Bench::new(&some_plan(), 512);
        bench.script(|script| {
            script.bad = bad.clone();
            script.stop_at = Some(at);
        });
        let first = bench.copy(&small()).unwrap();
        if at < requests {
            assert_eq!(first.end, End::Stopped { reason: StopReason::Asked });
        }
        assert_eq!(bench.log().len(), at, "the read under way is the last");
        assert!(bench.store.is_committed());
        assert_eq!(bench.store.held_set(), bench.arrived().into_iter().collect());
        let (planned, copied, deferred, unreadable) = first.totals();
        assert!(copied + deferred + unreadable <= planned);
        let outcome = bench.copy(&small()).unwrap();
        bench.assert_complete(&outcome, &bad);
        assert_eq!(bench.store.places(), whole.store.places());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn whatever_interrupts_the_end_is_the_same(
        map in class_map(5..60, 40), request in request(20),
        interruptions in prop::collection::vec((1_usize..60, 0_u8..4), 1..6),
        bad in prop::collection::vec((0_u64..1200, 1_u64..10), 0..8),
    ) {
        let bad: ExtentSet = bad.into_iter().map(|(at, count)| sectors(at, count)).collect();
        let plan = plan(&map, &request);
        let mut bench = Bench::new(&plan, 512);
        bench.script(|script| script.bad = bad.clone());
        for (after, how) in interruptions {
            let at = bench.log().len() + after;
            match how {
                0 => bench.script(|script| script.vanish_at = Some((at, Vanishing::InputOutput))),
                _ => bench.script(|script| script.stop_at = Some(at)),
            }
            let outcome = bench.copy(&small()).unwrap();
            prop_assert!(outcome.end != End::Failed);
            // A drive that is plugged in again.
            bench.script(|script| script.revive());
            if how == 1 {
                bench.store.cut_power();
            }
        }
        let outcome = bench.copy(&small()).unwrap();
        bench.assert_complete(&outcome, &bad);
    }
}

// Required: "A vanished device ends the run cleanly and resumably, and is told apart from a bad sector."
#[test]
fn a_vanished_drive_is_no_bad_sector() {
    for how in [Vanishing::NoDevice, Vanishing::InputOutput] {
        for at in [0, 1, 7, 20, 60] {
            let bad = some_bad();
            let mut bench = Bench::new(&some_plan(), 512);
            bench.script(|script| {
                script.bad = bad.clone();
                script.vanish_at = Some((at, how));
            });
            let outcome = bench.copy(&small()).unwrap();
            let End::Gone { extent, message } = &outcome.end else { panic!("{:?}", outcome.end) };
            assert!(bench.planned.covers(*extent) && !message.is_empty());
            assert_eq!(bench.log().len(), at);
            assert!(bench.store.is_committed());
            assert_eq!(bench.store.held_set(), bench.arrived().into_iter().collect());
            assert_eq!(bench.store.given_up_set().bytes_within(*extent), 0);
            assert_eq!(bench.store.held_set().bytes_within(*extent), 0);
            assert_eq!(outcome.failed_requests, bench.failed(), "vanishing is no failed request of a bad place");
            bench.script(|script| script.revive());
            let outcome = bench.copy(&small()).unwrap();
            bench.assert_complete(&outcome, &bad);
        }
    }
}

// Required: "Disk full: stop, nothing lost, resume elsewhere."
#[test]
fn a_full_destination_stops_the_copy_and_claims_nothing() {
    for number in [1, 2, 9, 30] {
        let bad = some_bad();
        let mut bench = Bench::new(&some_plan(), 512);
        bench.script(|script| script.bad = bad.clone());
        bench.store.refuse_from_keep(Some(number));
        let Err(CopyError::Store { error, outcome, .. }) = bench.copy(&small()) else { panic!("a full store goes on") };
        assert_eq!(error.kind(), std::io::ErrorKind::StorageFull);
        assert_eq!(outcome.end, End::Failed);
        assert!(bench.store.is_committed(), "what was accepted before is made durable");
        let held = bench.store.held_set();
        assert_eq!(outcome.totals().1, held.bytes());
        let arrived: ExtentSet = bench.arrived().into_iter().collect();
        assert!(held.extents().iter().all(|extent| arrived.covers(*extent)));
        // The reading side may be as far ahead as there are buffers: none comes back from a refusal.
        let ahead = bench.arrived().len() - (number - 1);
        assert!(ahead <= 64, "{ahead} requests whose bytes were lost");
        bench.store.refuse_from_keep(None);
        let outcome = bench.copy(&small()).unwrap();
        assert_eq!(outcome.end, End::Complete);
        assert_eq!(bench.store.given_up_set().bytes(), 25 * SECTOR);
        assert_eq!(bench.store.held_set().bytes(), bench.planned.bytes() - 25 * SECTOR);
    }
}

#[test]
fn errors_and_time_stop_it_when_asked_to() {
    let mut bench = Bench::new(&some_plan(), 512);
    bench.script(|script| script.bad = some_bad());
    let errors = CopyOptions { stop_after: StopAfter { errors: Some(4), ..StopAfter::default() }, ..small() };
    let outcome = bench.copy(&errors).unwrap();
    assert_eq!(outcome.end, End::Stopped { reason: StopReason::Errors });
    assert_eq!(bench.failed(), 4);
    let no_time = StopAfter { time: Some(Duration::ZERO), ..StopAfter::default() };
    let outcome = bench.copy(&CopyOptions { stop_after: no_time, ..small() }).unwrap();
    assert_eq!((outcome.end, outcome.requests), (End::Stopped { reason: StopReason::Time }, 0));
    let outcome = bench.copy(&small()).unwrap();
    bench.assert_complete(&outcome, &some_bad());
}
