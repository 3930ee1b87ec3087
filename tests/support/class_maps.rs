//! Random class maps and requests, and what of a drive they stand for, sector by sector.

#![allow(dead_code, reason = "each test program uses its own part of this")]

use gleaner::base::extent::Extent;
use gleaner::base::finding::Findings;
use gleaner::plan::{
    ADDABLE, BridgeRule, DROPPABLE, Fingerprint, Order, Plan, PlanRequest, PlanSource, PlanVolume, Scope, Sweeps,
    build, write_plan,
};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};
use proptest::prelude::*;

pub const SECTOR: u64 = 512;

/// A class map whose runs have up to `longest` sectors, in two areas and none.
pub fn class_map(runs: std::ops::Range<usize>, longest: u64) -> impl Strategy<Value = ClassMap> {
    prop::collection::vec((1..=longest, 0_usize..9, 0_u16..3, 0_usize..3), runs).prop_map(|list| {
        let mut at = 0;
        ClassMap::from_runs(list.into_iter().map(|(sectors, class, lane, area)| {
            let extent = Extent::new(at, sectors * SECTOR).unwrap();
            at = extent.end();
            let class = Class::ALL[class];
            let lane = match class {
                Class::Wanted => lane,
                Class::Unclaimed => lane.min(1),
                _ => 0,
            };
            ClassRun { extent, class, lane, area: [0, 1, ClassRun::NO_AREA][area] }
        }))
    })
}

/// A request with any scope and any changes to it, for a plan of up to `gap` sectors bridged.
pub fn request(gap: u64) -> impl Strategy<Value = PlanRequest> {
    let areas = prop::option::of(prop::collection::btree_set(0_u32..2, 0..2));
    let also = prop::sample::subsequence(ADDABLE.to_vec(), 0..=1);
    let without = prop::sample::subsequence(DROPPABLE.to_vec(), 0..=2);
    (0_usize..5, also, without, areas, 0..=gap).prop_map(|(scope, also, without, areas, gap)| PlanRequest {
        scope: Scope::ALL[scope],
        without: without.into_iter().filter(|class| !also.contains(class)).collect(),
        also,
        areas,
        bridge: BridgeRule::fixed(gap * SECTOR),
        wants: vec!["/Fotos/**".to_owned(), "*.docx".to_owned(), "it's \"odd\"\n\u{7}$(x) `x`".to_owned()],
        bulk: vec!["*.iso".to_owned()],
        order: Order::default(),
    })
}

pub fn source(bytes: u64) -> PlanSource {
    PlanSource {
        path: "/dev/sdx".to_owned(),
        bytes,
        logical_sector: SECTOR,
        physical_sector: 4096,
        model: Some("Example drive".to_owned()),
        serial: None,
        fingerprint: Fingerprint::of([]),
    }
}

pub fn volumes() -> Vec<PlanVolume> {
    let volume = |area| PlanVolume {
        area,
        start: u64::from(area) * 4096,
        bytes: 4096,
        file_system: Some("NTFS".to_owned()),
        label: (area == 0).then(|| "Archiv".to_owned()),
        serial: None,
        chosen: false,
    };
    vec![volume(0), volume(1)]
}

pub fn size(map: &ClassMap) -> u64 {
    map.runs().last().map_or(0, |run| run.extent.end())
}

pub fn plan(map: &ClassMap, request: &PlanRequest) -> Plan {
    build(&Sweeps::new(map), request, source(size(map)), volumes(), &Findings::new()).unwrap()
}

pub fn written(plan: &Plan) -> Vec<u8> {
    let mut out = Vec::new();
    write_plan(plan, &mut out).unwrap();
    out
}

/// A map from (sectors, class) in order, all in area 0 and lane 0.
pub fn map_of(list: &[(u64, Class)]) -> ClassMap {
    let mut at = 0;
    ClassMap::from_runs(list.iter().map(|&(sectors, class)| {
        let extent = Extent::new(at, sectors * SECTOR).unwrap();
        at = extent.end();
        ClassRun { extent, class, lane: 0, area: 0 }
    }))
}
