//! The folders above a file: what a driver needs of them to open the file by its path.

use super::FileState;
use super::state::{Gaps, Truth, needs};
use crate::base::extent::Extent;
use crate::filesystem::ntfs::{ROOT_MISSING, RecordPlaces};
use crate::filesystem::{Catalog, FsKind, Node, NodeId, Parent, Role, VolumeMap};
use std::collections::HashMap;

/// What a file or folder stands in.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub(super) enum Above {
    /// A folder.
    Folder(NodeId),
    /// A folder whose record, of this number, is lost or not read yet.
    Lost(u32),
    /// Nothing that is known: it has no name.
    Unknown,
}

impl Above {
    /// What a node stands in; `None` for the root. Of several names the first counts whose folders are all known.
    pub(super) fn of(catalog: &Catalog, node: &Node<'_>) -> Option<Above> {
        if node.id() == catalog.root() {
            return None;
        }
        let mut parents = node.links().map(|link| link.parent());
        let Some(first) = parents.next() else { return Some(Above::Unknown) };
        let known = std::iter::once(first).chain(parents).find(|parent| reaches_root(catalog, *parent));
        Some(match known.unwrap_or(first) {
            Parent::Folder(folder) => Above::Folder(folder),
            Parent::Lost(number) => Above::Lost(number),
        })
    }

    /// The folder above.
    pub(super) fn above(self, catalog: &Catalog) -> Option<Above> {
        match self {
            Above::Folder(folder) => Above::of(catalog, &catalog.node(folder)),
            Above::Lost(_) | Above::Unknown => None,
        }
    }

    /// This folder and those above it, as far as they are not known yet, the lowest first.
    pub(super) fn unknown(self, catalog: &Catalog, is_known: impl Fn(&Above) -> bool) -> Vec<Above> {
        let mut at = Some(self);
        std::iter::from_fn(|| {
            let folder = at.filter(|folder| !is_known(folder))?;
            at = folder.above(catalog);
            Some(folder)
        })
        .collect()
    }
}

/// The catalog sees to it that chains of folders end.
fn reaches_root(catalog: &Catalog, mut parent: Parent) -> bool {
    loop {
        match parent {
            Parent::Lost(_) => return false,
            Parent::Folder(folder) if folder == catalog.root() => return true,
            Parent::Folder(folder) => match catalog.node(folder).links().next() {
                Some(link) => parent = link.parent(),
                None => return false,
            },
        }
    }
}

/// What a driver needs of one folder.
#[derive(Default)]
pub(super) struct FolderNeeds {
    /// Where its entries lie, and on NTFS what leads to them. Of a folder without a record the place of the record.
    pub places: Vec<Extent>,
    /// Part of that is lost, whatever is still read.
    pub is_damaged: bool,
    /// It has no record that can be used. Until a new plan knows better, reading `places` does not make it complete.
    pub is_lost: bool,
}

/// Tells what a driver needs of the folders of one volume.
pub(super) struct FolderPlaces<'v> {
    volume: &'v VolumeMap,
    records: Option<&'v RecordPlaces>,
    has_root: bool,
}

impl<'v> FolderPlaces<'v> {
    pub(super) fn new(volume: &'v VolumeMap) -> FolderPlaces<'v> {
        let has_root = volume.findings.count(&ROOT_MISSING) == 0;
        FolderPlaces { volume, records: RecordPlaces::of(volume), has_root }
    }

    pub(super) fn needs(&self, folder: Above) -> FolderNeeds {
        let catalog = &self.volume.catalog;
        match folder {
            Above::Folder(id) if id == catalog.root() && !self.has_root => self.lost(catalog.node(id).number()),
            Above::Folder(id) => self.of_folder(&catalog.node(id)),
            Above::Lost(number) => self.lost(number),
            Above::Unknown => FolderNeeds { is_damaged: true, ..FolderNeeds::default() },
        }
    }

    fn lost(&self, number: u32) -> FolderNeeds {
        let places = self.records.and_then(|records| records.place(number)).unwrap_or_default();
        let places = places.into_iter().flat_map(|place| self.volume.on_drive(place)).collect();
        FolderNeeds { places, is_damaged: false, is_lost: true }
    }

    fn of_folder(&self, folder: &Node<'_>) -> FolderNeeds {
        let volume = self.volume;
        let mut all = FolderNeeds::default();
        let leads = |role: Role| matches!(role, Role::FolderIndex | Role::IndexBitmap | Role::AttributeList);
        for stream in folder.streams().filter(|stream| leads(stream.role())) {
            all.is_damaged |= stream.is_incomplete();
            for need in needs(volume, &stream) {
                all.is_damaged |= need.on_drive.is_none();
                all.places.extend(need.on_drive);
            }
        }
        // The root of FAT12 and FAT16 lies in no cluster, but behind the FATs, last of the fixed places.
        let is_fixed_root =
            folder.id() == volume.catalog.root() && matches!(volume.kind, FsKind::Fat12 | FsKind::Fat16);
        let fixed_root = volume.fixed.last().filter(|_| is_fixed_root);
        all.places.extend(fixed_root.into_iter().flat_map(|(place, _)| volume.on_drive(*place)));
        all
    }
}

/// The states of folders with all that is above them, each found once.
pub(super) struct FolderStates<'v, 't> {
    places: FolderPlaces<'v>,
    truth: &'t Truth<'t>,
    known: HashMap<Above, FileState>,
}

impl<'v, 't> FolderStates<'v, 't> {
    pub(super) fn new(volume: &'v VolumeMap, truth: &'t Truth<'t>) -> FolderStates<'v, 't> {
        FolderStates { places: FolderPlaces::new(volume), truth, known: HashMap::new() }
    }

    /// The worst state of the folders above a file.
    pub(super) fn above(&mut self, node: &Node<'_>) -> FileState {
        let catalog = &self.places.volume.catalog;
        let Some(folder) = Above::of(catalog, node) else { return FileState::Complete };
        for next in folder.unknown(catalog, |folder| self.known.contains_key(folder)).into_iter().rev() {
            let upper = next.above(catalog).map_or(FileState::Complete, |upper| self.known[&upper]);
            self.known.insert(next, upper.max(self.own(next)));
        }
        self.known[&folder]
    }

    fn own(&self, folder: Above) -> FileState {
        let FolderNeeds { places, is_damaged, is_lost } = self.places.needs(folder);
        let state =
            places.into_iter().map(|place| Gaps::of(place, self.truth).state()).max().unwrap_or(FileState::Complete);
        let is_damaged = is_damaged || is_lost && state == FileState::Complete;
        if is_damaged { FileState::Damaged } else { state }
    }
}
