//! Every record of every fixture: streams, extents, sizes, names and allocation equal to the reference parsers'
//! (dissect.ntfs, cross-checked with libfsntfs; versions in the answers' `parser` key).

use crate::ntfs::{Outcome, VOLUMES, common, fixture, read};
use gleaner::filesystem::{Node, NodeKind, ORPHANS, Purpose, Role, Stream, VolumeMap};
use serde_json::Value;
use std::collections::BTreeMap;

/// One stream in a shape both sides can be put into: attribute (`None` for content), name, size, valid size,
/// resident, compressed, sparse, extents in bytes of the volume.
type Facts = (Option<String>, Option<String>, u64, u64, bool, bool, bool, Vec<(u64, u64)>);

/// Record number and whether it is deleted.
type Key = (u64, bool);

#[derive(Debug, Default, PartialEq, Eq)]
pub struct File {
    folder: bool,
    paths: Vec<String>,
    streams: Vec<Facts>,
}

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("a number, not {value}"))
}

fn pairs(value: &Value) -> Vec<(u64, u64)> {
    value.as_array().expect("a list").iter().map(|pair| (number(&pair[0]), number(&pair[1]))).collect()
}

/// An absent main stream is given as an empty resident one.
fn is_absent(facts: &Facts) -> bool {
    facts.0.is_none() && facts.1.is_none() && facts.2 == 0 && facts.4
}

pub fn expected(answers: &Value) -> BTreeMap<Key, File> {
    let cluster = number(&answers["cluster_bytes"]);
    let mut files: BTreeMap<Key, File> = BTreeMap::new();
    for entry in answers["files"].as_array().expect("a list of files") {
        let deleted = entry["deleted"] == true;
        let file = files.entry((number(&entry["record"]), deleted)).or_default();
        file.folder = entry["kind"] == "folder";
        file.paths = entry["paths"].as_array().unwrap().iter().map(|p| p.as_str().unwrap().to_owned()).collect();
        let text = |key: &str| entry[key].as_str().map(str::to_owned);
        let (attribute, mut name) = (text("attribute"), text("stream"));
        // The name of every index of names says nothing; ours leaves it out.
        if name.as_deref() == Some("$I30") {
            name = None;
        }
        let extents = pairs(&entry["extents"]);
        assert!(extents.iter().all(|(start, length)| (start % cluster, length % cluster) == (0, 0)), "whole clusters");
        let flag = |key: &str| entry[key] == true;
        let facts = (
            attribute,
            name,
            number(&entry["size"]),
            number(&entry["valid_size"]),
            flag("resident"),
            // Content in the record is never compressed, whatever its flags say; ours has no unit for it then.
            flag("compressed") && !flag("resident"),
            flag("sparse"),
            extents,
        );
        if !is_absent(&facts) {
            file.streams.push(facts);
        }
    }
    for file in files.values_mut() {
        file.streams.sort();
    }
    files
}

fn attribute(stream: &Stream<'_>) -> Option<String> {
    match stream.role() {
        Role::OtherAttribute => Some("$INDEX_ALLOCATION".to_owned()),
        role => role.attribute_name().map(str::to_owned),
    }
}

fn facts(stream: &Stream<'_>, cluster: u64) -> Facts {
    let mut extents: Vec<(u64, u64)> = Vec::new();
    for run in stream.runs() {
        match extents.last_mut() {
            Some(last) if last.0 + last.1 == run.first.0 * cluster => last.1 += run.count * cluster,
            _ => extents.push((run.first.0 * cluster, run.count * cluster)),
        }
    }
    (
        attribute(stream),
        stream.name().map(str::to_owned),
        stream.size(),
        stream.valid(),
        stream.is_resident(),
        stream.compression_unit() > 0,
        stream.is_sparse(),
        extents,
    )
}

fn file(map: &VolumeMap, node: &Node<'_>) -> File {
    let orphan = format!("/{ORPHANS}/");
    let mut paths: Vec<String> = node.links().map(|l| l.path()).filter(|p| !p.starts_with(&orphan)).collect();
    if node.id() == map.catalog.root() {
        paths.push("/".to_owned());
    }
    paths.sort();
    paths.dedup();
    let mut streams: Vec<Facts> =
        node.streams().map(|s| facts(&s, map.geometry.cluster_bytes)).filter(|f| !is_absent(f)).collect();
    streams.sort();
    File { folder: node.kind() == NodeKind::Folder, paths, streams }
}

pub fn ours(map: &VolumeMap) -> BTreeMap<Key, File> {
    let mut files = BTreeMap::new();
    for node in map.catalog.nodes() {
        let before = files.insert((u64::from(node.number()), node.is_deleted()), file(map, &node));
        assert!(before.is_none(), "record {} is there twice", node.number());
    }
    files
}

fn total(facts: &Facts) -> u64 {
    facts.7.iter().map(|extent| extent.1).sum()
}

/// Compares file by file, so that a failure names the record.
pub fn assert_same(name: &str, ours: &BTreeMap<Key, File>, expected: &BTreeMap<Key, File>) {
    for (key, file) in expected {
        let found = ours.get(key).unwrap_or_else(|| panic!("{name}: record {key:?} is missing: {file:?}"));
        // Piece by piece, so that a failure is readable: a file may have thousands of extents.
        assert_eq!((found.folder, &found.paths), (file.folder, &file.paths), "{name}: record {key:?}");
        for (a, b) in found.streams.iter().zip(&file.streams) {
            let differing = a.7.iter().zip(&b.7).enumerate().find(|(_, (x, y))| x != y);
            assert_eq!(differing, None, "{name}: record {key:?}: extents of {:?} {:?}", b.0, b.1);
            let (a_bytes, b_bytes) = (total(a), total(b));
            if key.1 && a_bytes > b_bytes {
                // The reference follows the attribute lists of deleted files, which may be overwritten by now; we join
                // by base reference and may find more: then all that there is room for, and not less than the size.
                assert!(b_bytes < b.2 && a_bytes >= b.2, "{name}: record {key:?}: {a_bytes} of {} bytes", b.2);
                continue;
            }
            assert_eq!(a.7.len(), b.7.len(), "{name}: record {key:?}: extents of {:?} {:?}", b.0, b.1);
            assert_eq!(a, b, "{name}: record {key:?}");
        }
        assert_eq!(found.streams.len(), file.streams.len(), "{name}: record {key:?}: {:?}", file.streams);
    }
    let more: Vec<_> = ours.keys().filter(|key| !expected.contains_key(key)).collect();
    assert!(more.is_empty(), "{name}: records the reference does not have: {more:?}");
}

pub fn assert_same_allocation(name: &str, outcome: &Outcome, answers: &Value) {
    let allocated: Vec<(u64, u64)> =
        outcome.map().allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(allocated, pairs(&answers["allocated"]), "{name}: allocated clusters");
}

#[test]
fn every_record_of_every_volume_is_as_the_reference_says() {
    for name in VOLUMES {
        let answers = common::answers(name);
        let outcome = read(fixture(name));
        let map = outcome.map();
        assert_eq!(map.geometry.cluster_bytes, number(&answers["cluster_bytes"]), "{name}");
        assert_eq!(map.geometry.cluster_count, number(&answers["cluster_count"]), "{name}");
        assert_eq!(map.sector_bytes, number(&answers["sector_bytes"]), "{name}");
        assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{name}");
        assert_same(name, &ours(map), &expected(&answers));
        assert_same_allocation(name, &outcome, &answers);
        assert!(map.allocation.unknown.is_empty(), "{name}");
        assert!(!map.catalog_incomplete, "{name}");
        assert_eq!(outcome.kinds(), Vec::<&str>::new(), "{name}: a sound volume gives no findings");
        assert_eq!(outcome.totals.repeated_bytes, 0, "{name}: no byte is read twice");
        assert_eq!(map.catalog.orphan_count(), 0, "{name}");
    }
}

/// Everything the survey reads is structure: the boot sectors, $MFT, its mirror, its attribute list, the bitmap.
#[test]
fn nothing_but_the_two_maps_is_read() {
    for name in VOLUMES {
        let outcome = read(fixture(name));
        let map = outcome.map();
        let stream_bytes = |record: u32| {
            let node = map.catalog.nodes().find(|n| n.number() == record).expect("a system record");
            let own = node.streams().filter(|s| s.name().is_none());
            let counted = own.filter(|s| matches!(s.role(), Role::Data | Role::AttributeList));
            counted.map(|s| s.runs().map(|r| r.count).sum::<u64>() * map.geometry.cluster_bytes).sum::<u64>()
        };
        let most = stream_bytes(0) + stream_bytes(1) + stream_bytes(6) + 512 + 512;
        assert!(outcome.totals.bytes <= most, "{name}: {} bytes read, {most} explained", outcome.totals.bytes);
    }
}

#[test]
fn system_files_serve_the_system_and_the_rest_the_client() {
    let outcome = read(fixture("ntfs-rich"));
    let catalog = &outcome.map().catalog;
    for node in catalog.nodes() {
        let expected = match node.number() {
            7 => Purpose::Boot,
            8 => Purpose::BadClusters,
            n if n < 24 => Purpose::Structure,
            _ if node.path().starts_with("/$Extend/") => Purpose::Structure,
            _ => Purpose::Client,
        };
        assert_eq!(node.purpose(), expected, "{}", node.path());
    }
    assert!(catalog.nodes().any(|n| n.path().starts_with("/$Extend/")), "the rule is put to use");
}

/// The boot file and the backup boot sector, both as the formatter places them (Linux fs/ntfs/layout.h: the backup is
/// the last sector of the partition).
#[test]
fn boot_places() {
    for name in VOLUMES {
        let image = fixture(name);
        let length = image.len() as u64;
        let outcome = read(image);
        let map = outcome.map();
        let places: Vec<(u64, u64)> = map.fixed.iter().map(|(e, _)| (e.start.0, e.bytes)).collect();
        assert_eq!(places.first().map(|p| p.0), Some(0), "{name}");
        assert_eq!(places.last(), Some(&(length - map.sector_bytes, map.sector_bytes)), "{name}");
        assert!(places[0].1 >= map.sector_bytes && places[0].1 <= 65536, "{name}: {places:?}");
        assert_eq!(places.len(), 2, "{name}: {places:?}");
    }
}

impl File {
    /// Whether every stream is one of `whole`'s.
    pub fn streams_within(&self, whole: &File) -> bool {
        self.streams.iter().all(|stream| whole.streams.contains(stream))
    }
}
