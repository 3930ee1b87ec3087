//! Where the bytes are, folder by folder, so that a person can choose.

use crate::allocation::{Choices, DriveMap};
use crate::fs::{NodeId, NodeKind, Parent, Role, VolumeMap};
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
}

#[derive(Clone, Copy, Default)]
struct Sum {
    files: u64,
    size: u64,
    on_drive: u64,
    extents: u64,
    bulk: u64,
}

/// The folders of all volumes (or of the areas chosen) down to `depth` levels, each volume's root first, every level
/// with its largest folder first. Lost folders stand under a line of their own.
pub fn folders(drive: &DriveMap, areas: Option<&[usize]>, depth: u32, choices: &Choices) -> Vec<FolderLine> {
    let mut lines = Vec::new();
    for (_, volume) in drive.volumes().filter(|(index, _)| areas.is_none_or(|chosen| chosen.contains(index))) {
        volume_folders(volume, depth, choices, &mut lines);
    }
    lines
}

fn volume_folders(volume: &VolumeMap, depth: u32, choices: &Choices, lines: &mut Vec<FolderLine>) {
    let catalog = &volume.catalog;
    let bulk = choices.bulk.choose(catalog);
    // One sum for each node, one more for what is lost.
    let lost = catalog.len();
    let mut sums = vec![Sum::default(); catalog.len() + 1];
    for node in catalog
        .nodes()
        .filter(|n| !n.is_deleted() && n.kind() == NodeKind::File && n.purpose() == crate::fs::Purpose::Client)
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
        let mut at = node.id();
        loop {
            match catalog.node(at).links().next().map(|link| link.parent()) {
                Some(Parent::Folder(parent)) if at != catalog.root() => {
                    sums[parent.0 as usize].add(own);
                    at = parent;
                }
                _ if at == catalog.root() => break,
                _ => {
                    sums[lost].add(own);
                    break;
                }
            }
        }
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
            below.retain(|child| catalog.node(*child).purpose() == crate::fs::Purpose::Client);
            // Popped from the end: the largest must come last.
            below.sort_by_key(|child| (sums[child.0 as usize].on_drive, std::cmp::Reverse(child.0)));
            waiting.extend(below.iter().map(|child| (*child, level + 1)));
        }
    }
    if sums[lost].files > 0 {
        lines.push(sums[lost].line(volume, format!("/{}", crate::fs::ORPHANS), 1));
    }
}

impl Sum {
    fn add(&mut self, other: Sum) {
        self.files += other.files;
        self.size = self.size.saturating_add(other.size);
        self.on_drive = self.on_drive.saturating_add(other.on_drive);
        self.extents += other.extents;
        self.bulk = self.bulk.saturating_add(other.bulk);
    }

    fn line(self, volume: &VolumeMap, path: String, depth: u32) -> FolderLine {
        let Sum { files, size, on_drive, extents, bulk } = self;
        FolderLine { volume: volume.extent.start.0, path, depth, files, size, on_drive, extents, bulk }
    }
}
