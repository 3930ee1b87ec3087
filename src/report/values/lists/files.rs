//! Every stream of every file as one value a line.

use crate::base::extent::Extent;
use crate::filesystem::{Link, Node, NodeKind, Stream, VolumeMap};
use crate::survey::allocation::{DriveMap, Leftovers, Remains};
use serde::Serialize;

/// One stream of a file, or the entries of a folder.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct FileLine {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Path from the volume's root, `/` before each name.
    pub path: String,
    /// Further paths, when the file has hard links.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub other_paths: Vec<String>,
    /// Name of a named stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// Which attribute it is, when it is neither content nor a folder's entries.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attribute: Option<&'static str>,
    /// Size in bytes.
    pub size: u64,
    /// Bytes that were ever written, when fewer than the size: the rest reads as zero.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub valid_size: Option<u64>,
    /// `file` or `folder`.
    pub kind: &'static str,
    /// Whether it was deleted.
    pub deleted: bool,
    /// Of a deleted file: what became of its clusters, all its streams together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remains: Option<Remains>,
    /// NTFS: its file record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record: Option<u32>,
    /// What else is special: `resident`, `compressed`, `sparse`, `encrypted`, `incomplete`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<&'static str>,
    /// Start byte on the drive and length in bytes of each extent, in file order; whole clusters, holes left out.
    pub extents: Vec<[u64; 2]>,
}

/// Hands over every line in a fixed order: volumes as they lie on the drive, files as their records or folders lie.
///
/// # Errors
/// Whatever `each` gives; nothing else can fail.
pub fn for_each_file<E>(
    drive: &DriveMap,
    areas: Option<&[usize]>,
    mut each: impl FnMut(&FileLine) -> Result<(), E>,
) -> Result<(), E> {
    for (index, volume) in drive.volumes().filter(|(index, _)| areas.is_none_or(|chosen| chosen.contains(index))) {
        let mut leftovers = None;
        for node in volume.catalog.nodes() {
            let remains = drive.areas[index]
                .two_maps()
                .filter(|_| node.is_deleted())
                .map(|maps| leftovers.get_or_insert_with(|| Leftovers::new(volume, &maps.owned)).of(&node));
            let mut paths = node.links().map(|link: Link<'_>| link.path());
            let first = if node.id() == volume.catalog.root() {
                node.path()
            } else {
                paths.next().unwrap_or_else(|| node.path())
            };
            let others: Vec<String> = if node.id() == volume.catalog.root() { Vec::new() } else { paths.collect() };
            let mut any = false;
            for stream in node.streams() {
                any = true;
                each(&FileLine { remains, ..line(volume, &node, Some(&stream), first.clone(), others.clone()) })?;
            }
            if !any {
                each(&FileLine { remains, ..line(volume, &node, None, first, others) })?;
            }
        }
    }
    Ok(())
}

fn line(
    volume: &VolumeMap,
    node: &Node<'_>,
    stream: Option<&Stream<'_>>,
    path: String,
    others: Vec<String>,
) -> FileLine {
    let flags = stream.map_or(Vec::new(), |s| {
        [
            (s.is_resident(), "resident"),
            (s.compression_unit() != 0, "compressed"),
            (s.is_sparse(), "sparse"),
            (s.is_encrypted(), "encrypted"),
            (s.is_incomplete(), "incomplete"),
        ]
        .into_iter()
        .filter_map(|(on, word)| on.then_some(word))
        .collect()
    });
    let is_folder = node.kind() == NodeKind::Folder;
    let places = |run| volume.geometry.extent(run).into_iter().flat_map(|place| volume.on_drive(place));
    let pair = |place: Extent| [place.start.0, place.bytes];
    FileLine {
        volume: volume.extent.start.0,
        path,
        other_paths: others,
        // NTFS calls a folder's own index "$I30"; that is a folder's entries, not a named stream.
        stream: stream
            .filter(|s| s.role().attribute_name().is_none())
            .and_then(|s| s.name())
            .filter(|_| !is_folder || stream.is_some_and(|s| s.role() == crate::filesystem::Role::Data))
            .map(str::to_owned),
        attribute: stream.and_then(|s| s.role().attribute_name()),
        size: stream.map_or(0, Stream::size),
        valid_size: stream.and_then(|s| (s.valid() < s.size()).then(|| s.valid())),
        kind: if is_folder { "folder" } else { "file" },
        deleted: node.is_deleted(),
        remains: None,
        record: (volume.kind == crate::filesystem::FsKind::Ntfs).then(|| node.number()),
        flags,
        extents: stream.map_or(Vec::new(), |s| s.runs().flat_map(places).map(pair).collect()),
    }
}
