//! A drive surveyed, classified and planned, and what must hold whatever was on it.

use crate::patched::Patched;
use gleaner::survey::allocation::{Choices, DEFAULT_BULK, DriveMap, Patterns, classify, read_drive, compare_maps};
use gleaner::survey::coherence::judge;
use gleaner::base::finding::Findings;
use gleaner::filesystem::{Content, SpaceMap, VolumeMap, read_content};
use gleaner::plan::{Fingerprint, Plan, PlanRequest, PlanSource, Scope, Sweeps, build, read_plan, write_plan};
use gleaner::source::{Reader, Source, Window};

/// Reads the whole of `drive` as one volume and holds the map to what every map promises.
pub fn volume(drive: Patched) {
    let extent = drive.identity().extent();
    let reader = Reader::new(Box::new(drive), None);
    let content = read_content(&Window::new(&reader, extent)).expect("memory does not vanish");
    if let Content::Volume(volume) = content {
        in_order(&volume);
        compare_maps(&volume);
    } else if let Content::Mapped(map) = content {
        mapped_in_order(&map);
    }
    // An allocation map that a copy leads to and that leaves doubt is read before other geometries are looked for among the same bytes.
    assert!(reader.totals().repeated_bytes <= 256 << 10, "bytes were requested twice");
}

/// Surveys, classifies, plans, writes the plan and reads it again.
pub fn drive(drive: Patched) {
    let reader = Reader::new(Box::new(drive), None);
    let map = read_drive(&reader).expect("memory does not vanish");
    for (_, volume) in map.volumes() {
        in_order(volume);
        compare_maps(volume);
    }
    map.mapped().for_each(|(_, map)| mapped_in_order(map));
    if reader.identity().bytes == 0 {
        return;
    }
    judge(&map, &reader).expect("memory does not vanish");
    let plan = plan(&map);
    let mut file = Vec::new();
    write_plan(&plan, &mut file).expect("memory does not fill up");
    assert!(read_plan(&file[..]).expect("its own plan") == plan);
}

fn plan(map: &DriveMap) -> Plan {
    let bulk = Patterns::new(&DEFAULT_BULK).expect("the usual patterns");
    let classes = classify(map, &Choices { bulk, ..Choices::default() });
    let mut at = 0;
    for run in classes.runs() {
        assert_eq!(run.extent.start.0, at, "a byte without a class, or with two");
        at = run.extent.end();
    }
    assert_eq!(at, map.identity.bytes);
    let source = PlanSource::new(&map.identity, Fingerprint::of([]));
    let request = PlanRequest::new(Scope::Allocated);
    build(&Sweeps::new(&classes), &request, source, Vec::new(), &Findings::new()).expect("a plan in every case")
}

fn mapped_in_order(map: &SpaceMap) {
    assert!(map.used.intersection(&map.unknown).is_empty());
    let both = map.used.runs().iter().chain(map.unknown.runs());
    assert!(both.clone().all(|run| run.count > 0 && map.geometry.holds(*run)));
    assert!(map.structure.extents().iter().all(|place| map.extent.contains(place)));
    let planned: u64 = map.in_use().iter().map(|extent| extent.bytes).sum();
    let free: u64 = map.free_extents().map(|extent| extent.bytes).sum();
    assert_eq!(planned + free, map.extent.bytes);
}

fn in_order(map: &VolumeMap) {
    let allocation = &map.allocation;
    assert!(allocation.allocated.intersection(&allocation.unknown).is_empty());
    for set in [&allocation.allocated, &allocation.unknown, &allocation.bad] {
        assert!(set.runs().iter().all(|run| map.geometry.holds(*run)));
    }
    for node in map.catalog.nodes() {
        for stream in node.streams() {
            assert!(stream.runs().all(|run| run.count > 0 && map.geometry.holds(run)));
        }
        for link in node.links() {
            assert!(link.path().starts_with('/') && !link.name().contains(['/', '\0']));
        }
    }
}
