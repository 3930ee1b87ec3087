//! exFAT volumes read from start to end: against the answers of a decoder of its own, and damaged in every way a drive
//! can damage them.

use crate::common;
mod damage;
mod inferred;
mod random_damage;
mod reference;

use common::{assert_same, codes};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Findings;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{Node, NodeKind, Purpose, Role, VolumeMap, exfat};
use gleaner::source::{MemorySource, ReadTotals, Reader, Source, Window};

fn open(source: impl Source + 'static) -> (Result<Box<VolumeMap>, Findings>, ReadTotals, ExtentSet) {
    let reader = Reader::new(Box::new(source), None);
    let outcome = exfat::read(&Window::new(&reader, reader.identity().extent())).expect("the source stays");
    (outcome, reader.totals(), reader.asked())
}

fn map_of(bytes: Vec<u8>) -> Box<VolumeMap> {
    open(MemorySource::new(bytes, SectorSize::S512)).0.unwrap_or_else(|f| panic!("{f:?}"))
}

/// The volume with these places unreadable.
fn unreadable(bytes: Vec<u8>, places: &[(u64, u64)]) -> Box<VolumeMap> {
    let source = MemorySource::new(bytes, SectorSize::S512);
    let source = places.iter().fold(source, |s, (start, len)| s.with_unreadable(Extent::new(*start, *len).unwrap()));
    let (outcome, totals, _) = open(source);
    assert_eq!(totals.repeated_bytes, 0);
    outcome.unwrap_or_else(|f| panic!("{f:?}"))
}

#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct File {
    path: String,
    folder: bool,
    size: u64,
    valid: u64,
    extents: Vec<(u64, u64)>,
    /// Seconds since 1970.
    modified: Option<i64>,
}

fn file(map: &VolumeMap, node: &Node<'_>) -> File {
    let stream = node.streams().next().expect("every file has a stream");
    let place = |run| map.geometry.extent(run).expect("a run lies in the volume");
    let folder = node.kind() == NodeKind::Folder;
    assert_eq!(stream.role() == Role::FolderIndex, folder);
    File {
        path: node.path(),
        folder,
        size: stream.size(),
        valid: stream.valid(),
        extents: stream.runs().map(place).map(|e| (e.start.0, e.bytes)).collect(),
        modified: node.modified().map(|time| time.to_unix().0),
    }
}

fn files(map: &VolumeMap, deleted: bool) -> Vec<File> {
    let nodes = map.catalog.nodes().filter(|node| node.is_deleted() == deleted);
    let mut list: Vec<File> = nodes.map(|node| file(map, &node)).collect();
    list.sort();
    list
}

/// The live file or folder with this path.
fn find(map: &VolumeMap, path: &str) -> File {
    let node = map.catalog.nodes().find(|n| !n.is_deleted() && n.path() == path);
    file(map, &node.unwrap_or_else(|| panic!("no {path}")))
}

fn is_incomplete(map: &VolumeMap, path: &str) -> bool {
    let node = map.catalog.nodes().find(|n| !n.is_deleted() && n.path() == path).unwrap();
    node.streams().any(|stream| stream.is_incomplete())
}

fn structure_paths(map: &VolumeMap) -> Vec<String> {
    map.catalog.nodes().filter(|n| n.purpose() == Purpose::Structure).map(|n| n.path()).collect()
}
