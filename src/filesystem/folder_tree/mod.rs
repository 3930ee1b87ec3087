//! The tree of folders of FAT and exFAT, level by level from the root. Each level's clusters are read in ascending order, so
//! that a tree of 100,000 folders costs one sweep a level instead of a seek to and fro for each folder.
//!
//! The walk ends on every damaged volume: no cluster is read as a folder twice, chains are followed with the guards of
//! [`Chains`], and folders and entries are limited in size and number.

mod entry;
mod heap;

pub(super) use entry::{ContentPlace, FolderEntry, PassedOver};
pub(super) use heap::Heap;

use super::chain::{Chain, ChainEnd, Chains, FatEntry, Links};
use super::folder_content::{Content, Placed, read_levels};
use super::{
    AllocationMap, Catalog, CatalogBuilder, ClusterGeometry, ClusterRun, ClusterSet, NodeId, NodeKind, NodeSpec,
    Parent, Purpose, Role, StreamSpec,
};
use crate::base::extent::Extent;
use crate::base::finding::{Code, Finding, Findings};
use crate::base::units::{ByteOffset, Lcn};
use crate::source::{SourceLost, Window};

/// As many entries as a volume has clusters at most; hostile volumes must not ask for more memory. Only empty files could
/// be more.
const MOST_ENTRIES: usize = 1 << 28;

pub(super) const ROOT_NAME: &str = "the root folder";

/// How one file system writes its folders.
pub(super) trait FolderFormat: Sized {
    /// The table that gives chains.
    type Table: Links;

    /// The largest folder, in bytes.
    const FOLDER_BYTES: u64;

    /// Whether entries give the size of folders; otherwise a folder is as long as its chain.
    const SIZED_FOLDERS: bool;

    /// Whether the table is the allocation map as well: then clusters that no chain leads to are planned all the same,
    /// and the table alone shows what two files share.
    const TABLE_IS_MAP: bool;

    const CODES: TreeCodes;

    /// Gives the entries of a folder to [`FolderTree::add`] and notes what else it holds.
    fn list(tree: &mut FolderTree<'_, Self>, folder: &Folder, content: &Content, below: &mut Vec<Folder>);
}

/// What both file systems may notice.
pub(super) struct TreeCodes {
    pub chain_broken: &'static Code,
    pub chain_long: &'static Code,
    pub chain_loop: &'static Code,
    pub chain_short: &'static Code,
    pub cross_link: &'static Code,
    pub entry_implausible: &'static Code,
    pub first_cluster: &'static Code,
    pub folder_too_long: &'static Code,
    pub folder_twice: &'static Code,
    pub folder_unreadable: &'static Code,
    /// For contiguous content.
    pub run_outside: &'static Code,
    pub too_many_entries: &'static Code,
}

/// A folder that is listed and not yet read.
pub(super) struct Folder {
    pub node: NodeId,
    pub name: String,
    /// 0 for the root, as FAT's entries for ".." give it.
    pub own_cluster: u32,
    /// `None` for the root.
    pub parent_cluster: Option<u32>,
    pub extents: Vec<Extent>,
}

impl Folder {
    pub fn is_root(&self) -> bool {
        self.parent_cluster.is_none()
    }
}

impl Placed for Folder {
    fn extents(&self) -> &[Extent] {
        &self.extents
    }
}

/// What a finding is about, and where that stands.
#[derive(Clone, Copy)]
pub(super) struct Subject<'n> {
    pub name: &'n str,
    pub place: ByteOffset,
}

/// The clusters of a file or folder.
struct Placement {
    runs: Vec<ClusterRun>,
    /// Whether part of them is not known.
    incomplete: bool,
}

/// What the folders say.
pub(super) struct ListedTree {
    pub catalog: Catalog,
    /// Whether files may be missing from the catalog.
    pub incomplete: bool,
}

/// The tree while it is walked.
pub(super) struct FolderTree<'w, F: FolderFormat> {
    /// What the format itself remembers.
    pub format: F,
    pub heap: Heap<'w>,
    pub chains: Chains<'w, F::Table>,
    pub findings: &'w mut Findings,
    /// Whether files may be missing from the catalog.
    pub incomplete: bool,
    /// Clusters in use, by the allocation map.
    in_use: ClusterSet,
    build: CatalogBuilder,
    full: bool,
}

impl<'w, F: FolderFormat> FolderTree<'w, F> {
    pub fn new(
        format: F,
        window: &'w Window<'w>,
        geometry: ClusterGeometry,
        table: &'w F::Table,
        findings: &'w mut Findings,
    ) -> FolderTree<'w, F> {
        FolderTree {
            format,
            heap: Heap::new(window, geometry),
            chains: Chains::new(table),
            findings,
            incomplete: false,
            in_use: ClusterSet::new(),
            build: CatalogBuilder::with_capacity(0),
            full: false,
        }
    }

    /// Sets the map that decides what of deleted files is still free.
    pub fn set_allocation(&mut self, allocation: &AllocationMap) {
        self.in_use = allocation.allocated.union(&allocation.unknown);
    }

    /// Adds the root folder with the chain from `first` on.
    pub fn add_root(&mut self, first: u32) -> Folder {
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: NodeKind::Folder,
            purpose: Purpose::Structure,
            deleted: false,
        });
        let subject = Subject { name: ROOT_NAME, place: self.heap.window.absolute(0) };
        let chain = self.folder_chain(first, subject);
        let extents = self.take_folder(node, chain, None, subject);
        Folder { node, name: ROOT_NAME.to_owned(), own_cluster: 0, parent_cluster: None, extents }
    }

    /// Adds the root folder that lies at a fixed place of the volume.
    pub fn add_fixed_root(&mut self, region: Extent) -> Folder {
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: NodeKind::Folder,
            purpose: Purpose::Structure,
            deleted: false,
        });
        let window = self.heap.window;
        let place = window.absolute(region.start.0);
        let wanted = Extent::between(place.0, place.0.saturating_add(region.bytes));
        let inside = wanted.intersection(&window.extent());
        let beyond = wanted.bytes - inside.map_or(0, |e| e.bytes);
        self.incomplete |= self.note_beyond(beyond, Subject { name: ROOT_NAME, place });
        let extents = inside.into_iter().collect();
        Folder { node, name: ROOT_NAME.to_owned(), own_cluster: 0, parent_cluster: None, extents }
    }

    /// Adds a file of the file system itself.
    pub fn add_system_file(&mut self, root: NodeId, name: &str, bytes: u64, runs: &[ClusterRun], incomplete: bool) {
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: NodeKind::File,
            purpose: Purpose::Structure,
            deleted: false,
        });
        self.build.add_link(node, Parent::Folder(root), name);
        self.add_stream(node, StreamSpec { incomplete, ..StreamSpec::plain(Role::Data, None, bytes) }, runs);
    }

    /// Reads a level of folders and all below it.
    pub fn walk(&mut self, level: Vec<Folder>) -> Result<(), SourceLost> {
        let window = self.heap.window;
        read_levels(window, level, |folder, content, below| F::list(self, folder, content, below))
    }

    /// The catalog, and what the format remembers.
    pub fn finish(self, root: NodeId) -> (ListedTree, F) {
        (ListedTree { catalog: self.build.finish(root), incomplete: self.incomplete }, self.format)
    }

    /// Adds an entry of `folder` to the catalog, and to `below` if it is a folder to be read.
    ///
    /// Deleted folders are listed, but not read.
    pub fn add(&mut self, folder: &Folder, entry: FolderEntry, below: &mut Vec<Folder>) {
        if self.build.node_count() >= MOST_ENTRIES {
            if !std::mem::replace(&mut self.full, true) {
                self.incomplete = true;
                let sentence = format!("More than {MOST_ENTRIES} entries; the rest is left.");
                self.note(F::CODES.too_many_entries, entry.place, sentence);
            }
            return;
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
            self.add_deleted(node, &entry);
            return;
        }
        let subject = Subject { name: &entry.name, place: entry.place };
        if !entry.is_folder {
            self.add_file(node, &entry.content, subject);
        } else {
            let extents = self.add_folder(node, &entry.content, subject);
            if !extents.is_empty() {
                below.push(Folder {
                    node,
                    name: entry.name.clone(),
                    own_cluster: entry.content.first_cluster,
                    parent_cluster: Some(folder.own_cluster),
                    extents,
                });
            }
        }
        for more in &entry.more {
            let Placement { runs, incomplete } = self.placement(more, subject);
            let spec = StreamSpec { incomplete, ..StreamSpec::plain(Role::OtherAttribute, None, more.size) };
            self.add_stream(node, spec, &runs);
        }
    }

    fn add_file(&mut self, node: NodeId, content: &ContentPlace, subject: Subject<'_>) {
        let Placement { runs, incomplete } = self.placement(content, subject);
        // Clusters of this file may be known to the allocation map alone, or to nothing.
        self.incomplete |= incomplete && !F::TABLE_IS_MAP;
        let ContentPlace { size, valid, .. } = *content;
        let spec = StreamSpec { incomplete, valid: valid.min(size), ..StreamSpec::plain(Role::Data, None, size) };
        self.add_stream(node, spec, &runs);
    }

    /// Gives a folder its stream and returns what of it is to be read.
    fn add_folder(&mut self, node: NodeId, content: &ContentPlace, subject: Subject<'_>) -> Vec<Extent> {
        if F::SIZED_FOLDERS {
            let placement = self.placement(content, subject);
            self.take_folder(node, placement, Some(content.size), subject)
        } else {
            let chain = self.folder_chain(content.first_cluster, subject);
            self.take_folder(node, chain, None, subject)
        }
    }

    /// The clusters of a folder without a size.
    fn folder_chain(&mut self, first: u32, subject: Subject<'_>) -> Placement {
        let most = F::FOLDER_BYTES.div_ceil(self.heap.geometry.cluster_bytes);
        let chain = self.chains.follow(first, most);
        self.note_chain(&chain, first, subject);
        Placement { incomplete: chain.end != ChainEnd::Sound, runs: chain.runs }
    }

    /// Gives a folder its stream. What of it is to be read: no cluster twice, nothing beyond the window, no more than a
    /// folder may have.
    fn take_folder(
        &mut self,
        node: NodeId,
        placement: Placement,
        size: Option<u64>,
        subject: Subject<'_>,
    ) -> Vec<Extent> {
        let Placement { mut runs, incomplete: mut damaged } = placement;
        let (name, place) = (subject.name, subject.place);
        let reads = self.heap.take(&mut runs, size.unwrap_or(u64::MAX).min(F::FOLDER_BYTES));
        if let Some(again) = reads.twice {
            damaged = true;
            let sentence =
                format!("Folder {name:?} comes to cluster {again}, which was read as something else before.");
            self.note(F::CODES.folder_twice, place, sentence);
        }
        damaged |= self.note_beyond(reads.beyond, subject);
        let held: u64 = runs.iter().map(|run| run.count * self.heap.geometry.cluster_bytes).sum();
        let size = size.unwrap_or(held);
        if size > F::FOLDER_BYTES {
            damaged = true;
            let sentence = format!("Folder {name:?} has {size} bytes, more than the {} that may be.", F::FOLDER_BYTES);
            self.note(F::CODES.folder_too_long, place, sentence);
        }
        self.incomplete |= damaged;
        let spec = StreamSpec { incomplete: damaged, ..StreamSpec::plain(Role::FolderIndex, None, size) };
        self.add_stream(node, spec, &runs);
        reads.extents()
    }

    /// Notes how many bytes of a folder cannot be read because they lie beyond the volume's end; whether there are any.
    fn note_beyond(&mut self, bytes: u64, subject: Subject<'_>) -> bool {
        if bytes > 0 {
            let sentence = format!("{bytes} bytes of folder {:?} lie beyond the end of the volume.", subject.name);
            self.note(F::CODES.folder_unreadable, subject.place, sentence);
        }
        bytes > 0
    }

    /// Where existing content lies.
    fn placement(&mut self, content: &ContentPlace, subject: Subject<'_>) -> Placement {
        let ContentPlace { first_cluster: first, size, .. } = *content;
        if first == 0 && size == 0 {
            return Placement { runs: Vec::new(), incomplete: false };
        }
        let wanted = size.div_ceil(self.heap.geometry.cluster_bytes);
        if content.contiguous { self.run_from(first, wanted, subject) } else { self.chain_from(first, size, subject) }
    }

    fn run_from(&mut self, first: u32, wanted: u64, subject: Subject<'_>) -> Placement {
        let geometry = self.heap.geometry;
        let number = u64::from(first);
        if !(geometry.first_number..geometry.end_number()).contains(&number) {
            self.note_first_cluster(first, subject);
            return Placement { runs: Vec::new(), incomplete: true };
        }
        let room = geometry.end_number() - number;
        if wanted > room {
            let sentence =
                format!("{:?} needs {wanted} clusters from cluster {first} on, where there are {room}.", subject.name);
            self.note(F::CODES.run_outside, subject.place, sentence);
        }
        let count = wanted.min(room);
        let runs = if count > 0 { vec![ClusterRun::new(number, count)] } else { Vec::new() };
        Placement { runs, incomplete: wanted > room }
    }

    fn chain_from(&mut self, first: u32, size: u64, subject: Subject<'_>) -> Placement {
        let wanted = size.div_ceil(self.heap.geometry.cluster_bytes);
        let chain = self.chains.follow(first, wanted);
        self.note_chain(&chain, first, subject);
        let (has, name) = (chain.clusters, subject.name);
        if chain.end == ChainEnd::Sound && has < wanted {
            let sentence = format!("{name:?} has {has} clusters, its {size} bytes need {wanted}.");
            self.note(F::CODES.chain_short, subject.place, sentence);
        } else if chain.end == ChainEnd::Sound && has > wanted {
            let sentence = format!("{name:?} has {has} clusters, its {size} bytes need only {wanted}.");
            self.note(F::CODES.chain_long, subject.place, sentence);
        }
        // A chain that breaks off where the content has ended already lacks nothing of the file, nor does one that was
        // cut in another file's clusters for having enough.
        let harmless = match chain.end {
            ChainEnd::Sound | ChainEnd::CutInShared => true,
            ChainEnd::Broken { entry, .. } => entry == FatEntry::Unknown,
            ChainEnd::NoStart | ChainEnd::Loop { .. } => false,
        };
        Placement { runs: chain.runs, incomplete: !(harmless && has >= wanted) }
    }

    /// A deleted file in one run lies where it lay, as far as its clusters are still free. Of a chained one only the first
    /// cluster is known for certain, because its chain may be erased or overwritten; where the table is the map, its chain
    /// is erased always, and it is taken to lie in one run (both common practice, no source).
    fn add_deleted(&mut self, node: NodeId, entry: &FolderEntry) {
        let ContentPlace { first_cluster: first, size, valid, contiguous } = entry.content;
        let cluster_bytes = self.heap.geometry.cluster_bytes;
        let unsized_folder = entry.is_folder && !F::SIZED_FOLDERS;
        let wanted = if unsized_folder { 1 } else { size.div_ceil(cluster_bytes) };
        let known = if contiguous || F::TABLE_IS_MAP { wanted } else { wanted.min(1) };
        let free = self.free_from(first.into()).min(known);
        let (size, valid) = if unsized_folder { (free * cluster_bytes, u64::MAX) } else { (size, valid) };
        let role = if entry.is_folder { Role::FolderIndex } else { Role::Data };
        let spec =
            StreamSpec { valid: valid.min(size), incomplete: free < wanted, ..StreamSpec::plain(role, None, size) };
        let run = ClusterRun { first: Lcn(first.into()), count: free };
        self.add_stream(node, spec, &[run]);
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

    fn add_stream(&mut self, node: NodeId, spec: StreamSpec<'_>, runs: &[ClusterRun]) {
        let runs = runs.iter().filter(|run| run.count > 0);
        self.build.add_stream(node, &spec, runs.map(|run| (Some(run.first), run.count)));
    }

    /// Notes what of a folder was not read, and what in it cannot be an entry: files may be missing.
    pub fn note_passed(&mut self, folder: &Folder, content: &Content, passed: &PassedOver) {
        let (name, start) = (&folder.name, folder.start());
        self.incomplete |= passed.unreadable > 0 || passed.implausible > 0;
        if passed.unreadable > 0 {
            let place = content.unreadable.extents().first().map_or(start, |e| e.start);
            let sentence = format!("{} entries of folder {name:?} were not read.", passed.unreadable);
            self.note(F::CODES.folder_unreadable, place, sentence);
        }
        if passed.implausible > 0 {
            let sentence = format!("Folder {name:?} holds {} entries that are none.", passed.implausible);
            self.note(F::CODES.entry_implausible, passed.first_implausible.unwrap_or(start), sentence);
        }
    }

    /// Notes how a chain ended.
    pub fn note_chain(&mut self, chain: &Chain, first: u32, subject: Subject<'_>) {
        let (name, place) = (subject.name, subject.place);
        if let Some(shared) = chain.shared_from.filter(|_| F::TABLE_IS_MAP) {
            let sentence = format!("{name:?} comes to cluster {shared}, which another file or folder holds as well.");
            self.note(F::CODES.cross_link, place, sentence);
        }
        let clusters = chain.clusters;
        match chain.end {
            ChainEnd::Sound | ChainEnd::CutInShared => {}
            ChainEnd::NoStart => self.note_first_cluster(first, subject),
            ChainEnd::Loop { at } => {
                let sentence = format!("{name:?} leads to its own cluster {at} after {clusters} clusters.");
                self.note(F::CODES.chain_loop, place, sentence);
            }
            ChainEnd::Broken { at, entry } => {
                let why = match entry {
                    FatEntry::Free => "is marked free".to_owned(),
                    FatEntry::Bad => "is marked bad".to_owned(),
                    FatEntry::Invalid(value) => format!("is followed by {value:#x}, which is no cluster"),
                    FatEntry::Unknown | FatEntry::Next(_) | FatEntry::End => "has no readable entry".to_owned(),
                };
                let sentence = format!("{name:?} breaks off after {clusters} clusters: cluster {at} {why}.");
                self.note(F::CODES.chain_broken, place, sentence);
            }
        }
    }

    fn note_first_cluster(&mut self, first: u32, subject: Subject<'_>) {
        let sentence = format!("{:?} starts at cluster {first}, which the volume does not have.", subject.name);
        self.note(F::CODES.first_cluster, subject.place, sentence);
    }

    pub fn note(&mut self, code: &'static Code, place: ByteOffset, sentence: String) {
        self.findings.push(Finding::at(code, place, sentence));
    }
}
