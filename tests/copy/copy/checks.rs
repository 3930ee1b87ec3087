//! Drives that stop answering without vanishing, and drives that answer with something else.
//!
//! Required: "A drive that answers nothing is not full of bad sectors", "A drive that begins to answer everything
//! with zeros is no drive that reads well".

use super::class_maps::{SECTOR, map_of, plan};
use super::{Bench, MIB, sectors, small, to_the_end};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::copy::reading::End;
use gleaner::plan::{Plan, PlanRequest, Scope};
use gleaner::source::CopyStore;
use gleaner::survey::allocation::Class;

fn one_class(count: u64) -> Plan {
    plan(&map_of(&[(count, Class::Files)]), &PlanRequest::new(Scope::Allocated))
}

/// A kernel that says EIO for all and everything, as over many bridges: bad sectors are bad sectors still.
#[test]
fn bad_sectors_are_decided_by_sectors_that_answer() {
    let bad: ExtentSet = [sectors(50, 3), sectors(290, 1), sectors(500, 20), sectors(1139, 1)].into_iter().collect();
    let mut bench = Bench::new(&one_class(2000), 512);
    bench.script(|script| {
        script.bad = bad.clone();
        script.says_little = true;
    });
    let outcome = bench.copy(&small()).unwrap();
    bench.assert_complete(&outcome, &bad);
    assert!(outcome.checks.requests > 2, "{:?}", outcome.checks);
    // At most one for each four failures, and one at the end.
    assert!(outcome.checks.requests <= outcome.failed_requests / 4 + 1, "{:?}", outcome.checks);
    assert_eq!(outcome.checks.failed_requests, 0);
}

/// With the server behind it killed, a drive is there and answers nothing. No place is unreadable for that, the copy ends
/// soon, and when the drive answers again everything is read.
#[test]
fn a_silent_drive_ends_the_copy_and_costs_no_sector() {
    for from in [1, 7, 60, 400] {
        for bad in [ExtentSet::new(), [sectors(50, 3), sectors(900, 20)].into_iter().collect()] {
            let mut bench = Bench::new(&one_class(30_000), 512);
            bench.script(|script| {
                script.bad = bad.clone();
                script.silent_from = Some(from);
            });
            let outcome = bench.copy(&small()).unwrap();
            let End::Silent { failed_in_a_row, .. } = outcome.end else { panic!("{from}: {:?}", outcome.end) };
            // Where nothing has arrived there is nothing to check by.
            let most = if outcome.arrived_bytes > 0 { 4 } else { 32 };
            assert!(failed_in_a_row <= most, "{failed_in_a_row} requests to a drive that answers nothing");
            assert!(outcome.checks.failed_requests <= 4, "{:?}", outcome.checks);
            let lost = bench.store.given_up_set();
            assert!(lost.extents().iter().all(|place| bad.covers(*place)), "{lost:?} is unreadable for silence");
            assert!(bench.store.is_committed());
            bench.script(|script| script.revive());
            let outcome = bench.copy(&small()).unwrap();
            bench.assert_complete(&outcome, &bad);
        }
    }
}

/// A drive that never answered anything is no drive of bad sectors either.
#[test]
fn a_drive_that_never_answers_is_left_alone() {
    let mut bench = Bench::new(&one_class(3_000_000), 512);
    bench.script(|script| script.silent_from = Some(0));
    let outcome = bench.copy(&to_the_end()).unwrap();
    assert!(matches!(outcome.end, End::Silent { .. }), "{:?}", outcome.end);
    assert!(outcome.requests <= 40, "{} requests", outcome.requests);
    assert!(bench.store.given_up_set().is_empty());
}

/// The request that came before the silence may be what brings it about: it comes after everything else.
#[test]
fn what_may_have_stopped_the_drive_comes_last() {
    let mut bench = Bench::new(&one_class(30_000), 512);
    bench.script(|script| script.silent_from = Some(100));
    let outcome = bench.copy(&small()).unwrap();
    let End::Silent { extent, .. } = outcome.end else { panic!("{:?}", outcome.end) };
    let suspects = bench.store.places().suspects;
    assert!(suspects.covers(extent) && suspects.bytes() <= 2 * 64 * SECTOR, "{suspects:?}");
    let before = bench.log().len();
    bench.script(|script| script.revive());
    let outcome = bench.copy(&small()).unwrap();
    bench.assert_complete(&outcome, &ExtentSet::new());
    let log = bench.log();
    let first = log[before..].iter().position(|r| suspects.bytes_within(r.extent) > 0).expect("it is read");
    let after = log[before + first..].iter().filter(|r| suspects.bytes_within(r.extent) == 0).count();
    assert_eq!(after, 0, "something was left for after the place that may stop the drive");
}

/// Zeros for everything: the stretch is noticed, the zeros are withdrawn, the copy ends; what was read before stays.
#[test]
fn a_drive_that_answers_with_zeros_is_not_believed() {
    for byte in [0, 0xFF] {
        let mut bench = Bench::new(&one_class(200 * MIB / SECTOR), 512);
        bench.store.believe_anything();
        bench.script(|script| script.constant_from = Some((40, byte)));
        let outcome = bench.copy(&to_the_end()).unwrap();
        let End::Changed { withdrawn_bytes, .. } = outcome.end else { panic!("{:?}", outcome.end) };
        assert_eq!(withdrawn_bytes, 64 * MIB);
        assert_eq!(bench.store.held_set().extents(), [Extent::new(0, 40 * MIB).unwrap()]);
        // At once again, it is noticed before anything is read.
        let outcome = bench.copy(&to_the_end()).unwrap();
        assert!(matches!(outcome.end, End::Changed { withdrawn_bytes: 0, .. }), "{:?}", outcome.end);
        assert_eq!((outcome.requests, outcome.arrived_bytes), (0, 0));
        bench.script(|script| script.revive());
        let outcome = bench.copy(&to_the_end()).unwrap();
        assert_eq!(outcome.end, End::Complete);
        assert_eq!(bench.store.held_set(), bench.planned);
        bench.store.check_all();
    }
}

/// Too short a stretch to be noticed on the way is noticed at the end.
#[test]
fn zeros_at_the_end_are_noticed_too() {
    let mut bench = Bench::new(&one_class(50 * MIB / SECTOR), 512);
    bench.store.believe_anything();
    bench.script(|script| script.constant_from = Some((40, 0)));
    let outcome = bench.copy(&to_the_end()).unwrap();
    assert!(
        matches!(outcome.end, End::Changed { withdrawn_bytes, .. } if withdrawn_bytes == 10 * MIB),
        "{:?}",
        outcome.end
    );
    assert_eq!(bench.store.held_set().bytes(), 40 * MIB);
}

/// A drive of which large parts really are zero is asked one sector each 64 MiB, and believed.
#[test]
fn real_zeros_are_kept() {
    let mut bench = Bench::new(&one_class(300 * MIB / SECTOR), 512);
    bench.store.believe_anything();
    let zero: ExtentSet = [Extent::new(20 * MIB, 200 * MIB).unwrap()].into_iter().collect();
    bench.script(|script| script.zero = zero.clone());
    let outcome = bench.copy(&to_the_end()).unwrap();
    assert_eq!(outcome.end, End::Complete);
    assert_eq!(bench.store.held_set(), bench.planned);
    assert!((4..=6).contains(&outcome.checks.requests), "{:?}", outcome.checks);
    let mut bytes = vec![1; 512];
    bench.store.load(Extent::new(100 * MIB, 512).unwrap(), &mut bytes).unwrap();
    assert_eq!(bytes, [0; 512]);
}
