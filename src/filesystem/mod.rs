//! File systems: recognising one by its boot sector, and reading its two maps of what is used, the allocation map and
//! the files' own runs, into one shape that is the same for all ([`VolumeMap`]). Of others the allocation map alone is read
//! ([`SpaceMap`]).
//!
//! The health of a volume has two sides, the same for all file systems:
//!
//! - [`VolumeState`]: what its own marks say, whether it was cleanly unmounted and whether errors were met on it.
//! - damaged: some of its structure was read, and is not sound or not at its place. Findings say what, and what it means for files.
//!
//! A volume may be marked, damaged, both, or neither.

mod bits;
mod catalog;
mod chain;
mod clusters;
mod content;
pub mod exfat;
pub mod fat;
mod folder_content;
mod folder_tree;
mod infer;
pub mod ntfs;
pub mod space_map;
mod state;
mod timestamp;
mod utf16;
pub mod volume_encryption;

pub use catalog::{
    Catalog, CatalogBuilder, Link, Node, NodeId, NodeKind, NodeSpec, ORPHANS, Parent, Purpose, Role, Stream, StreamSpec,
};
pub use clusters::{ClusterGeometry, ClusterRun, ClusterSet};
pub use content::{
    CODES as CONTENT_CODES, Content, NOT_READ, NOT_RECOGNISED, read_content, read_reserved, read_without_boot_sector,
};
pub use infer::Inferred;
pub use space_map::SpaceMap;
pub use state::VolumeState;
pub use timestamp::Timestamp;
pub use volume_encryption::OpenedEncryption;

use crate::base::extent::Extent;
use crate::base::finding::Findings;
use crate::source::{CopyStore, PlainPart, PlainStore, PlainView, Stored};
use serde::Serialize;

/// Which file system.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum FsKind {
    /// NTFS.
    Ntfs,
    /// FAT with 12-bit entries.
    Fat12,
    /// FAT with 16-bit entries.
    Fat16,
    /// FAT with 32-bit entries.
    Fat32,
    /// exFAT.
    ExFat,
}

impl FsKind {
    /// The name people use.
    pub fn name(self) -> &'static str {
        match self {
            FsKind::Ntfs => "NTFS",
            FsKind::Fat12 => "FAT12",
            FsKind::Fat16 => "FAT16",
            FsKind::Fat32 => "FAT32",
            FsKind::ExFat => "exFAT",
        }
    }
}

/// What a fixed place of a volume holds.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FixedKind {
    /// Boot sectors, their backups, and the reserved region they stand in.
    Boot,
    /// Metadata at a fixed place: FATs, the fixed root folder.
    Metadata,
}

/// The allocation map: what the volume bitmap or the FAT says.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct AllocationMap {
    /// Clusters marked as in use. Clusters marked bad are among them.
    pub allocated: ClusterSet,
    /// Clusters marked bad.
    pub bad: ClusterSet,
    /// Clusters whose mark could not be read.
    pub unknown: ClusterSet,
}

/// How file records were found at the places where the volume's own map puts them. A record proves itself: by its signature, its
/// update sequence, and (NTFS 3.1) its own number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct RecordCounts {
    /// Sound, in use or not; those that carry another number than their own are among them.
    pub sound: u64,
    /// In use, and carrying the number of another.
    pub misnumbered: u64,
    /// All zero, and not marked as in use.
    pub unused: u64,
    /// All zero although marked as in use: wiped or lost.
    pub blank: u64,
    /// Read, and neither a sound record nor zeros.
    pub damaged: u64,
    /// Not readable.
    pub unreadable: u64,
    /// Not read yet: see [`crate::source::Reader::not_read_yet`].
    pub not_read_yet: u64,
}

/// Everything that is known of one volume after its metadata was read.
#[derive(Debug)]
pub struct VolumeMap {
    /// Which file system.
    pub kind: FsKind,
    /// The whole volume on the drive (the partition, or the part of it that lies on the drive).
    pub extent: Extent,
    /// Sector size that the boot sector gives, in bytes.
    pub sector_bytes: u64,
    /// Where clusters lie.
    pub geometry: ClusterGeometry,
    /// Size of a file record in bytes, for file systems that have them.
    pub record_bytes: Option<u64>,
    /// Where the file records lie, for file systems that have them.
    pub record_places: Option<ntfs::RecordPlaces>,
    /// How the file records were found, for file systems that have them.
    pub records: Option<RecordCounts>,
    /// Label, if the volume has one.
    pub label: Option<String>,
    /// Serial number, in the customary notation.
    pub serial: String,
    /// What its own marks say.
    pub state: VolumeState,
    /// Places on the drive outside the clusters' bookkeeping (they may lie inside clusters, as NTFS's boot file does).
    pub fixed: Vec<(Extent, FixedKind)>,
    /// What the bitmap or FAT says.
    pub allocation: AllocationMap,
    /// What the files' own records say.
    pub catalog: Catalog,
    /// Whether some of the files' records could not be read or understood, so that the catalog may lack files.
    pub catalog_incomplete: bool,
    /// Metadata facts worth showing: name and value, in a fixed order (record size, sectors to a cluster ...).
    pub facts: Vec<(&'static str, String)>,
    /// How it was opened, where it is stored encrypted. All places of this map are then plain addresses: [`VolumeMap::on_drive`] says
    /// where they are stored.
    pub encryption: Option<Box<OpenedEncryption>>,
    /// What was noticed.
    pub findings: Findings,
}

impl VolumeMap {
    /// Where the bytes of a range of the volume are stored on the drive: where they are read, unless the volume is encrypted.
    pub fn on_drive(&self, place: Extent) -> impl Iterator<Item = Extent> + '_ {
        self.parts(place).filter_map(|part| part.on_drive())
    }

    /// A range of the volume, part by part as it is stored. What lies behind the end of the volume is as it is read.
    pub fn parts(&self, place: Extent) -> impl Iterator<Item = PlainPart> + '_ {
        let view = self.view();
        let inside = view.into_iter().flat_map(move |view| view.parts(place));
        let end = if view.is_some() { self.extent.end() } else { 0 };
        let behind = Extent::between(place.start.0.max(end), place.end());
        let behind = (!behind.is_empty()).then_some(PlainPart { plain: behind, stored: Stored::Clear(behind.start.0) });
        inside.chain(behind)
    }

    /// How its plain bytes are made, where it is stored encrypted.
    pub fn view(&self) -> Option<&PlainView> {
        self.encryption.as_ref().map(|opened| opened.view.as_ref())
    }

    /// What a store holds of the volume, as it is read.
    pub fn of_store<'s>(&'s self, stored: &'s dyn CopyStore) -> PlainStore<'s> {
        PlainStore { stored, view: self.view() }
    }
}

/// What reading a volume gave: its map, or the findings that say why it could not be understood.
pub type VolumeOutcome = Result<Box<VolumeMap>, Findings>;
