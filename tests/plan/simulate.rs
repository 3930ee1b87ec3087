//! Simulation against what can be calculated by hand or found out another way, on small invented drives.

use crate::class_maps;
use crate::layouts;

use class_maps::{map_of, plan, written};
use gleaner::base::extent::Extent;
use gleaner::drive::model::{DriveModel, SeekCurve};
use gleaner::plan::{BridgeRule, PlanRequest, Scope, read_plan};
use gleaner::simulate::{Assumptions, BadHead, Law, Pieces, Simulation, Way, plan_under_head, play, simulate};
use gleaner::survey::allocation::Class;
use layouts::{Kind, kinds};
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// A megabyte in a second, and a second for getting anywhere else.
fn slow() -> DriveModel {
    let model = gleaner::drive::model::preset("sata-ssd").unwrap().model();
    DriveModel {
        seek: SeekCurve { shortest_ms: 1000.0, average_ms: 1000.0, longest_ms: 1000.0 },
        first_rate: 1_024_000.0,
        last_rate: 1_024_000.0,
        interface_rate: 1e12,
        request_ms: 0.0,
        failed_seconds: 10.0,
        sources: BTreeMap::new(),
        ..model
    }
}

/// 2000 sectors are a second's reading.
const SECOND: u64 = 2000;

/// Files, then structure, wanted and more files, with free space between.
fn simple() -> gleaner::plan::Plan {
    let map = map_of(&[
        (10 * SECOND, Class::Files),
        (20 * SECOND, Class::Free),
        (2 * SECOND, Class::Structure),
        (18 * SECOND, Class::Free),
        (5 * SECOND, Class::Wanted),
        (20 * SECOND, Class::Free),
        (10 * SECOND, Class::Files),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    request.wants = vec!["/Documents".to_owned()];
    plan(&map, &request)
}

fn simulated(law: Law) -> Simulation {
    static PIECES: LazyLock<Pieces> = LazyLock::new(|| Pieces::of_plan(&simple()));
    simulate(PIECES.clone(), &Assumptions { model: slow(), request_bytes: 1 << 20, law: Some(law), bad_head: None })
}

// Source: by hand, from a megabyte a second and a second a move. Under the head lie the second half of the first files, of
// structure, and all of the last files.
#[test]
fn what_a_bad_head_reads_comes_last() {
    let second = |from: u64, to: u64| Extent::between(from * SECOND * 512, to * SECOND * 512);
    let bands = [second(5, 10), second(31, 32), second(75, 85)].into_iter().collect();
    let head = BadHead { bands, words: "One of about 4 heads fails.".to_owned() };
    let assumed =
        Assumptions { model: slow(), request_bytes: 1 << 20, law: Some(Law::None), bad_head: Some(head.clone()) };
    let played = simulate(Pieces::of_plan(&simple()), &assumed);
    let under = played.under_head.as_ref().unwrap();
    // Structure 30-31 after a move and a second, wanted 50-55 after another move and five, files 0-5 likewise.
    assert_eq!(under.of_class(Class::Structure), (SECOND * 512, Some(2.0)));
    assert_eq!(under.of_class(Class::Wanted), (0, Some(8.0)));
    assert_eq!(under.of_class(Class::Files), (15 * SECOND * 512, Some(14.0)));
    // Then the bands: structure 31-32, and of the files 5-10 and 75-85, a move before each (5-10 lies before 31).
    assert_eq!([after(&played.plan, Class::Structure), after(&played.plan, Class::Files)], [16.0, 33.0]);
    let alone = plan_under_head(&simple(), &slow(), 1 << 20, &head);
    assert_eq!(alone, *under);
}

fn after(played: &gleaner::simulate::Played, class: Class) -> f64 {
    played.of(class).unwrap().whole_after.unwrap()
}

// Source: by hand, from a megabyte a second and a second a move.
#[test]
fn times_by_hand() {
    let got = simulated(Law::None);
    let near = |got: f64, expected: f64| assert!((got - expected).abs() < 1e-6, "{got}, not {expected}");
    // Move, 2 s of structure; move, 5 s wanted; move, 10 s files; move, 10 s files.
    for (class, seconds) in [(Class::Structure, 3.0), (Class::Wanted, 9.0), (Class::Files, 31.0)] {
        near(after(&got.plan, class), seconds);
    }
    // 10 s files; move, 2 s structure; move, 5 s wanted; move, 10 s files.
    for (class, seconds) in [(Class::Structure, 13.0), (Class::Wanted, 19.0), (Class::Files, 30.0)] {
        near(after(&got.planned_in_place, class), seconds);
    }
    for (class, seconds) in [(Class::Structure, 32.0), (Class::Wanted, 55.0), (Class::Files, 85.0)] {
        near(after(&got.whole_drive, class), seconds);
    }
    // Structure alone, with wanted, and with all: the transfers, and a move for each gap before them.
    let bounds: Vec<f64> = got.bounds.iter().map(|bound| bound.least_seconds).collect();
    for (bound, seconds) in bounds.iter().zip([3.0, 9.0, 30.0]) {
        near(*bound, seconds);
    }
    near(got.over_bound(Class::Files).unwrap(), 31.0 / 30.0);
}

// Source: by hand.
#[test]
fn what_is_safe_when_the_drive_dies_after_twelve_seconds() {
    let got = simulated(Law::DiesAfter { seconds: 12.0 });
    let mb = 1_024_000.0;
    let safe = |played: &gleaner::simulate::Played, class: Class| played.of(class).unwrap().expected_bytes / mb;
    assert_eq!([Class::Structure, Class::Wanted, Class::Files].map(|c| safe(&got.plan, c).round()), [2.0, 5.0, 2.0]);
    let in_place = [Class::Structure, Class::Wanted, Class::Files].map(|c| safe(&got.planned_in_place, c).round());
    assert_eq!(in_place, [1.0, 0.0, 10.0]);
    // Of the files read first nothing counts, as structure was not whole by then.
    let counted = got.planned_in_place.of(Class::Files).unwrap().expected_with_structure;
    assert_eq!(counted.to_bits(), 0.0_f64.to_bits());
    assert_eq!(got.gain(Class::Wanted), None);
}

// Source: the same expectation as a mean over many moments of death, each of which is calculated by cutting off.
#[test]
fn the_closed_form_is_the_mean_over_all_moments_of_death() {
    let mean_life_seconds = 15.0;
    let closed = simulated(Law::Steady { mean_life_seconds });
    const STEPS: u32 = 1000;
    let cases: Vec<(Class, bool)> =
        [Class::Structure, Class::Wanted, Class::Files].into_iter().flat_map(|c| [(c, false), (c, true)]).collect();
    let of = |simulation: &Simulation, (class, in_place): (Class, bool)| {
        let played = if in_place { &simulation.planned_in_place } else { &simulation.plan };
        let class = played.of(class).unwrap();
        [class.expected_bytes, class.expected_with_structure]
    };
    let mut sums = vec![[0.0; 2]; cases.len()];
    for n in 0..STEPS {
        // Moments of equal probability: the middles of the quantiles of the exponential law.
        let seconds = -(1.0 - (f64::from(n) + 0.5) / f64::from(STEPS)).ln() * mean_life_seconds;
        let cut = simulated(Law::DiesAfter { seconds });
        for (sum, case) in sums.iter_mut().zip(&cases) {
            let got = of(&cut, *case);
            *sum = [sum[0] + got[0], sum[1] + got[1]];
        }
    }
    for (sum, case) in sums.iter().zip(cases) {
        let expected = of(&closed, case);
        for (expected, sum) in expected.into_iter().zip(sum) {
            let mean = sum / f64::from(STEPS);
            assert!((expected - mean).abs() <= 5e-3 * 20.0 * 1_024_000.0, "{case:?}: {expected} and {mean}");
            assert!((expected / mean - 1.0).abs() <= 2e-2, "{case:?}: {expected} and {mean}");
        }
    }
}

// Source: by hand; two requests of a mebibyte touch the region of 1.5 MB, 10 s each.
#[test]
fn a_bad_region_costs_failed_requests_and_yields_nothing() {
    let region = Extent::new(52 * SECOND * 512, 1_536_000).unwrap();
    let got = simulated(Law::BadRegion { region });
    let wanted = got.plan.of(Class::Wanted).unwrap();
    assert!((wanted.lost_bytes - 1_536_000.0).abs() < 1.0 && wanted.whole_after.is_none());
    assert!((wanted.expected_bytes - 3.5 * 1_024_000.0).abs() < 1.0);
    assert!((got.plan.seconds - (31.0 - 1.5 + 20.0)).abs() < 1e-6, "{}", got.plan.seconds);
    assert_eq!(got.over_bound(Class::Wanted), None);
}

// Source: the rule in docs/orders.md, by hand, with a gap of 100 sectors.
#[test]
fn what_lies_beside_is_picked_up_where_that_delays_no_more_than_it_spares() {
    let far = (5000, Class::Free);
    let made = |beside: u64| {
        let map = map_of(&[
            far,
            (10, Class::Structure),
            (50, Class::Files),
            far,
            (10, Class::Wanted),
            (beside, Class::Files),
            far,
            (10, Class::Files),
            far,
        ]);
        let mut request = PlanRequest::new(Scope::Allocated);
        request.bridge = BridgeRule::fixed(100 * 512);
        request.wants = vec!["/Documents".to_owned()];
        request.order.pick_up = true;
        plan(&map, &request)
    };
    let extents = |plan: &gleaner::plan::Plan| -> Vec<Vec<(u64, u64)>> {
        let sectors = |e: &Extent| (e.start.0 / 512, e.bytes / 512);
        plan.passes.iter().map(|pass| pass.extents().iter().map(sectors).collect()).collect()
    };
    // Structure picks nothing up. 100 sectors beside cost 100 and spare 100 + (100 + 100 - 100), which is twice as much.
    let expected = vec![vec![(5000, 10)], vec![(10_060, 110)], vec![(5010, 50), (15_170, 10)]];
    assert_eq!(extents(&made(100)), expected);
    assert_eq!(made(100).passes[1].header.bridged_bytes, 100 * 512);
    // One more is more than a gap may be.
    let expected = vec![vec![(5000, 10)], vec![(10_060, 10)], vec![(5010, 50), (10_070, 101), (15_171, 10)]];
    assert_eq!(extents(&made(101)), expected);
    let file = written(&made(100));
    assert_eq!(read_plan(file.as_slice()).unwrap(), made(100));
    // Without the order's name in its header, its reader takes a gap at an extent's end for damage.
    let text = String::from_utf8(file).unwrap().replace("\"pick_up\":true", "\"pick_up\":false");
    assert!(read_plan(text.as_bytes()).is_err());
}

fn request(kind: &Kind) -> PlanRequest {
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::from_model(&kind.model(), kind.drive_bytes);
    request.wants = vec!["/Documents/**".to_owned(), "*.xlsx".to_owned()];
    request
}

/// On all kinds of drives, made smaller; with every order that a plan can have.
#[test]
fn every_order_reads_the_same_once_structure_first_and_none_beats_the_bound() {
    for kind in kinds().into_iter().map(|kind| kind.smaller(400)) {
        let plain = plan(&kind.layout(false, false).map, &request(&kind));
        for (pick_up, bands) in [(false, false), (true, false), (false, true), (true, true)] {
            let mut asked = request(&kind);
            asked.order.pick_up = pick_up;
            asked.order.prefer = if bands {
                gleaner::survey::allocation::Prefer::Files
            } else {
                gleaner::survey::allocation::Prefer::Bytes
            };
            let made = plan(&kind.layout(bands, false).map, &asked);
            assert_eq!(made.find_overlap(), None);
            let file = written(&made);
            assert_eq!(read_plan(file.as_slice()).unwrap(), made, "{}: a plan that its own reader takes", kind.name);
            let planned = |plan: &gleaner::plan::Plan| -> Vec<(Class, u64)> {
                plan.header.totals.iter().map(|total| (total.class, total.planned_bytes)).collect()
            };
            assert_eq!(planned(&made), planned(&plain), "{}", kind.name);
            let first = |plan: &gleaner::plan::Plan| -> Vec<Extent> {
                let passes = plan.passes.iter().filter(|pass| pass.header.class <= Class::Structure);
                passes.flat_map(|pass| pass.extents().to_vec()).collect()
            };
            assert_eq!(first(&made), first(&plain), "{}: structure is read as ever", kind.name);
            let pieces = Pieces::of_plan(&made);
            assert_eq!(pieces.list.iter().map(|piece| piece.extent.bytes).sum::<u64>(), made.bytes());
            let played = simulate(
                pieces.clone(),
                &Assumptions { model: kind.model(), request_bytes: 1 << 20, law: None, bad_head: None },
            );
            for of in &played.plan.classes {
                assert!(played.over_bound(of.class).unwrap() >= 1.0, "{}: {}", kind.name, of.class);
            }
            // No byte is lost on the way from plan to tally, by either way of reading.
            let all: f64 = played.plan.classes.iter().map(|of| of.bytes).sum();
            for other in [&played.planned_in_place, &played.whole_drive] {
                let there: f64 = other.classes.iter().map(|of| of.bytes).sum();
                assert!((all / there - 1.0).abs() < 1e-9);
            }
            if pick_up && !bands {
                let plain = play(&Pieces::of_plan(&plain), &kind.model(), 1 << 20, Law::None, Way::AsListed).seconds;
                assert!(played.plan.seconds <= plain * 1.001, "{}: {} {plain}", kind.name, played.plan.seconds);
            }
        }
    }
}
