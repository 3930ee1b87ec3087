//! States summed up folder by folder.

use super::FileState;
use crate::filesystem::{Catalog, Node, NodeId, ORPHANS, Parent, VolumeMap};
use serde::Serialize;

/// Files and bytes in each state. A named stream counts as a file of its own.
#[derive(Serialize, Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct StateCounts {
    /// Complete: files.
    #[serde(rename = "whole")]
    pub complete: u64,
    /// Complete: bytes.
    #[serde(rename = "whole_bytes")]
    pub complete_bytes: u64,
    /// Damaged: files.
    pub damaged: u64,
    /// Damaged: bytes of those files.
    pub damaged_bytes: u64,
    /// Not yet read: files.
    pub not_yet_read: u64,
    /// Not yet read: bytes of those files.
    pub not_yet_read_bytes: u64,
    /// Not planned: files.
    pub not_planned: u64,
    /// Not planned: bytes of those files.
    pub not_planned_bytes: u64,
    /// Lost: files.
    pub lost: u64,
    /// Lost: bytes of those files, as their folders' entries have them.
    pub lost_bytes: u64,
}

impl StateCounts {
    pub(super) fn add(&mut self, state: FileState, bytes: u64) {
        let (files, sum) = match state {
            FileState::Complete => (&mut self.complete, &mut self.complete_bytes),
            FileState::Damaged => (&mut self.damaged, &mut self.damaged_bytes),
            FileState::NotYetRead => (&mut self.not_yet_read, &mut self.not_yet_read_bytes),
            FileState::NotPlanned => (&mut self.not_planned, &mut self.not_planned_bytes),
            FileState::Lost => (&mut self.lost, &mut self.lost_bytes),
        };
        *files += 1;
        *sum = sum.saturating_add(bytes);
    }

    /// Files in a state.
    pub fn files_of(&self, state: FileState) -> u64 {
        match state {
            FileState::Complete => self.complete,
            FileState::NotPlanned => self.not_planned,
            FileState::NotYetRead => self.not_yet_read,
            FileState::Damaged => self.damaged,
            FileState::Lost => self.lost,
        }
    }

    /// Bytes of the files in a state.
    pub fn bytes_of(&self, state: FileState) -> u64 {
        match state {
            FileState::Complete => self.complete_bytes,
            FileState::NotPlanned => self.not_planned_bytes,
            FileState::NotYetRead => self.not_yet_read_bytes,
            FileState::Damaged => self.damaged_bytes,
            FileState::Lost => self.lost_bytes,
        }
    }

    /// Files in all states.
    pub fn files(&self) -> u64 {
        self.complete + self.damaged + self.not_yet_read + self.not_planned + self.lost
    }
}

/// A folder with all that lies below it.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct FolderAudit {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Its path.
    pub path: String,
    /// Files below it by their state; one with several names counts where its first name stands.
    #[serde(flatten)]
    pub counts: StateCounts,
}

impl FolderAudit {
    /// How many folders deep it lies; the volume's root is 0.
    pub fn level(&self) -> usize {
        if self.path == "/" { 0 } else { self.path.matches('/').count() }
    }
}

/// A list of folders goes no deeper than this by itself: longer paths are hard to read.
const DEEPEST: usize = 12;

/// The deepest level down to which there are at most so many folders; the first level below the roots is always shown.
pub fn fitting_level<'f>(folders: impl IntoIterator<Item = &'f FolderAudit>, most: usize) -> usize {
    let mut levels: Vec<usize> = folders.into_iter().map(FolderAudit::level).collect();
    levels.sort_unstable();
    levels.get(most).map_or(DEEPEST, |first_too_many| first_too_many.saturating_sub(1).clamp(1, DEEPEST))
}

/// A folder whose entries could not all be read.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct UnreadableIndex {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Its path.
    pub path: String,
    /// Bytes of its entries that could not be read, or were read and are damaged.
    pub bytes: u64,
}

/// A folder whose own record is lost or not read yet; the folder above names it.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct LostFolder {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Its path.
    pub path: String,
    /// The path by which what lies in it is known.
    pub known_as: String,
}

/// A name in the unused space of a folder's index block, of a file whose record is lost or not read yet.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct LeftOverName {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// The path that it had.
    pub path: String,
    /// Its size in bytes then.
    pub size: u64,
}

/// One counts for each node of a catalog, and one for what lies in lost folders.
pub(super) struct FolderSums<'c> {
    catalog: &'c Catalog,
    counts: Vec<StateCounts>,
}

impl<'c> FolderSums<'c> {
    pub(super) fn new(catalog: &'c Catalog) -> FolderSums<'c> {
        FolderSums { catalog, counts: vec![StateCounts::default(); catalog.len() + 1] }
    }

    /// A file of the catalog.
    pub(super) fn add(&mut self, node: &Node<'_>, state: FileState, bytes: u64) {
        self.add_above(node.id(), state, bytes);
    }

    /// A file that only its folder names.
    pub(super) fn add_in(&mut self, folder: NodeId, state: FileState, bytes: u64) {
        self.counts[folder.0 as usize].add(state, bytes);
        self.add_above(folder, state, bytes);
    }

    fn add_above(&mut self, mut at: NodeId, state: FileState, bytes: u64) {
        let lost = self.catalog.len();
        while at != self.catalog.root() {
            match self.catalog.node(at).links().next().map(|link| link.parent()) {
                Some(Parent::Folder(parent)) => {
                    self.counts[parent.0 as usize].add(state, bytes);
                    at = parent;
                }
                _ => {
                    self.counts[lost].add(state, bytes);
                    return;
                }
            }
        }
    }

    /// Folders with files below them, each after its parent, neighbours by name.
    pub(super) fn finish(self, volume: &VolumeMap) -> Vec<FolderAudit> {
        let start = volume.extent.start.0;
        let with_files = |(index, counts): (usize, &StateCounts)| {
            (counts.files() > 0).then(|| {
                let id = u32::try_from(index).expect("a node number");
                let path = if index == self.catalog.len() {
                    format!("/{ORPHANS}")
                } else {
                    self.catalog.node(NodeId(id)).path()
                };
                FolderAudit { volume: start, path, counts: *counts }
            })
        };
        let mut list: Vec<FolderAudit> = self.counts.iter().enumerate().filter_map(with_files).collect();
        list.sort_by(|a, b| a.path.split('/').cmp(b.path.split('/')));
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Folders at these levels.
    fn folders(levels: &[usize]) -> Vec<FolderAudit> {
        let path = |level: &usize| if *level == 0 { "/".to_owned() } else { "/folder".repeat(*level) };
        levels
            .iter()
            .map(|level| FolderAudit { volume: 0, path: path(level), counts: StateCounts::default() })
            .collect()
    }

    #[test]
    fn as_many_levels_are_shown_as_fit() {
        let some = folders(&[0, 1, 2, 2, 3]);
        assert_eq!([5, 4, 2, 1].map(|most| fitting_level(&some, most)), [DEEPEST, 2, 1, 1]);
        assert_eq!(fitting_level(&folders(&[0, 1, 30, 31]), 3), DEEPEST);
        assert_eq!(fitting_level(&[], 0), DEEPEST);
    }
}
