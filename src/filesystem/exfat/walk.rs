//! The tree of folders, level by level from the root, each level's clusters in ascending order.

use super::bitmap::Bitmap;
use super::boot::sector::Boot;
use super::entry::{self, Allocation, EntrySet, Item, PassedOver, Special};
use super::findings::{
    BEHIND_END, CHAIN_BROKEN, CHAIN_LONG, CHAIN_LOOP, CHAIN_SHORT, ENTRY_IMPLAUSIBLE, FIRST_CLUSTER, FOLDER_TOO_LONG,
    FOLDER_TWICE, FOLDER_UNREADABLE, RUN_OUTSIDE, SET_CHECKSUM, STRAY_ENTRIES, TOO_MANY_ENTRIES, UP_CASE, VALID_LENGTH,
};
use super::heap::Heap;
use super::shared::note_shared;
use super::table::Table;
use super::up_case;
use crate::base::extent::Extent;
use crate::base::finding::{Code, Finding, Findings};
use crate::base::units::{ByteOffset, Lcn};
use crate::filesystem::chain::{Chain, ChainEnd, Chains, FatEntry};
use crate::filesystem::folder_content::{Content, Placed, read_batch, read_levels};
use crate::filesystem::{
    AllocationMap, Catalog, CatalogBuilder, ClusterRun, ClusterSet, NodeId, NodeKind, NodeSpec, Parent, Purpose, Role,
    StreamSpec,
};
use crate::source::SourceLost;

/// The largest folder (7.6.6, `DataLength`: 256 MiB, from memory).
const FOLDER_BYTES: u64 = 256 << 20;

/// As many entries as could be told apart on the largest drives; hostile volumes must not ask for more memory.
const MOST_ENTRIES: usize = 1 << 28;

const ROOT_NAME: &str = "the root folder";

/// What the folders say.
pub(super) struct Tree {
    pub catalog: Catalog,
    /// Whether files may be missing from the catalog.
    pub incomplete: bool,
    /// The label entry of the root folder.
    pub label: Option<String>,
}

/// A folder that is placed and not yet read.
struct Folder {
    node: NodeId,
    name: String,
    extents: Vec<Extent>,
}

impl Placed for Folder {
    fn extents(&self) -> &[Extent] {
        &self.extents
    }
}

/// The root folder, read before everything else: it says where the bitmap is.
pub(super) struct Root {
    runs: Vec<ClusterRun>,
    damaged: bool,
    content: Content,
    bitmaps: Vec<Special>,
    up_case: Option<Special>,
    label: Option<String>,
}

impl Root {
    /// Follows the root folder's chain and reads it.
    pub fn read(
        heap: &mut Heap<'_>,
        chains: &mut Chains<'_, Table>,
        boot: &Boot,
        findings: &mut Findings,
    ) -> Result<Root, SourceLost> {
        let place = heap.window.absolute(0);
        let chain = chains.follow(boot.root_cluster, FOLDER_BYTES.div_ceil(heap.geometry.cluster_bytes));
        note_chain(&chain, ROOT_NAME, boot.root_cluster, place, findings);
        let mut damaged = chain.end != ChainEnd::Sound;
        let mut runs = chain.runs;
        let extents = readable(heap, &mut runs, u64::MAX, ROOT_NAME, place, findings, &mut damaged);
        heap.window.reader().announce("root folder", extents.iter().map(|e| e.bytes).sum());
        let content = read_batch(heap.window, &[&extents])?.pop().expect("one folder gives one content");
        let mut root = Root { runs, damaged, content, bitmaps: Vec::new(), up_case: None, label: None };
        entry::scan(&root.content, |item| match item {
            // A volume has two at most; a flood of them is not kept.
            Item::Bitmap(special) if root.bitmaps.len() < 2 => root.bitmaps.push(special),
            Item::UpCase(special) => root.up_case = root.up_case.or(Some(special)),
            Item::Label(label) if root.label.is_none() => root.label = Some(label),
            _ => {}
        });
        Ok(root)
    }

    /// The bitmaps' entries.
    pub fn bitmaps(&self) -> Vec<Special> {
        self.bitmaps.clone()
    }
}

/// Walks the tree.
///
/// A deleted file in one piece lies where it lay, as far as its clusters are still free; of a chained one only the first
/// cluster is known, because its chain may be erased or overwritten (common practice, no source). Deleted folders are
/// listed in the same way, but not read.
pub(super) fn read(
    heap: Heap<'_>,
    chains: Chains<'_, Table>,
    root: Root,
    bitmaps: Vec<Bitmap>,
    allocation: &AllocationMap,
    findings: &mut Findings,
) -> Result<Tree, SourceLost> {
    let mut build = CatalogBuilder::with_capacity(0);
    let node =
        build.add_node(NodeSpec { number: 0, kind: NodeKind::Folder, purpose: Purpose::Structure, deleted: false });
    let mut walk = TreeWalk {
        heap,
        chains,
        in_use: allocation.allocated.union(&allocation.unknown),
        build,
        findings,
        // A root folder without the bitmap's entry is not whole: files' entries may be gone in the same way.
        incomplete: root.damaged || bitmaps.is_empty(),
        full: false,
    };
    let clusters: u64 = root.runs.iter().map(|run| run.count).sum();
    let bytes = clusters * walk.heap.geometry.cluster_bytes;
    let spec = StreamSpec { incomplete: root.damaged, ..StreamSpec::plain(Role::FolderIndex, None, bytes) };
    walk.build.add_stream(node, &spec, root.runs.iter().map(|run| (Some(run.first), run.count)));
    walk.specials(node, &bitmaps, root.up_case)?;
    let mut below = Vec::new();
    let itself = Folder { node, name: ROOT_NAME.to_owned(), extents: root.content.extents.clone() };
    walk.list(&itself, &root.content, &mut below);
    walk.levels(below)?;
    let TreeWalk { build, incomplete, heap, findings, .. } = walk;
    let catalog = build.finish(node);
    note_shared(&catalog, heap.geometry, findings);
    Ok(Tree { catalog, incomplete, label: root.label })
}

struct TreeWalk<'w> {
    heap: Heap<'w>,
    chains: Chains<'w, Table>,
    in_use: ClusterSet,
    build: CatalogBuilder,
    findings: &'w mut Findings,
    incomplete: bool,
    full: bool,
}

impl TreeWalk<'_> {
    /// The files of the file system itself.
    fn specials(&mut self, root: NodeId, bitmaps: &[Bitmap], up_case: Option<Special>) -> Result<(), SourceLost> {
        for bitmap in bitmaps {
            let name = if bitmap.special.second { "<allocation bitmap 2>" } else { "<allocation bitmap>" };
            self.special(root, name, &bitmap.special, &bitmap.chain.runs, bitmap.chain.end);
        }
        let Some(special) = up_case else {
            let sentence = "The root folder has no entry for the up-case table.".to_owned();
            self.note(&UP_CASE, self.heap.window.absolute(0), sentence);
            return Ok(());
        };
        let wanted = special.bytes.div_ceil(self.heap.geometry.cluster_bytes);
        let chain = self.chains.follow(special.first_cluster, wanted);
        note_chain(&chain, "the up-case table", special.first_cluster, special.place, self.findings);
        let mut runs = chain.runs;
        up_case::check(&special, &mut runs, &mut self.heap, self.findings)?;
        self.special(root, "<up-case table>", &special, &runs, chain.end);
        Ok(())
    }

    fn special(&mut self, root: NodeId, name: &str, special: &Special, runs: &[ClusterRun], end: ChainEnd) {
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: NodeKind::File,
            purpose: Purpose::Structure,
            deleted: false,
        });
        self.build.add_link(node, Parent::Folder(root), name);
        let has: u64 = runs.iter().map(|run| run.count).sum();
        let wanted = special.bytes.div_ceil(self.heap.geometry.cluster_bytes);
        let incomplete = has < wanted || !matches!(end, ChainEnd::Sound | ChainEnd::CutInShared);
        let spec = StreamSpec { incomplete, ..StreamSpec::plain(Role::Data, None, special.bytes) };
        self.build.add_stream(node, &spec, runs.iter().map(|run| (Some(run.first), run.count)));
    }

    fn levels(&mut self, level: Vec<Folder>) -> Result<(), SourceLost> {
        let window = self.heap.window;
        read_levels(window, level, |folder, content, below| self.list(folder, content, below))
    }

    /// Adds a folder's entries to the catalog, and its subfolders to `below`.
    fn list(&mut self, folder: &Folder, content: &Content, below: &mut Vec<Folder>) {
        let passed = entry::scan(content, |item| {
            // Entries of the volume itself count in the root folder alone, and were taken there.
            if let Item::Entry(entry) = item {
                self.entry(folder, entry, below);
            }
        });
        self.note_passed(folder, content, &passed);
    }

    fn note_passed(&mut self, folder: &Folder, content: &Content, passed: &PassedOver) {
        let (name, start) = (&folder.name, folder.start());
        if passed.unreadable > 0 {
            self.incomplete = true;
            let place = content.unreadable.extents().first().map_or(start, |e| e.start);
            let sentence = format!("{} entries of folder {name:?} were not read.", passed.unreadable);
            self.note(&FOLDER_UNREADABLE, place, sentence);
        }
        if passed.implausible > 0 {
            self.incomplete = true;
            let sentence = format!("Folder {name:?} holds {} entries that are none.", passed.implausible);
            self.note(&ENTRY_IMPLAUSIBLE, passed.first_implausible.unwrap_or(start), sentence);
        }
        if passed.strays > 0 {
            self.incomplete = true;
            let sentence = format!("Folder {name:?} holds {} parts of entries by themselves.", passed.strays);
            self.note(&STRAY_ENTRIES, passed.first_stray.unwrap_or(start), sentence);
        }
        if passed.behind_end > 0 {
            self.incomplete = true;
            let sentence = format!("Folder {name:?} holds {} files behind its end mark.", passed.behind_end);
            self.note(&BEHIND_END, passed.first_behind_end.unwrap_or(start), sentence);
        }
    }

    fn entry(&mut self, folder: &Folder, entry: EntrySet, below: &mut Vec<Folder>) {
        if self.build.node_count() >= MOST_ENTRIES {
            if !std::mem::replace(&mut self.full, true) {
                self.incomplete = true;
                let sentence = format!("More than {MOST_ENTRIES} entries; the rest is left.");
                self.note(&TOO_MANY_ENTRIES, entry.place, sentence);
            }
            return;
        }
        if !entry.sound {
            let sentence = format!("The entry of {:?} does not fit its checksum or lacks a part.", entry.name);
            self.note(&SET_CHECKSUM, entry.place, sentence);
        }
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: if entry.is_folder { NodeKind::Folder } else { NodeKind::File },
            purpose: Purpose::Client,
            deleted: entry.deleted,
        });
        self.build.set_modified(node, entry.modified);
        self.build.add_link(node, Parent::Folder(folder.node), &entry.name);
        if entry.deleted {
            self.deleted_stream(node, &entry);
            return;
        }
        if entry.is_folder {
            let extents = self.folder_stream(node, &entry);
            if !extents.is_empty() {
                below.push(Folder { node, name: entry.name.clone(), extents });
            }
        } else {
            self.file_stream(node, &entry);
        }
        for more in &entry.more {
            let (runs, incomplete) = self.place_of(more, &entry.name, entry.place);
            let spec = StreamSpec { incomplete, ..StreamSpec::plain(Role::OtherAttribute, None, more.size) };
            self.build.add_stream(node, &spec, runs.iter().map(|run| (Some(run.first), run.count)));
        }
    }

    fn file_stream(&mut self, node: NodeId, entry: &EntrySet) {
        let Allocation { size, valid, .. } = entry.content;
        if valid > size {
            let sentence = format!("File {:?} is said to have {valid} written bytes of {size}.", entry.name);
            self.note(&VALID_LENGTH, entry.place, sentence);
        }
        let (runs, incomplete) = self.place_of(&entry.content, &entry.name, entry.place);
        // Clusters of this file may be known to the bitmap alone, or to nothing.
        self.incomplete |= incomplete;
        let spec = StreamSpec { incomplete, valid: valid.min(size), ..StreamSpec::plain(Role::Data, None, size) };
        self.build.add_stream(node, &spec, runs.iter().map(|run| (Some(run.first), run.count)));
    }

    /// Gives a folder its stream and returns what of it is to be read.
    fn folder_stream(&mut self, node: NodeId, entry: &EntrySet) -> Vec<Extent> {
        let size = entry.content.size;
        let (mut runs, mut damaged) = self.place_of(&entry.content, &entry.name, entry.place);
        if size > FOLDER_BYTES {
            damaged = true;
            let sentence =
                format!("Folder {:?} has {size} bytes, more than the {FOLDER_BYTES} that may be.", entry.name);
            self.note(&FOLDER_TOO_LONG, entry.place, sentence);
        }
        let heap = &mut self.heap;
        let extents = readable(heap, &mut runs, size, &entry.name, entry.place, self.findings, &mut damaged);
        self.incomplete |= damaged;
        let spec = StreamSpec { incomplete: damaged, ..StreamSpec::plain(Role::FolderIndex, None, size) };
        self.build.add_stream(node, &spec, runs.iter().map(|run| (Some(run.first), run.count)));
        extents
    }

    /// Where a live file's content lies, and whether part of it is missing.
    fn place_of(&mut self, content: &Allocation, name: &str, place: ByteOffset) -> (Vec<ClusterRun>, bool) {
        let Allocation { first_cluster: first, size, .. } = *content;
        if first == 0 && size == 0 {
            return (Vec::new(), false);
        }
        let wanted = size.div_ceil(self.heap.geometry.cluster_bytes);
        if !content.contiguous {
            return self.chain_of(first, wanted, size, name, place);
        }
        let number = u64::from(first);
        let geometry = self.heap.geometry;
        if !(geometry.first_number..geometry.end_number()).contains(&number) {
            let sentence = format!("{name:?} starts at cluster {first}, which the volume does not have.");
            self.note(&FIRST_CLUSTER, place, sentence);
            return (Vec::new(), true);
        }
        let room = geometry.end_number() - number;
        if wanted > room {
            let sentence = format!("{name:?} needs {wanted} clusters from cluster {first} on, where there are {room}.");
            self.note(&RUN_OUTSIDE, place, sentence);
        }
        let count = wanted.min(room);
        let runs = if count > 0 { vec![ClusterRun::new(number, count)] } else { Vec::new() };
        (runs, wanted > room)
    }

    fn chain_of(
        &mut self,
        first: u32,
        wanted: u64,
        size: u64,
        name: &str,
        place: ByteOffset,
    ) -> (Vec<ClusterRun>, bool) {
        let chain = self.chains.follow(first, wanted);
        note_chain(&chain, name, first, place, self.findings);
        let has = chain.clusters;
        if chain.end == ChainEnd::Sound && has < wanted {
            let sentence = format!("{name:?} has {has} clusters, its {size} bytes need {wanted}.");
            self.note(&CHAIN_SHORT, place, sentence);
        } else if chain.end == ChainEnd::Sound && has > wanted {
            let sentence = format!("{name:?} has {has} clusters, its {size} bytes need only {wanted}.");
            self.note(&CHAIN_LONG, place, sentence);
        }
        // A chain that breaks off where the content has ended already lacks nothing of the file, nor does one that was
        // cut in another file's clusters for having enough.
        let harmless = match chain.end {
            ChainEnd::Sound | ChainEnd::CutInShared => true,
            ChainEnd::Broken { entry, .. } => entry == FatEntry::Unknown,
            ChainEnd::NoStart | ChainEnd::Loop { .. } => false,
        };
        (chain.runs, !(harmless && has >= wanted))
    }

    fn deleted_stream(&mut self, node: NodeId, entry: &EntrySet) {
        let Allocation { first_cluster, size, valid, contiguous } = entry.content;
        let cluster_bytes = self.heap.geometry.cluster_bytes;
        let wanted = size.div_ceil(cluster_bytes);
        let known = if contiguous { wanted } else { wanted.min(1) };
        let free = self.free_from(first_cluster.into()).min(known);
        let role = if entry.is_folder { Role::FolderIndex } else { Role::Data };
        let spec =
            StreamSpec { valid: valid.min(size), incomplete: free < wanted, ..StreamSpec::plain(role, None, size) };
        self.build.add_stream(node, &spec, (free > 0).then_some((Some(Lcn(first_cluster.into())), free)));
    }

    /// How many clusters from `first` on are free, up to the volume's end.
    fn free_from(&self, first: u64) -> u64 {
        let geometry = self.heap.geometry;
        if !(geometry.first_number..geometry.end_number()).contains(&first) {
            return 0;
        }
        let runs = self.in_use.runs();
        let next = runs.partition_point(|run| run.end() <= first);
        let end = runs.get(next).map_or(geometry.end_number(), |run| run.first.0);
        end.saturating_sub(first)
    }

    fn note(&mut self, code: &'static Code, place: ByteOffset, sentence: String) {
        self.findings.push(Finding::at(code, place, sentence));
    }
}

/// What of a folder is to be read: no cluster twice, nothing beyond the window, no more than a folder may have.
fn readable(
    heap: &mut Heap<'_>,
    runs: &mut Vec<ClusterRun>,
    bytes: u64,
    name: &str,
    place: ByteOffset,
    findings: &mut Findings,
    damaged: &mut bool,
) -> Vec<Extent> {
    let held: u64 = runs.iter().map(|run| run.count * heap.geometry.cluster_bytes).sum();
    if held > FOLDER_BYTES && bytes > FOLDER_BYTES {
        *damaged = true;
    }
    let reads = heap.take(runs, bytes.min(FOLDER_BYTES));
    if let Some(again) = reads.twice {
        *damaged = true;
        let sentence = format!("Folder {name:?} comes to cluster {again}, which was read as something else before.");
        findings.push(Finding::at(&FOLDER_TWICE, place, sentence));
    }
    if reads.beyond > 0 {
        *damaged = true;
        let sentence = format!("{} bytes of folder {name:?} lie beyond the end of the volume.", reads.beyond);
        findings.push(Finding::at(&FOLDER_UNREADABLE, place, sentence));
    }
    reads.extents()
}

/// Findings on how a chain ended. What it shares with others is found when all are known.
pub(super) fn note_chain(chain: &Chain, name: &str, first: u32, place: ByteOffset, findings: &mut Findings) {
    let clusters = chain.clusters;
    let (code, sentence) = match chain.end {
        ChainEnd::Sound | ChainEnd::CutInShared => return,
        ChainEnd::NoStart => {
            (&FIRST_CLUSTER, format!("{name:?} starts at cluster {first}, which the volume does not have."))
        }
        ChainEnd::Loop { at } => {
            (&CHAIN_LOOP, format!("{name:?} leads to its own cluster {at} after {clusters} clusters."))
        }
        ChainEnd::Broken { at, entry } => {
            let why = match entry {
                FatEntry::Free => "is followed by none".to_owned(),
                FatEntry::Bad => "is marked bad".to_owned(),
                FatEntry::Invalid(value) => format!("is followed by {value:#x}, which is no cluster"),
                FatEntry::Unknown | FatEntry::Next(_) | FatEntry::End => "has no readable entry".to_owned(),
            };
            (&CHAIN_BROKEN, format!("{name:?} breaks off after {clusters} clusters: cluster {at} {why}."))
        }
    };
    findings.push(Finding::at(code, place, sentence));
}
