//! A volume as it was read, against what reference parsers say of it (`testdata/README.md`): geometry, allocation, and of
//! every existing file its size and its extents.

use gleaner::filesystem::{Node, NodeKind, ORPHANS, Role, Stream, VolumeMap};
use serde_json::Value;
use std::collections::BTreeMap;

/// Paths, attribute (`None` for content), stream.
type Key = (Vec<String>, Option<String>, Option<String>);

/// Size, and extents in bytes of the volume.
type Facts = (u64, Vec<(u64, u64)>);

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("a number, not {value}"))
}

fn pairs(value: &Value) -> Vec<(u64, u64)> {
    value.as_array().into_iter().flatten().map(|pair| (number(&pair[0]), number(&pair[1]))).collect()
}

fn reference(answers: &Value) -> BTreeMap<Key, Facts> {
    let mut files = BTreeMap::new();
    let fixed_root = ["fat12", "fat16"].contains(&answers["kind"].as_str().unwrap());
    for file in answers["files"].as_array().expect("a list of files").iter().filter(|file| file["deleted"] == false) {
        // The fixed root folder lies before the first cluster.
        if fixed_root && file["path"] == "/" {
            continue;
        }
        let text = |key: &str| file[key].as_str().map(str::to_owned);
        let mut paths: Vec<String> = match file["paths"].as_array() {
            Some(paths) => paths.iter().filter_map(|path| path.as_str().map(str::to_owned)).collect(),
            None => text("path").into_iter().collect(),
        };
        if paths.is_empty() {
            paths.push(format!("record {}", file["record"]));
        }
        // The name of every index of names says nothing; ours leaves it out.
        let stream = text("stream").filter(|name| name != "$I30");
        let facts = (number(&file["size"]), pairs(&file["extents"]));
        // Bitmap and up-case table of exFAT: their name stands for the attribute as well.
        let attribute = text("attribute").filter(|name| !name.starts_with('<'));
        files.insert((paths, attribute, stream), facts);
    }
    files
}

fn attribute(stream: &Stream<'_>) -> Option<String> {
    match stream.role() {
        Role::OtherAttribute => Some("$INDEX_ALLOCATION".to_owned()),
        role => role.attribute_name().map(str::to_owned),
    }
}

fn paths(map: &VolumeMap, node: &Node<'_>) -> Vec<String> {
    let orphan = format!("/{ORPHANS}/");
    let mut paths: Vec<String> = node.links().map(|link| link.path()).filter(|p| !p.starts_with(&orphan)).collect();
    if node.id() == map.catalog.root() {
        paths.push("/".to_owned());
    }
    if paths.is_empty() {
        paths.push(format!("record {}", node.number()));
    }
    paths.sort();
    paths.dedup();
    paths
}

fn ours(map: &VolumeMap) -> BTreeMap<Key, Facts> {
    let mut files = BTreeMap::new();
    for node in map.catalog.nodes().filter(|node| !node.is_deleted()) {
        for stream in node.streams() {
            let mut extents: Vec<(u64, u64)> = Vec::new();
            for run in stream.runs() {
                let extent = map.geometry.extent(run).expect("a run in the volume");
                let start = extent.start.0 - map.extent.start.0;
                match extents.last_mut() {
                    Some(last) if last.0 + last.1 == start => last.1 += extent.bytes,
                    _ => extents.push((start, extent.bytes)),
                }
            }
            let name = stream.name().map(str::to_owned);
            files.insert((paths(map, &node), attribute(&stream), name), (stream.size(), extents));
        }
    }
    files
}

/// Empty and nowhere: one side lists a file without content, the other does not.
fn says_something(facts: &Facts) -> bool {
    facts.0 > 0 || !facts.1.is_empty()
}

/// Fails with the first difference.
pub fn assert_same(name: &str, map: &VolumeMap, answers: &Value) {
    assert_eq!(map.kind.name().to_lowercase(), answers["kind"].as_str().unwrap(), "{name}");
    assert_eq!(map.geometry.cluster_bytes, number(&answers["cluster_bytes"]), "{name}");
    assert_eq!(map.geometry.cluster_count, number(&answers["cluster_count"]), "{name}");
    assert_eq!(map.sector_bytes, number(&answers["sector_bytes"]), "{name}");
    assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{name}");
    let allocated: Vec<(u64, u64)> = map.allocation.allocated.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(allocated, pairs(&answers["allocated"]), "{name}: allocated clusters");
    assert!(map.allocation.unknown.is_empty() && !map.catalog_incomplete, "{name}");
    let (found, expected) = (ours(map), reference(answers));
    for (key, facts) in expected.iter().filter(|(_, facts)| says_something(facts)) {
        let mine = found.get(key).unwrap_or_else(|| panic!("{name}: {key:?} is missing: {facts:?}"));
        assert_eq!(mine, facts, "{name}: {key:?}");
    }
    let more = found.iter().find(|(key, facts)| says_something(facts) && !expected.contains_key(*key));
    assert_eq!(more, None, "{name}: not in the reference");
    let folders = map.catalog.nodes().filter(|n| n.kind() == NodeKind::Folder && !n.is_deleted()).count();
    let listed = answers["files"].as_array().unwrap().iter();
    let listed = listed.filter(|f| f["kind"] == "folder" && f["deleted"] == false);
    let listed = listed.filter(|f| f["attribute"].is_null() && f["stream"].is_null()).count();
    assert_eq!(folders, listed, "{name}: folders");
}
