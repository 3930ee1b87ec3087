//! What a source says about itself.

use super::DriveDetails;
use crate::base::extent::Extent;
use crate::base::units::SectorSize;
use serde::Serialize;
use std::path::PathBuf;

/// File or device.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceKind {
    /// A regular file that holds a drive's bytes.
    ImageFile,
    /// A Linux block device.
    BlockDevice,
}

/// Size, sector sizes and names of a source.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct SourceIdentity {
    /// The path it was opened by.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// File or device.
    pub kind: SourceKind,
    /// Size in bytes.
    pub bytes: u64,
    /// The unit it is addressed in; for an image file what the caller said, or 512.
    pub logical_sector: SectorSize,
    /// The unit it is recorded in: one bad physical sector spoils all logical sectors in it.
    pub physical_sector: SectorSize,
    /// Model, where the kernel tells.
    pub model: Option<String>,
    /// Serial number, where the kernel tells.
    pub serial: Option<String>,
    /// What else the kernel tells.
    #[serde(flatten)]
    pub details: DriveDetails,
}

impl SourceIdentity {
    /// Whether reads must start and end on logical sectors (direct I/O).
    pub fn needs_alignment(&self) -> bool {
        self.kind == SourceKind::BlockDevice
    }

    /// The last sector, which counts as a table's place whatever the table: a GPT keeps its copy there, an NTFS volume without a table
    /// the copy of its boot sector, and whether it answers shows whether the capacity that the drive reports is real.
    pub fn last_sector(&self) -> Option<Extent> {
        let last = self.bytes.checked_sub(1)?;
        let unit = self.logical_sector.bytes();
        Some(Extent::between(last / unit * unit, self.bytes))
    }

    /// The whole source.
    pub fn extent(&self) -> Extent {
        Extent::between(0, self.bytes)
    }
}
