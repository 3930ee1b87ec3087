//! FAT volumes read from start to end: against reference parsers' answers, against a second library, and damaged in
//! every way a drive can damage them.

use crate::common;
mod damage;
mod inferred;
mod random_damage;
mod reference;

use common::{assert_same, codes};
use gleaner::base::extent::ExtentSet;
use gleaner::base::finding::Findings;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{NodeKind, Role, VolumeMap, fat};
use gleaner::source::{MemorySource, ReadTotals, Reader, Source, Window};

fn open(source: impl Source + 'static) -> (Result<Box<VolumeMap>, Findings>, ReadTotals, ExtentSet) {
    let reader = Reader::new(Box::new(source), None);
    let outcome = fat::read(&Window::new(&reader, reader.identity().extent())).expect("the source stays");
    (outcome, reader.totals(), reader.asked())
}

fn map_of(bytes: Vec<u8>) -> Box<VolumeMap> {
    open(MemorySource::new(bytes, SectorSize::S512)).0.unwrap_or_else(|f| panic!("{f:?}"))
}

#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct File {
    path: String,
    folder: bool,
    size: u64,
    extents: Vec<(u64, u64)>,
}

fn files(map: &VolumeMap, deleted: bool) -> Vec<File> {
    let mut list: Vec<File> = map
        .catalog
        .nodes()
        .filter(|node| node.is_deleted() == deleted)
        .map(|node| {
            let stream = node.streams().next();
            let place = |run| map.geometry.extent(run).expect("a run lies in the volume");
            let extents = stream.iter().flat_map(|s| s.runs()).map(place).map(|e| (e.start.0, e.bytes)).collect();
            let folder = node.kind() == NodeKind::Folder;
            assert!(stream.is_none_or(|s| (s.role() == Role::FolderIndex) == folder));
            File { path: node.path(), folder, size: stream.map_or(0, |s| s.size()), extents }
        })
        .collect();
    list.sort();
    list
}
