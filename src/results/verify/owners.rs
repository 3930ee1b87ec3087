//! Whose bytes lie in a range: for naming the files that a changed or lost range belongs to.

use crate::base::extent::{Extent, ExtentSet};
use crate::filesystem::ntfs::RecordPlaces;
use crate::filesystem::{Node, NodeId, Purpose, Role, Stream, VolumeMap};
use crate::survey::allocation::{Choices, Class, DriveMap, classify};
use serde::Serialize;
use std::collections::BTreeMap;

/// What a range is to its owner.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OwnerKind {
    /// Content of a file.
    Content,
    /// Behind the end of a file's content in its last cluster, or never written: no byte of the file.
    Slack,
    /// A file's record: names, times, places, and the content of a small file.
    Record,
    /// What the file system keeps for a file or for itself: a folder's entries, the bitmap.
    Metadata,
    /// No file's. The class says what it is: tables, structure, unclaimed, free, outside.
    Nobody,
}

/// Whose a range is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Holder {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Path of the file or folder.
    pub path: String,
    /// Name of the stream, or of the attribute in NTFS terms.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// Whether it was deleted; its clusters may have been overwritten since.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub deleted: bool,
    /// The bytes of the file: first and number. For compressed content those of the whole units concerned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bytes: Option<[u64; 2]>,
}

/// A range and one owner of it. A range that two files claim is there twice.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Owner {
    /// Where on the drive.
    pub place: Extent,
    /// What the range is.
    pub kind: OwnerKind,
    /// Whose it is; `None` where no file owns it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holder: Option<Holder>,
    /// Where no file owns it, what it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<Class>,
}

/// The owners of some ranges.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Owners {
    /// The owners, ascending by range.
    pub listed: Vec<Owner>,
    /// How many more there are than were to be listed.
    pub more: u64,
}

impl Owners {
    fn add(&mut self, most: usize, owner: impl FnOnce() -> Owner) {
        if self.listed.len() < most {
            self.listed.push(owner());
        } else {
            self.more += 1;
        }
    }
}

/// Names the owners of `places`, at most `most` of them.
pub fn owners(drive: &DriveMap, places: &ExtentSet, most: usize) -> Owners {
    let mut found = Owners::default();
    let mut owned = ExtentSet::new();
    for (_, volume) in drive.volumes().filter(|(_, volume)| places.bytes_within(volume.extent) > 0) {
        let mut search = Search { volume, places, most, found: &mut found, owned: Vec::new(), in_table: Vec::new() };
        search.run();
        owned = owned.extents().iter().copied().chain(search.owned).collect();
    }
    let nobodys: ExtentSet = places.extents().iter().flat_map(|place| owned.missing_from(*place)).collect();
    if !nobodys.is_empty() {
        for run in classify(drive, &Choices::default()).runs() {
            for place in nobodys.intersection(run.extent) {
                let class = Some(run.class);
                found.add(most, || Owner { place, kind: OwnerKind::Nobody, holder: None, class });
            }
        }
    }
    found.listed.sort_by_key(|owner| (owner.place, owner.kind));
    found
}

struct Search<'s> {
    volume: &'s VolumeMap,
    places: &'s ExtentSet,
    most: usize,
    found: &'s mut Owners,
    owned: Vec<Extent>,
    /// Those ranges that lie in $MFT, as they are read.
    in_table: Vec<Extent>,
}

impl Search<'_> {
    fn run(&mut self) {
        for node in self.volume.catalog.nodes() {
            // The stream of known bad clusters spans the volume and owns none of its content.
            if node.purpose() != Purpose::BadClusters {
                for stream in node.streams() {
                    self.stream(&node, &stream);
                }
            }
        }
        if !self.in_table.is_empty() {
            self.records();
        }
    }

    fn stream(&mut self, node: &Node<'_>, stream: &Stream<'_>) {
        let cluster = self.volume.geometry.cluster_bytes;
        let is_table = node.number() == 0
            && !node.is_deleted()
            && self.volume.record_bytes.is_some()
            && stream.role() == Role::Data
            && stream.name().is_none();
        let mut at = 0u64;
        for (first, count) in stream.layout() {
            let in_file = Extent::between(at, at.saturating_add(count.saturating_mul(cluster)));
            at = in_file.end();
            let run = first.map(|first| crate::filesystem::ClusterRun { first, count });
            let Some(on_drive) = run.and_then(|run| self.volume.geometry.extent(run)) else { continue };
            for part in self.volume.parts(on_drive) {
                let Some(stored) = part.on_drive() else { continue };
                for place in self.places.intersection(stored) {
                    self.owned.push(place);
                    let plain = part.plain.start.0 + (place.start.0 - stored.start.0);
                    if is_table {
                        self.in_table.push(Extent::between(plain, plain + place.bytes));
                    } else {
                        let from = in_file.start.0 + (plain - on_drive.start.0);
                        self.piece(node, stream, place, Extent::between(from, from + place.bytes));
                    }
                }
            }
        }
    }

    /// A range of a stream. Where the content ends inside it, what is behind is told apart.
    fn piece(&mut self, node: &Node<'_>, stream: &Stream<'_>, place: Extent, in_file: Extent) {
        let content = stream.size().min(stream.valid());
        let unit = u64::from(stream.compression_unit()).saturating_mul(self.volume.geometry.cluster_bytes);
        if unit > 0 {
            // One byte spoils its unit, whose stored bytes are not those of the file.
            let end = in_file.end().div_ceil(unit).saturating_mul(unit).min(content);
            return self.add(node, stream, place, Extent::between(in_file.start.0 / unit * unit, end));
        }
        let inside = in_file.intersection(&Extent::between(0, content)).map_or(0, |part| part.bytes);
        let (head, tail) = (Extent { bytes: inside, ..place }, Extent::between(place.start.0 + inside, place.end()));
        if !head.is_empty() {
            self.add(node, stream, head, Extent { bytes: inside, ..in_file });
        }
        if !tail.is_empty() {
            self.add(node, stream, tail, Extent::between(content, content));
        }
    }

    fn add(&mut self, node: &Node<'_>, stream: &Stream<'_>, place: Extent, content: Extent) {
        let kind = match (node.purpose(), stream.role()) {
            _ if content.is_empty() => OwnerKind::Slack,
            (Purpose::Client, Role::Data) => OwnerKind::Content,
            _ => OwnerKind::Metadata,
        };
        let volume = self.volume.extent.start.0;
        self.found.add(self.most, || {
            let name = stream.name().or_else(|| stream.role().attribute_name());
            let holder = Holder {
                volume,
                path: node.path(),
                stream: name.map(str::to_owned),
                deleted: node.is_deleted(),
                bytes: (!content.is_empty()).then_some([content.start.0, content.bytes]),
            };
            Owner { place, kind, holder: Some(holder), class: None }
        });
    }

    /// The files whose records lie in the ranges of $MFT.
    fn records(&mut self) {
        let (Some(places), volume) = (RecordPlaces::of(self.volume), self.volume.extent.start.0) else { return };
        let catalog = &self.volume.catalog;
        let numbers = self.in_table.iter().flat_map(|place| places.records_in(*place));
        let mut nodes: BTreeMap<u32, Option<NodeId>> = numbers.map(|number| (number, None)).collect();
        for node in catalog.nodes() {
            if let Some(slot) = nodes.get_mut(&node.number()) {
                *slot = Some(node.id());
            }
        }
        for place in std::mem::take(&mut self.in_table) {
            for number in places.records_in(place) {
                let parts = places.place(number).unwrap_or_default();
                let Some(part) = parts.iter().find_map(|part| part.intersection(&place)) else { continue };
                let Some(part) = self.volume.on_drive(part).next() else { continue };
                let node = nodes.get(&number).copied().flatten().map(|id| catalog.node(id));
                self.found.add(self.most, || {
                    // A record without a node is an extension record, or was never used.
                    let path = node.map_or_else(|| format!("file record {number}"), |node| node.path());
                    let deleted = node.is_some_and(|node| node.is_deleted());
                    let holder = Holder { volume, path, stream: None, deleted, bytes: None };
                    Owner { place: part, kind: OwnerKind::Record, holder: Some(holder), class: None }
                });
            }
        }
    }
}
