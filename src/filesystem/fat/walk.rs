//! The tree of folders, level by level from the root. Each level's clusters are read in ascending order, so that a
//! tree of 100,000 folders costs one sweep a level instead of a seek to and fro for each folder.

use super::boot::sector::Boot;
use super::chain::{Chain, ChainEnd, Chains, ClusterBits};
use super::findings::{
    BEHIND_END, CHAIN_BROKEN, CHAIN_LONG, CHAIN_LOOP, CHAIN_SHORT, CROSS_LINK, DOT_ENTRIES, ENTRY_IMPLAUSIBLE,
    FIRST_CLUSTER, FOLDER_TOO_LONG, FOLDER_TWICE, FOLDER_UNREADABLE, LONG_NAME_ORPHANS, TOO_MANY_ENTRIES,
};
use super::folder::directory::{self, DirectoryEntry, ENTRY_BYTES, Item};
use super::table::{FatEntry, Table};
use crate::base::extent::Extent;
use crate::base::finding::{Code, Finding, Findings};
use crate::base::units::{ByteOffset, Lcn};
use crate::filesystem::folder_content::{Content, Placed, read_levels};
use crate::filesystem::{
    AllocationMap, Catalog, CatalogBuilder, ClusterGeometry, ClusterRun, ClusterSet, NodeId, NodeKind, NodeSpec,
    Parent, Purpose, Role, StreamSpec,
};
use crate::source::{SourceLost, Window};

/// Folders hold at most 65,536 entries (Linux fs/fat, FAT_MAX_DIR_ENTRIES, from memory); a chain that goes on longer
/// has run into a file's.
const FOLDER_BYTES: u64 = 65_536 * ENTRY_BYTES;

/// As many entries as a volume has clusters at most. Only empty files could be more.
const MOST_ENTRIES: usize = 1 << 28;

/// What the folders say.
pub(super) struct Tree {
    pub catalog: Catalog,
    /// Whether files may be missing from the catalog.
    pub incomplete: bool,
    /// The label entry of the root folder.
    pub label: Option<String>,
}

/// A folder that is listed and not yet read.
struct Folder {
    node: NodeId,
    name: String,
    /// 0 for the root, as entries for ".." give it.
    own_cluster: u32,
    parent_cluster: u32,
    is_root: bool,
    extents: Vec<Extent>,
}

impl Placed for Folder {
    fn extents(&self) -> &[Extent] {
        &self.extents
    }
}

/// Walks the tree.
///
/// A deleted file's clusters are guessed, because its chain is erased: from its first cluster on, as many as its size
/// asks for, as long as they are free (common practice, no source). Deleted folders are listed with their first
/// cluster, if it is free, but not read.
pub(super) fn read(
    window: &Window<'_>,
    boot: &Boot,
    geometry: ClusterGeometry,
    table: &Table,
    allocation: &AllocationMap,
    findings: &mut Findings,
) -> Result<Tree, SourceLost> {
    let mut walk = TreeWalk {
        window,
        geometry,
        wide: boot.fat32.is_some(),
        chains: Chains::new(table),
        folder_clusters: ClusterBits::new(table.entries),
        in_use: allocation.allocated.union(&allocation.unknown),
        build: CatalogBuilder::with_capacity(0),
        findings,
        incomplete: false,
        label: None,
        long_name_orphans: 0,
        first_orphans_in: None,
        full: false,
    };
    let root = walk.root(boot);
    let node = root.node;
    walk.levels(root)?;
    walk.note_long_name_orphans();
    let TreeWalk { build, incomplete, label, .. } = walk;
    Ok(Tree { catalog: build.finish(node), incomplete, label })
}

struct TreeWalk<'w> {
    window: &'w Window<'w>,
    geometry: ClusterGeometry,
    wide: bool,
    chains: Chains<'w>,
    /// Clusters that were read as a folder's: none is read twice.
    folder_clusters: ClusterBits,
    in_use: ClusterSet,
    build: CatalogBuilder,
    findings: &'w mut Findings,
    incomplete: bool,
    label: Option<String>,
    long_name_orphans: u64,
    first_orphans_in: Option<ByteOffset>,
    full: bool,
}

impl TreeWalk<'_> {
    fn root(&mut self, boot: &Boot) -> Folder {
        let node = self.build.add_node(NodeSpec {
            number: 0,
            kind: NodeKind::Folder,
            purpose: Purpose::Structure,
            deleted: false,
        });
        let extents = match boot.fat32 {
            Some(fields) => {
                let place = self.window.absolute(0);
                self.folder_chain(node, "the root folder", fields.root_cluster, place)
            }
            None => {
                let region = Extent::between(boot.root_start(), boot.heap_start());
                self.readable_part(vec![self.on_drive(region)], "the root folder", self.window.absolute(region.start.0))
            }
        };
        Folder { node, name: "the root folder".into(), own_cluster: 0, parent_cluster: 0, is_root: true, extents }
    }

    fn on_drive(&self, region: Extent) -> Extent {
        let start = self.window.absolute(region.start.0).0;
        Extent::between(start, start.saturating_add(region.bytes))
    }

    fn levels(&mut self, root: Folder) -> Result<(), SourceLost> {
        let window = self.window;
        read_levels(window, vec![root], |folder, content, below| self.list(folder, content, below))
    }

    /// Adds a folder's entries to the catalog, and its subfolders to `below`.
    fn list(&mut self, folder: &Folder, content: &Content, below: &mut Vec<Folder>) {
        let (mut itself, mut above) = (None, None);
        let passed = directory::scan(content, self.wide, |item| match item {
            Item::Entry(entry) => self.entry(folder, entry, below),
            Item::Label(label) if folder.is_root && self.label.is_none() => self.label = Some(label),
            Item::Label(_) => {}
            Item::Itself(cluster) => itself = Some(cluster),
            Item::Above(cluster) => above = Some(cluster),
        });
        if !folder.is_root && !content.bytes.is_empty() && passed.unreadable == 0 {
            self.check_dots(folder, itself, above);
        }
        let name = &folder.name;
        let start = folder.start();
        if passed.unreadable > 0 {
            self.incomplete = true;
            let place = content.unreadable.extents().first().map_or(start, |e| e.start);
            let lost = passed.unreadable;
            self.note(&FOLDER_UNREADABLE, place, format!("{lost} entries of folder {name:?} were not read."));
        }
        if passed.implausible > 0 {
            self.incomplete = true;
            let sentence = format!("Folder {name:?} holds {} entries that are none.", passed.implausible);
            self.note(&ENTRY_IMPLAUSIBLE, passed.first_implausible.unwrap_or(start), sentence);
        }
        if passed.behind_end > 0 {
            let sentence = format!("Folder {name:?} holds {} entries behind its end mark.", passed.behind_end);
            self.note(&BEHIND_END, passed.first_behind_end.unwrap_or(start), sentence);
        }
        if passed.long_name_parts > 0 {
            self.long_name_orphans += passed.long_name_parts;
            self.first_orphans_in.get_or_insert(start);
        }
    }

    fn check_dots(&mut self, folder: &Folder, itself: Option<u32>, above: Option<u32>) {
        if itself == Some(folder.own_cluster) && above == Some(folder.parent_cluster) {
            return;
        }
        let told = |cluster: Option<u32>| cluster.map_or("nothing".to_owned(), |n| format!("cluster {n}"));
        let sentence = format!(
            "Folder {:?} gives {} as itself and {} as its parent, where cluster {} and cluster {} (0 for the root) \
             would be right.",
            folder.name,
            told(itself),
            told(above),
            folder.own_cluster,
            folder.parent_cluster
        );
        self.note(&DOT_ENTRIES, folder.start(), sentence);
    }

    fn note_long_name_orphans(&mut self) {
        if let Some(place) = self.first_orphans_in {
            let sentence = format!("{} parts of long names belong to no file.", self.long_name_orphans);
            self.note(&LONG_NAME_ORPHANS, place, sentence);
        }
    }

    fn entry(&mut self, folder: &Folder, entry: DirectoryEntry, below: &mut Vec<Folder>) {
        if self.build.node_count() >= MOST_ENTRIES {
            if !std::mem::replace(&mut self.full, true) {
                self.incomplete = true;
                self.note(
                    &TOO_MANY_ENTRIES,
                    entry.place,
                    format!("More than {MOST_ENTRIES} entries; the rest is left."),
                );
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
            self.deleted_stream(node, &entry);
        } else if entry.is_folder {
            let extents = self.folder_chain(node, &entry.name, entry.first_cluster, entry.place);
            if !extents.is_empty() {
                below.push(Folder {
                    node,
                    name: entry.name,
                    own_cluster: entry.first_cluster,
                    parent_cluster: folder.own_cluster,
                    is_root: false,
                    extents,
                });
            }
        } else {
            self.file_stream(node, &entry);
        }
    }

    fn file_stream(&mut self, node: NodeId, entry: &DirectoryEntry) {
        let size = u64::from(entry.size);
        let wanted = size.div_ceil(self.geometry.cluster_bytes);
        let mut spec = StreamSpec::plain(Role::Data, None, size);
        if entry.first_cluster == 0 && size == 0 {
            self.build.add_stream(node, &spec, []);
            return;
        }
        let chain = self.chains.follow(entry.first_cluster, wanted);
        self.note_chain(&chain, &entry.name, entry.first_cluster, entry.place);
        let (has, name) = (chain.clusters, &entry.name);
        if chain.end == ChainEnd::Sound && has < wanted {
            let sentence = format!("File {name:?} has {has} clusters, its {size} bytes need {wanted}.");
            self.note(&CHAIN_SHORT, entry.place, sentence);
        } else if chain.end == ChainEnd::Sound && has > wanted {
            let sentence = format!("File {name:?} has {has} clusters, its {size} bytes need only {wanted}.");
            self.note(&CHAIN_LONG, entry.place, sentence);
        }
        // What another file's chain gave was cut when there was enough of it; otherwise it is damaged.
        let enough = chain.end == ChainEnd::CutInShared && has >= wanted;
        spec.incomplete = !(chain.end == ChainEnd::Sound && has >= wanted || enough);
        self.build.add_stream(node, &spec, chain.runs.iter().map(|run| (Some(run.first), run.count)));
    }

    /// Follows a folder's chain, gives the folder its stream, and returns what of it is to be read.
    fn folder_chain(&mut self, node: NodeId, name: &str, first: u32, place: ByteOffset) -> Vec<Extent> {
        let most = FOLDER_BYTES.div_ceil(self.geometry.cluster_bytes);
        let mut chain = self.chains.follow(first, most);
        self.note_chain(&chain, name, first, place);
        let mut damaged = chain.end != ChainEnd::Sound;
        if let Some((run, at)) = self.folder_clusters.set_until_taken(&chain.runs, most) {
            let again = chain.runs[run].first.0 + at;
            let sentence = format!("Folder {name:?} comes to cluster {again}, which belongs to a folder read before.");
            self.note(&FOLDER_TWICE, place, sentence);
            chain.runs.truncate(run + 1);
            chain.runs[run].count = at;
            damaged = true;
        }
        let clusters: u64 = chain.runs.iter().map(|run| run.count).sum();
        let spec = StreamSpec {
            incomplete: damaged,
            ..StreamSpec::plain(Role::FolderIndex, None, clusters * self.geometry.cluster_bytes)
        };
        let runs = chain.runs.iter().filter(|run| run.count > 0);
        self.build.add_stream(node, &spec, runs.clone().map(|run| (Some(run.first), run.count)));
        self.incomplete |= damaged;
        if clusters > most {
            self.incomplete = true;
            let sentence = format!("Folder {name:?} has {clusters} clusters, more than the {most} that may be.");
            self.note(&FOLDER_TOO_LONG, place, sentence);
        }
        let mut left = most;
        let mut extents = Vec::new();
        for run in runs {
            let run = ClusterRun { count: run.count.min(left), ..*run };
            left -= run.count;
            extents.extend(self.geometry.extent(run).filter(|e| !e.is_empty()));
        }
        self.readable_part(extents, name, place)
    }

    /// What of a folder lies in the window; the rest is noted.
    fn readable_part(&mut self, extents: Vec<Extent>, name: &str, place: ByteOffset) -> Vec<Extent> {
        let window = self.window.extent();
        let inside: Vec<Extent> = extents.iter().filter_map(|e| e.intersection(&window)).collect();
        let bytes = |list: &[Extent]| list.iter().map(|e| e.bytes).sum::<u64>();
        let beyond = bytes(&extents) - bytes(&inside);
        if beyond > 0 {
            self.incomplete = true;
            let sentence = format!("{beyond} bytes of folder {name:?} lie beyond the end of the volume.");
            self.note(&FOLDER_UNREADABLE, place, sentence);
        }
        inside
    }

    fn deleted_stream(&mut self, node: NodeId, entry: &DirectoryEntry) {
        let size = u64::from(entry.size);
        let (role, wanted) = if entry.is_folder {
            (Role::FolderIndex, 1)
        } else {
            (Role::Data, size.div_ceil(self.geometry.cluster_bytes))
        };
        let first = u64::from(entry.first_cluster);
        let valid = first >= self.geometry.first_number && first < self.geometry.end_number();
        let free = if valid { self.free_from(first).min(wanted) } else { 0 };
        let size = if entry.is_folder { free * self.geometry.cluster_bytes } else { size };
        let spec = StreamSpec { incomplete: free < wanted, ..StreamSpec::plain(role, None, size) };
        self.build.add_stream(node, &spec, (free > 0).then_some((Some(Lcn(first)), free)));
    }

    /// How many clusters from `first` on are free, up to the volume's end.
    fn free_from(&self, first: u64) -> u64 {
        let runs = self.in_use.runs();
        let next = runs.partition_point(|run| run.end() <= first);
        let end = runs.get(next).map_or(self.geometry.end_number(), |run| run.first.0);
        end.saturating_sub(first)
    }

    fn note_chain(&mut self, chain: &Chain, name: &str, first: u32, place: ByteOffset) {
        let clusters = chain.clusters;
        if let Some(shared) = chain.shared_from {
            let sentence = format!("{name:?} comes to cluster {shared}, which another file or folder holds as well.");
            self.note(&CROSS_LINK, place, sentence);
        }
        match chain.end {
            ChainEnd::Sound | ChainEnd::CutInShared => {}
            ChainEnd::NoStart => {
                let sentence = format!("{name:?} starts at cluster {first}, which the volume does not have.");
                self.note(&FIRST_CLUSTER, place, sentence);
            }
            ChainEnd::Loop { at } => {
                let sentence = format!("{name:?} leads to its own cluster {at} after {clusters} clusters.");
                self.note(&CHAIN_LOOP, place, sentence);
            }
            ChainEnd::Broken { at, entry } => {
                let why = match entry {
                    FatEntry::Free => "is marked free".to_owned(),
                    FatEntry::Bad => "is marked bad".to_owned(),
                    FatEntry::Invalid(value) => format!("is followed by {value:#x}, which is no cluster"),
                    _ => "has no readable mark".to_owned(),
                };
                let sentence = format!("{name:?} breaks off after {clusters} clusters: cluster {at} {why}.");
                self.note(&CHAIN_BROKEN, place, sentence);
            }
        }
    }

    fn note(&mut self, code: &'static Code, place: ByteOffset, sentence: String) {
        self.findings.push(Finding::at(code, place, sentence));
    }
}
