//! What the files' own records say: every file and folder, its names, its streams and where their clusters lie.
//!
//! A drive can hold tens of millions of files, so everything lives in a few flat tables (some 90 bytes a file with a
//! name of ordinary length, 16 a run) and is looked at through small views.

mod build;

pub use build::CatalogBuilder;

use super::{ClusterRun, Timestamp};
use crate::base::units::Lcn;
use std::collections::{BTreeMap, BTreeSet};

/// The folder that stands for a lost parent. The angle brackets cannot occur in names that Windows itself makes.
pub const ORPHANS: &str = "<orphans>";

/// Folders nested deeper than this are cut off as orphans; Windows stops at 32,767 characters in a path, and hostile
/// metadata must not make paths of unbounded length.
const DEEPEST: u32 = 1024;

/// A file or folder of one catalog.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct NodeId(pub u32);

/// File or folder.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NodeKind {
    /// A file.
    File,
    /// A folder.
    Folder,
}

/// Whom a node serves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Purpose {
    /// The client.
    Client,
    /// The file system itself.
    Structure,
    /// Starting up: holds the boot sectors.
    Boot,
    /// Keeps clusters known to be bad out of use.
    BadClusters,
}

/// A node as a parser describes it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct NodeSpec {
    /// The file system's own number for it (NTFS: file record number; FAT: none, 0).
    pub number: u32,
    /// File or folder.
    pub kind: NodeKind,
    /// Whom it serves.
    pub purpose: Purpose,
    /// Whether it was deleted.
    pub deleted: bool,
}

/// The folder a name stands in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Parent {
    /// A folder of this catalog.
    Folder(NodeId),
    /// A folder that is lost, by the file system's number for it.
    Lost(u32),
}

/// What a stream is for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Role {
    /// Content: the file's own, or that of a named stream.
    Data,
    /// A folder's entries.
    FolderIndex,
    /// Which index blocks of a folder are in use.
    IndexBitmap,
    /// Where a file's attributes are (NTFS attribute list).
    AttributeList,
    /// Access rights kept with the file.
    Security,
    /// Extended attributes (NTFS $EA).
    ExtendedAttributes,
    /// Reparse data (links, stand-ins for compressed content ...).
    Reparse,
    /// A logged utility stream (encryption keys, transactions).
    LoggedUtility,
    /// Any other attribute that owns clusters.
    OtherAttribute,
}

impl Role {
    /// The attribute's name in NTFS terms, `None` for content and for folder entries.
    pub fn attribute_name(self) -> Option<&'static str> {
        match self {
            Role::Data | Role::FolderIndex => None,
            Role::IndexBitmap => Some("$BITMAP"),
            Role::AttributeList => Some("$ATTRIBUTE_LIST"),
            Role::Security => Some("$SECURITY_DESCRIPTOR"),
            Role::ExtendedAttributes => Some("$EA"),
            Role::Reparse => Some("$REPARSE_POINT"),
            Role::LoggedUtility => Some("$LOGGED_UTILITY_STREAM"),
            Role::OtherAttribute => Some("other"),
        }
    }
}

/// A stream as a parser describes it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct StreamSpec<'n> {
    /// What it is for.
    pub role: Role,
    /// Its name, if it has one.
    pub name: Option<&'n str>,
    /// Size in bytes.
    pub size: u64,
    /// Bytes from the start that were ever written; the rest reads as zero whatever the clusters hold.
    pub valid: u64,
    /// Whether the content lies in the file record itself and owns no clusters.
    pub resident: bool,
    /// Clusters in a compression unit; 0 when not compressed.
    pub compression_unit: u32,
    /// Whether it has holes.
    pub sparse: bool,
    /// Whether it is encrypted by the file system.
    pub encrypted: bool,
    /// Whether part of its run list is missing or damaged.
    pub incomplete: bool,
}

impl<'n> StreamSpec<'n> {
    /// A plain stream of `size` bytes, all valid.
    pub fn plain(role: Role, name: Option<&'n str>, size: u64) -> StreamSpec<'n> {
        StreamSpec {
            role,
            name,
            size,
            valid: size,
            resident: false,
            compression_unit: 0,
            sparse: false,
            encrypted: false,
            incomplete: false,
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct NodeEntry {
    number: u32,
    first_link: u32,
    first_stream: u32,
    kind: NodeKind,
    purpose: Purpose,
    deleted: bool,
    modified: Option<Timestamp>,
}

/// A name's place in the text table: start in the upper 48 bits, length in the lower 16.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Text(u64);

#[derive(Clone, Copy, Debug)]
struct LinkEntry {
    node: u32,
    /// Node number of the folder, or of the lost parent when `name` says so.
    parent: u32,
    name: Text,
}

const RESIDENT: u8 = 1;
const SPARSE: u8 = 2;
const ENCRYPTED: u8 = 4;
const INCOMPLETE: u8 = 8;

#[derive(Clone, Copy, Debug)]
struct StreamEntry {
    size: u64,
    node: u32,
    first_run: u32,
    run_count: u32,
    /// Index into `extras`, or `NO_EXTRA`.
    extra: u32,
    role: Role,
    flags: u8,
}

const NO_EXTRA: u32 = u32::MAX;

/// What few streams have.
#[derive(Clone, Debug)]
struct Extra {
    name: Option<Box<str>>,
    valid: u64,
    compression_unit: u32,
}

/// A run list entry that stands for a hole.
const HOLE: Lcn = Lcn(u64::MAX);

fn table_index(index: usize) -> u32 {
    u32::try_from(index).expect("fewer than 2^32 entries")
}

/// All files and folders of a volume.
#[derive(Debug)]
pub struct Catalog {
    nodes: Vec<NodeEntry>,
    links: Vec<LinkEntry>,
    /// For each link, whether its parent is lost.
    lost: Vec<bool>,
    streams: Vec<StreamEntry>,
    extras: Vec<Extra>,
    runs: Vec<ClusterRun>,
    text: String,
    root: NodeId,
    /// Names of existing files whose folder is lost, by node and number of the folder: the sequence number that it had.
    lost_sequences: BTreeMap<(u32, u32), u16>,
    /// By their numbers, lost folders that another folder names.
    lost_folders: BTreeMap<u32, LostFolder>,
}

/// What another folder tells of a lost one.
#[derive(Debug)]
struct LostFolder {
    sequence: u16,
    folder: NodeId,
    name: Box<str>,
}

impl Catalog {
    /// Lost folders with existing files in them that no other folder names.
    pub fn nameless_lost_folders(&self) -> usize {
        let numbers: BTreeSet<u32> = self.lost_sequences.keys().map(|(_, number)| *number).collect();
        numbers.iter().filter(|number| !self.lost_folders.contains_key(number)).count()
    }

    /// Notes that `folder` names the lost folder of this number; [`Link::lost_folder`] tells it where the sequence numbers agree.
    /// Names that would make a circle, or a path deeper than 1024 folders, are left out.
    pub fn name_lost_folder(&mut self, number: u32, sequence: u16, folder: NodeId, name: &str) {
        let mut at = folder;
        for _ in 0..DEEPEST {
            let Some(link) = self.node(at).links().next().filter(|_| at != self.root) else {
                self.lost_folders.insert(number, LostFolder { sequence, folder, name: name.into() });
                return;
            };
            at = match (link.parent(), link.lost_folder()) {
                (Parent::Folder(above), _) => above,
                (Parent::Lost(lost), _) if lost == number => return,
                (Parent::Lost(_), Some((above, _))) => above,
                // It has no name so far: the chain ends there.
                (Parent::Lost(_), None) => self.root,
            };
        }
    }

    /// The root folder.
    pub fn root(&self) -> NodeId {
        self.root
    }

    /// Number of nodes.
    pub fn len(&self) -> usize {
        self.nodes.len()
    }

    /// Whether there are no nodes.
    pub fn is_empty(&self) -> bool {
        self.nodes.is_empty()
    }

    /// One node.
    pub fn node(&self, id: NodeId) -> Node<'_> {
        Node { catalog: self, id }
    }

    /// All nodes, in the order the parser found them.
    pub fn nodes(&self) -> impl Iterator<Item = Node<'_>> {
        (0..self.nodes.len()).map(|n| Node { catalog: self, id: NodeId(table_index(n)) })
    }

    /// Number of names that stand in a lost folder, deleted files' not counted.
    pub fn orphan_count(&self) -> u64 {
        let orphan = |(link, lost): (&LinkEntry, &bool)| *lost && !self.nodes[link.node as usize].deleted;
        self.links.iter().zip(&self.lost).filter(|pair| orphan(*pair)).count() as u64
    }

    fn link_range(&self, node: u32) -> std::ops::Range<usize> {
        let entry = |n: u32| self.nodes.get(n as usize).map_or(self.links.len(), |e| e.first_link as usize);
        entry(node)..entry(node + 1)
    }

    /// Makes every chain of folders end, at the root or at an orphan.
    fn cut_loose_ends(&mut self) {
        const UNKNOWN: u32 = u32::MAX;
        const ON_THE_WAY: u32 = u32::MAX - 1;
        let mut depth = vec![UNKNOWN; self.nodes.len()];
        depth[self.root.0 as usize] = 0;
        let mut way: Vec<u32> = Vec::new();
        for start in 0..table_index(self.nodes.len()) {
            let mut at = start;
            let mut known = loop {
                match depth[at as usize] {
                    UNKNOWN => {}
                    ON_THE_WAY => {
                        // A circle: the folder where it closes loses its parent.
                        let first = self.link_range(at).start;
                        self.lost[first] = true;
                        self.links[first].parent = self.nodes[self.links[first].parent as usize].number;
                        let back = way.iter().rposition(|n| *n == at).expect("it is on the way");
                        for n in &way[back + 1..] {
                            depth[*n as usize] = UNKNOWN;
                        }
                        way.truncate(back);
                        depth[at as usize] = 1;
                        break 1;
                    }
                    known => break known,
                }
                depth[at as usize] = ON_THE_WAY;
                way.push(at);
                let links = self.link_range(at);
                // Every further hard link is checked for a sound parent; only the first decides the depth of what is below.
                for link in links.clone() {
                    self.lose_unless_folder(link);
                }
                if links.is_empty() || self.lost[links.start] {
                    break 0;
                }
                at = self.links[links.start].parent;
            };
            while let Some(node) = way.pop() {
                known += 1;
                if known > DEEPEST {
                    let first = self.link_range(node).start;
                    self.lost[first] = true;
                    self.links[first].parent = self.nodes[self.links[first].parent as usize].number;
                    known = 1;
                }
                depth[node as usize] = known;
            }
        }
    }

    fn lose_unless_folder(&mut self, link: usize) {
        let entry = self.links[link];
        if self.lost[link] {
            return;
        }
        match self.nodes.get(entry.parent as usize) {
            Some(parent) if parent.kind == NodeKind::Folder => {}
            Some(parent) => {
                self.links[link].parent = parent.number;
                self.lost[link] = true;
            }
            None => self.lost[link] = true,
        }
    }
}

/// A file or folder.
#[derive(Clone, Copy)]
pub struct Node<'c> {
    catalog: &'c Catalog,
    id: NodeId,
}

impl<'c> Node<'c> {
    fn entry(&self) -> &'c NodeEntry {
        &self.catalog.nodes[self.id.0 as usize]
    }

    /// Its place in the catalog.
    pub fn id(&self) -> NodeId {
        self.id
    }

    /// The file system's own number for it.
    pub fn number(&self) -> u32 {
        self.entry().number
    }

    /// File or folder.
    pub fn kind(&self) -> NodeKind {
        self.entry().kind
    }

    /// Whom it serves.
    pub fn purpose(&self) -> Purpose {
        self.entry().purpose
    }

    /// Whether it was deleted.
    pub fn is_deleted(&self) -> bool {
        self.entry().deleted
    }

    /// When its content was last changed, where that is known.
    pub fn modified(&self) -> Option<Timestamp> {
        self.entry().modified
    }

    /// Its names; several when it has hard links, one in the order the record gives them.
    pub fn links(&self) -> impl Iterator<Item = Link<'c>> + use<'c> {
        let catalog = self.catalog;
        catalog.link_range(self.id.0).map(move |index| Link { catalog, index })
    }

    /// Its streams.
    pub fn streams(&self) -> impl Iterator<Item = Stream<'c>> + use<'c> {
        let catalog = self.catalog;
        let next = catalog.nodes.get(self.id.0 as usize + 1);
        let end = next.map_or(catalog.streams.len(), |n| n.first_stream as usize);
        (self.entry().first_stream as usize..end).map(move |index| Stream { catalog, index })
    }

    /// Its first path; the root's is `/`.
    pub fn path(&self) -> String {
        if self.id == self.catalog.root {
            return "/".to_owned();
        }
        match self.links().next() {
            Some(link) => link.path(),
            None => format!("/{ORPHANS}/{}", self.number()),
        }
    }
}

/// A name of a file in a folder.
#[derive(Clone, Copy)]
pub struct Link<'c> {
    catalog: &'c Catalog,
    index: usize,
}

impl<'c> Link<'c> {
    /// The name. Half of a UTF-16 pair alone is kept as [`crate::base::text::lone_surrogate`] has it.
    pub fn name(&self) -> &'c str {
        let Text(packed) = self.catalog.links[self.index].name;
        let start = usize::try_from(packed >> 16).expect("a place in memory");
        let length = usize::try_from(packed & 0xFFFF).expect("16 bits");
        &self.catalog.text[start..start + length]
    }

    /// The folder it stands in.
    pub fn parent(&self) -> Parent {
        let parent = self.catalog.links[self.index].parent;
        if self.catalog.lost[self.index] { Parent::Lost(parent) } else { Parent::Folder(NodeId(parent)) }
    }

    /// Where the lost folder that it stands in lay, and the name it had, by what another folder says.
    pub fn lost_folder(&self) -> Option<(NodeId, &'c str)> {
        let Parent::Lost(number) = self.parent() else { return None };
        let lost = self.catalog.lost_folders.get(&number)?;
        let sequence = *self.catalog.lost_sequences.get(&(self.catalog.links[self.index].node, number))?;
        let agree = sequence == lost.sequence || sequence == 0 || lost.sequence == 0;
        agree.then_some((lost.folder, &*lost.name))
    }

    /// The whole path, with `/` between the names and before the first.
    pub fn path(&self) -> String {
        let mut names = vec![self.name()];
        let mut parent = self.parent();
        let lost = loop {
            match parent {
                Parent::Lost(number) => break Some(number),
                Parent::Folder(id) if id == self.catalog.root => break None,
                Parent::Folder(id) => match self.catalog.node(id).links().next() {
                    Some(link) => {
                        names.push(link.name());
                        parent = link.parent();
                    }
                    None => break Some(self.catalog.node(id).number()),
                },
            }
        };
        let mut path = lost.map_or(String::new(), |number| format!("/{ORPHANS}/{number}"));
        for name in names.iter().rev() {
            path.push('/');
            path.push_str(name);
        }
        path
    }
}

/// One stream of a file: its content, a named stream, or another attribute that may own clusters.
#[derive(Clone, Copy)]
pub struct Stream<'c> {
    catalog: &'c Catalog,
    index: usize,
}

impl<'c> Stream<'c> {
    fn entry(&self) -> &'c StreamEntry {
        &self.catalog.streams[self.index]
    }

    fn extra(&self) -> Option<&'c Extra> {
        self.catalog.extras.get(self.entry().extra as usize)
    }

    fn table(&self) -> &'c [ClusterRun] {
        let first = self.entry().first_run as usize;
        &self.catalog.runs[first..first + self.entry().run_count as usize]
    }

    /// What it is for.
    pub fn role(&self) -> Role {
        self.entry().role
    }

    /// Its name, if it has one.
    pub fn name(&self) -> Option<&'c str> {
        self.extra().and_then(|extra| extra.name.as_deref())
    }

    /// Size in bytes.
    pub fn size(&self) -> u64 {
        self.entry().size
    }

    /// Bytes from the start that were ever written; the rest reads as zero.
    pub fn valid(&self) -> u64 {
        self.extra().map_or(self.size(), |extra| extra.valid)
    }

    /// Clusters in a compression unit; 0 when not compressed.
    pub fn compression_unit(&self) -> u32 {
        self.extra().map_or(0, |extra| extra.compression_unit)
    }

    /// Whether the content lies in the file record.
    pub fn is_resident(&self) -> bool {
        self.entry().flags & RESIDENT != 0
    }

    /// Whether it is marked as having holes.
    pub fn is_sparse(&self) -> bool {
        self.entry().flags & SPARSE != 0
    }

    /// Whether the file system encrypted it.
    pub fn is_encrypted(&self) -> bool {
        self.entry().flags & ENCRYPTED != 0
    }

    /// Whether part of its run list is missing or damaged.
    pub fn is_incomplete(&self) -> bool {
        self.entry().flags & INCOMPLETE != 0
    }

    /// The clusters it owns, in file order, holes left out.
    pub fn runs(&self) -> impl Iterator<Item = ClusterRun> + use<'c> {
        self.table().iter().copied().filter(|run| run.first != HOLE)
    }

    /// The clusters it owns, in file order, cut where its valid data ends; each run with whether it lies before that. All of a
    /// stream that is no content counts, and all of a compressed one: its clusters do not stand in the order of its bytes.
    pub fn runs_cut_at_valid(&self, cluster_bytes: u64) -> impl Iterator<Item = (ClusterRun, bool)> + use<'c> {
        let all_counts = self.role() != Role::Data || self.compression_unit() > 0;
        let valid = if all_counts { u64::MAX } else { self.size().min(self.valid()).div_ceil(cluster_bytes) };
        let mut at = 0u64;
        self.layout().flat_map(move |(first, count)| {
            let before = valid.saturating_sub(at).min(count);
            at = at.saturating_add(count);
            let run = |skip: u64, count: u64| first.map(|Lcn(first)| ClusterRun::new(first + skip, count));
            let parts = [(run(0, before), true), (run(before, count - before), false)];
            parts.into_iter().filter_map(|(run, is_valid)| Some((run.filter(|run| run.count > 0)?, is_valid)))
        })
    }

    /// The whole run list in file order: place (`None` for a hole) and number of clusters.
    pub fn layout(&self) -> impl Iterator<Item = (Option<Lcn>, u64)> + use<'c> {
        self.table().iter().map(|run| ((run.first != HOLE).then_some(run.first), run.count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(number: u32, kind: NodeKind) -> NodeSpec {
        NodeSpec { number, kind, purpose: Purpose::Client, deleted: false }
    }

    #[test]
    fn paths_hard_links_and_holes() {
        let mut build = CatalogBuilder::default();
        let root = build.add_node(node(5, NodeKind::Folder));
        let file = build.add_node(node(40, NodeKind::File));
        let folder = build.add_node(node(41, NodeKind::Folder));
        build.add_link(file, Parent::Folder(folder), "Aufnahme ä.txt");
        build.add_link(folder, Parent::Folder(root), "Fotos");
        build.add_link(file, Parent::Folder(root), "zweiter Name");
        let spec = StreamSpec { valid: 10, ..StreamSpec::plain(Role::Data, None, 20) };
        build.add_stream(file, &spec, [(Some(Lcn(7)), 2), (Some(Lcn(9)), 1), (None, 3), (None, 1), (Some(Lcn(2)), 1)]);
        let catalog = build.finish(root);
        let paths: Vec<_> = catalog.node(file).links().map(|l| l.path()).collect();
        assert_eq!(paths, ["/Fotos/Aufnahme ä.txt", "/zweiter Name"]);
        assert_eq!(catalog.node(root).path(), "/");
        let stream = catalog.node(file).streams().next().unwrap();
        assert_eq!(stream.runs().collect::<Vec<_>>(), [ClusterRun::new(7, 3), ClusterRun::new(2, 1)]);
        assert_eq!(stream.layout().nth(1), Some((None, 4)));
        assert_eq!((stream.size(), stream.valid()), (20, 10));
        assert_eq!(catalog.node(folder).streams().count(), 0);
    }

    #[test]
    fn circles_files_as_parents_and_endless_depth_become_orphans() {
        let mut build = CatalogBuilder::default();
        let root = build.add_node(node(5, NodeKind::Folder));
        let a = build.add_node(node(50, NodeKind::Folder));
        let b = build.add_node(node(51, NodeKind::Folder));
        let below = build.add_node(node(52, NodeKind::File));
        let in_file = build.add_node(node(53, NodeKind::File));
        build.add_link(a, Parent::Folder(b), "a");
        build.add_link(b, Parent::Folder(a), "b");
        build.add_link(below, Parent::Folder(b), "below");
        build.add_link(in_file, Parent::Folder(below), "in a file");
        let mut deep = root;
        for level in 0..3000 {
            let next = build.add_node(node(100 + level, NodeKind::Folder));
            build.add_link(next, Parent::Folder(deep), "d");
            deep = next;
        }
        let catalog = build.finish(root);
        assert_eq!(catalog.node(below).path(), "/<orphans>/51/a/b/below");
        assert_eq!(catalog.node(in_file).path(), "/<orphans>/52/in a file");
        assert!(catalog.node(deep).path().len() < 3000);
        assert_eq!(catalog.orphan_count(), 2 + 2);
    }

    #[test]
    fn a_lost_folder_gets_its_name_by_number_and_sequence_number_and_makes_no_circle() {
        let mut build = CatalogBuilder::default();
        let root = build.add_node(node(5, NodeKind::Folder));
        let (a, b) = (build.add_node(node(50, NodeKind::Folder)), build.add_node(node(51, NodeKind::Folder)));
        for (node, lost, sequence) in [(a, 60, 3), (b, 61, 3)] {
            build.add_link(node, Parent::Lost(lost), "below");
            build.note_lost_sequence(node, lost, sequence);
        }
        let mut catalog = build.finish(root);
        let of = |catalog: &Catalog, node| {
            let link = catalog.node(node).links().next().unwrap();
            link.lost_folder().map(|(folder, name)| (folder, name.to_owned()))
        };
        assert_eq!((catalog.nameless_lost_folders(), of(&catalog, a)), (2, None));
        catalog.name_lost_folder(60, 3, a, "itself");
        catalog.name_lost_folder(60, 4, root, "another's");
        assert_eq!(of(&catalog, a), None);
        catalog.name_lost_folder(60, 3, b, "Ponds");
        assert_eq!(of(&catalog, a), Some((b, "Ponds".to_owned())));
        catalog.name_lost_folder(61, 3, a, "a circle of two");
        assert_eq!((of(&catalog, b), catalog.nameless_lost_folders()), (None, 1));
        catalog.name_lost_folder(61, 3, root, "Notes");
        assert_eq!(of(&catalog, b), Some((root, "Notes".to_owned())));
    }
}
