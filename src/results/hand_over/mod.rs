//! Handing a case's content over: as an image in either form, or onto another drive; and checking such a copy later.
//!
//! This is the only place in the program that writes to a drive. `docs/hand-over.md` says what is refused, and in which order is written.

mod choose;
mod compare;
mod drive;
mod error;
mod image_file;
mod marks;
mod target;

pub use compare::{CopyCheck, check_copy};
pub use drive::{OntoDrive, WrittenDrive, write_onto};
pub use error::{HandOverError, Refusal};
pub use image_file::{WrittenImage, write_image};

use crate::base::extent::{Extent, ExtentSet};
use crate::base::new_file::{NewFileError, Readers, write_new};
use crate::results::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::results::verify::checksum_line;
use crate::survey::allocation::{DriveMap, Patterns, tables};
use serde::Serialize;
use std::convert::Infallible;
use std::ffi::OsStr;
use std::io::Write;
use std::path::Path;
use std::sync::atomic::AtomicBool;

/// How long work is followed: a flag to stop it, and what is told of bytes that are done.
pub struct Following<'f> {
    /// Set from outside to stop.
    pub stop: &'f AtomicBool,
    /// Told how many bytes more are done.
    pub progress: &'f mut dyn FnMut(u64),
}

/// What of a drive is not in what is handed over.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Missing {
    /// The drive's size in bytes.
    pub drive_bytes: u64,
    /// Bytes of it that are not read yet: zeros.
    pub unread_bytes: u64,
    /// Bytes of it that are unreadable.
    pub unreadable_bytes: u64,
    /// Whether all structure is read, so that all files are known.
    pub structure_is_read: bool,
    /// Files by their state.
    pub audit: AuditSummary,
    /// The files that are not complete.
    #[serde(skip)]
    pub files: Vec<FileAudit>,
}

impl Missing {
    /// Looks through the case's files; without `drive`, whose structure the case lacks, no file is known.
    pub fn of(drive: Option<&DriveMap>, drive_bytes: u64, truth: &Truth<'_>) -> Missing {
        let mut files = Vec::new();
        let audited = drive.map(|drive| {
            audit(drive, truth, &Patterns::default(), |file| -> Result<(), Infallible> {
                if file.state != FileState::Complete {
                    files.push(file.clone());
                }
                Ok(())
            })
        });
        let audit = audited.map(|Ok(summary)| summary).unwrap_or_default();
        let all = Extent::between(0, drive_bytes);
        let sum = |places: Vec<Extent>| places.iter().map(|place| place.bytes).sum::<u64>();
        let (held, unreadable_bytes) = (sum(truth.store.held(all)), sum(truth.store.unreadable(all)));
        let unread_bytes = drive_bytes - held - unreadable_bytes;
        let structure_is_read = drive.is_some_and(|drive| drive.unread.is_empty());
        Missing { drive_bytes, unread_bytes, unreadable_bytes, structure_is_read, audit, files }
    }

    /// Whether all files are known and complete, or all that is in use is safe where they are not listed, and nothing that was planned is
    /// unreadable.
    pub fn is_nothing(&self) -> bool {
        let all_safe = self.audit.unlisted.iter().all(|volume| volume.safe_bytes == volume.in_use_bytes);
        self.structure_is_read && self.files.is_empty() && all_safe && self.audit.unreadable_bytes == 0
    }
}

/// Tables and boot sectors, and the drive's first and last sector whatever they hold: without them nothing takes a drive for a copy.
fn last_written(drive: &DriveMap) -> ExtentSet {
    let identity = &drive.identity;
    let first = Extent::between(0, identity.logical_sector.bytes().min(identity.bytes));
    let mut places = tables(drive);
    places.extend([first].into_iter().chain(identity.last_sector()));
    places
}

/// Writes the list of one checksum, as a new file.
fn write_checksum(path: &Path, sha256: &str, name: &OsStr) -> Result<(), NewFileError> {
    write_new(path, Readers::AsUsual, |out| {
        let written = out.write_all(&checksum_line(sha256, name));
        written.map_err(|error| NewFileError::Io { path: path.to_path_buf(), error })
    })
}
