//! Plans at the size of large, fragmented drives: time and memory. Alone in its program, because the peak of memory is
//! the whole process's.

#[path = "support/class_maps.rs"]
mod class_maps;

use class_maps::{SECTOR, source, volumes};
use gleaner::base::extent::Extent;
use gleaner::base::finding::Findings;
use gleaner::base::new_file::{NewFileError, Readers, write_new};
use gleaner::drive::model::preset;
use gleaner::plan::{BridgeRule, PlanRequest, Scope, Sweeps, build, estimate, load_plan, write_plan};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};
use std::time::Instant;

/// A drive of `runs` class runs: files with free space, bulk and deleted stretches between them in a fixed irregular
/// pattern, so that about half the runs are requested.
fn fragmented(runs: u32) -> ClassMap {
    let mut at = 0;
    let mut state = 1_u64;
    ClassMap::from_runs((0..runs).map(|n| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let draw = state >> 33;
        let class = match (n % 2, draw % 16) {
            (0, 0) => Class::Bulk,
            (0, 1..4) => Class::Deleted,
            (0, _) => Class::Free,
            (_, 0) => Class::Structure,
            (_, 1) => Class::Unclaimed,
            (_, _) => Class::Files,
        };
        let extent = Extent::new(at, (1 + draw / 16 % 60) * 8 * SECTOR).unwrap();
        at = extent.end();
        ClassRun { extent, class, lane: 0, area: n / 1_000_000 }
    }))
}

/// Resident memory in MiB: now, and the peak since [`reset_peak`]. From proc(5).
fn memory() -> (u64, u64) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let field = |name: &str| {
        let line = status.lines().find(|line| line.starts_with(name)).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
    };
    (field("VmRSS:"), field("VmHWM:"))
}

fn reset_peak() -> u64 {
    std::fs::write("/proc/self/clear_refs", "5").unwrap();
    memory().0
}

fn round_trip(runs: u32, extents: u64, most_mib: u64) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plan");
    let map = fragmented(runs);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let size = class_maps::size(&map);
    let plan = build(&Sweeps::new(&map), &request, source(size), volumes(), &Findings::new()).unwrap();
    drop(map);
    assert!(plan.extent_count() >= extents, "{}", plan.extent_count());
    let began = Instant::now();
    let held = reset_peak();
    let written: Result<(), NewFileError> = write_new(&path, Readers::AsUsual, |out| {
        write_plan(&plan, out).map_err(|error| NewFileError::Io { path: path.clone(), error })
    });
    written.unwrap();
    let writing = memory().1 - held;
    let count = plan.extent_count();
    drop(plan);
    println!(
        "{count} extents, {} bytes: written in {:.1?} with {writing} MiB",
        path.metadata().unwrap().len(),
        began.elapsed()
    );
    let began = Instant::now();
    let held = reset_peak();
    let plan = load_plan(&path).unwrap();
    let reading = memory().1 - held;
    println!("read into memory in {:.1?} with {reading} MiB", began.elapsed());
    assert_eq!(plan.extent_count(), count);
    assert!(writing <= 4 && reading <= most_mib, "{writing} {reading} MiB");
}

// Required: a plan with five million extents must not need five million objects' worth of JSON tree. 16 bytes
// an extent are 76 MiB; a list that grows by doubling may touch up to that much again while it is moved.
#[test]
fn five_million_extents_need_sixteen_bytes_each() {
    round_trip(11_000_000, 5_000_000, 176);
}

// Required: planning 20 million extents, under 20 s and 2 GiB, growth near linear. For a release build:
// cargo test --release --test plan_scale -- --ignored --nocapture --test-threads 1
#[test]
#[ignore = "takes 2 GiB and is a measurement; scripts that measure run it"]
fn twenty_million_runs_are_planned_in_twenty_seconds_and_two_gibibytes() {
    for runs in [2_500_000, 5_000_000, 10_000_000, 20_000_000] {
        let began = reset_peak();
        let map = fragmented(runs);
        let map_mib = memory().0.saturating_sub(began);
        let start = Instant::now();
        let sweeps = Sweeps::new(&map);
        let sorted = start.elapsed();
        let model = preset("desktop-7200").unwrap().model();
        for bridge in [BridgeRule::OFF, BridgeRule::default()] {
            let mut request = PlanRequest::new(Scope::Whole);
            request.bridge = bridge.clone();
            let start = Instant::now();
            let cost = estimate(&sweeps, &request.choice().unwrap(), &model);
            let estimated = start.elapsed();
            let start = Instant::now();
            let source = source(class_maps::size(&map));
            let plan = build(&sweeps, &request, source, volumes(), &Findings::new()).unwrap();
            let took = sorted + start.elapsed();
            println!(
                "{runs} runs, gaps up to {}: {} extents planned in {took:.2?} (estimate alone {estimated:.2?}); map {map_mib} MiB, peak {} MiB",
                bridge.gap_bytes,
                cost.extents,
                memory().1 - began
            );
            assert_eq!(plan.extent_count(), cost.extents);
            assert!(took.as_secs() < 20 && memory().1 < 2048);
        }
    }
}
