//! Where the bytes are, folder by folder, so that a person can choose.

use crate::filesystem::ntfs::{NamedOnly, NamesOnly, RecordState};
use crate::filesystem::{Catalog, NodeId, NodeKind, Parent, Role, VolumeMap};
use crate::source::CopyStore;
use crate::survey::allocation::{Choices, DriveMap};
use serde::Serialize;

/// A folder with all that lies below it.
#[derive(Serialize, Debug, PartialEq, Eq, Clone)]
pub struct FolderLine {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Path from the volume's root.
    pub path: String,
    /// Depth below the root: 0 for the root itself.
    pub depth: u32,
    /// Live files in it and below; one with several names counts where its first name stands.
    pub files: u64,
    /// Sum of their sizes in bytes.
    pub size: u64,
    /// Bytes of the clusters that their content owns: what reading them would take.
    pub on_drive: u64,
    /// Extents of their content.
    pub extents: u64,
    /// Of `on_drive`, bytes in files that count as bulk.
    pub bulk: u64,
    /// Files in it and below of which only the name is known, because their records are unreadable. They are in no other
    /// figure, and known only with a case that holds the folders' indexes.
    pub lost: u64,
}

#[derive(Clone, Copy, Default)]
struct Sum {
    files: u64,
    size: u64,
    on_drive: u64,
    extents: u64,
    bulk: u64,
    lost: u64,
}

/// The folders of all volumes (or of the areas chosen) down to `depth` levels, each volume's root first, every level
/// with its largest folder first. Lost folders stand under a line of their own. `store` is the case, where there is one.
pub fn folders(
    drive: &DriveMap,
    areas: Option<&[usize]>,
    depth: u32,
    choices: &Choices,
    store: Option<&dyn CopyStore>,
) -> Vec<FolderLine> {
    let mut lines = Vec::new();
    for (_, volume) in drive.volumes().filter(|(index, _)| areas.is_none_or(|chosen| chosen.contains(index))) {
        volume_folders(volume, depth, choices, store, &mut lines);
    }
    lines
}

fn volume_folders(
    volume: &VolumeMap,
    depth: u32,
    choices: &Choices,
    store: Option<&dyn CopyStore>,
    lines: &mut Vec<FolderLine>,
) {
    let catalog = &volume.catalog;
    let bulk = choices.bulk.choose(catalog);
    // One sum for each node, one more for what is lost.
    let lost = catalog.len();
    let mut sums = vec![Sum::default(); catalog.len() + 1];
    for node in catalog
        .nodes()
        .filter(|n| !n.is_deleted() && n.kind() == NodeKind::File && n.purpose() == crate::filesystem::Purpose::Client)
    {
        let mut own = Sum { files: 1, ..Sum::default() };
        for stream in node.streams().filter(|s| s.role() == Role::Data) {
            own.size = own.size.saturating_add(stream.size());
            for run in stream.runs() {
                own.extents += 1;
                own.on_drive = own.on_drive.saturating_add(run.count.saturating_mul(volume.geometry.cluster_bytes));
            }
        }
        if bulk.lane(node.id()).is_some() {
            own.bulk = own.on_drive;
        }
        add_above(catalog, node.id(), own, &mut sums);
    }
    let names = store.map(|store| NamesOnly::find(volume, store)).unwrap_or_default().existing;
    let is_lost = |named: &&NamedOnly| named.kind == NodeKind::File && named.record == RecordState::Lost;
    for named in names.iter().filter(is_lost) {
        let own = Sum { lost: 1, ..Sum::default() };
        sums[named.folder.0 as usize].add(own);
        add_above(catalog, named.folder, own, &mut sums);
    }
    let mut children: Vec<Vec<NodeId>> = vec![Vec::new(); catalog.len()];
    for node in catalog.nodes().filter(|n| !n.is_deleted() && n.kind() == NodeKind::Folder && n.id() != catalog.root())
    {
        if let Some(Parent::Folder(parent)) = node.links().next().map(|link| link.parent()) {
            children[parent.0 as usize].push(node.id());
        }
    }
    let mut waiting = vec![(catalog.root(), 0)];
    while let Some((id, level)) = waiting.pop() {
        let node = catalog.node(id);
        lines.push(sums[id.0 as usize].line(volume, node.path(), level));
        if level < depth {
            let below = &mut children[id.0 as usize];
            below.retain(|child| catalog.node(*child).purpose() == crate::filesystem::Purpose::Client);
            // Popped from the end: the largest must come last.
            below.sort_by_key(|child| (sums[child.0 as usize].on_drive, std::cmp::Reverse(child.0)));
            waiting.extend(below.iter().map(|child| (*child, level + 1)));
        }
    }
    if sums[lost].files + sums[lost].lost > 0 {
        lines.push(sums[lost].line(volume, format!("/{}", crate::filesystem::ORPHANS), 1));
    }
}

/// Adds what a file or folder has to all folders above it; the last sum is that of what has lost its folder.
fn add_above(catalog: &Catalog, mut at: NodeId, own: Sum, sums: &mut [Sum]) {
    while at != catalog.root() {
        match catalog.node(at).links().next().map(|link| link.parent()) {
            Some(Parent::Folder(parent)) => {
                sums[parent.0 as usize].add(own);
                at = parent;
            }
            _ => return sums[catalog.len()].add(own),
        }
    }
}

impl Sum {
    fn add(&mut self, other: Sum) {
        self.files += other.files;
        self.size = self.size.saturating_add(other.size);
        self.on_drive = self.on_drive.saturating_add(other.on_drive);
        self.extents += other.extents;
        self.bulk = self.bulk.saturating_add(other.bulk);
        self.lost += other.lost;
    }

    fn line(self, volume: &VolumeMap, path: String, depth: u32) -> FolderLine {
        let Sum { files, size, on_drive, extents, bulk, lost } = self;
        FolderLine { volume: volume.extent.start.0, path, depth, files, size, on_drive, extents, bulk, lost }
    }
}
