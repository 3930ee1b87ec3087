//! The drives of this machine, each with the cases that know it.

use crate::case::{CaseView, KnownBy, cases_in};
use crate::source::host::{HostDrive, HostError, drives};
use serde::Serialize;
use std::path::PathBuf;

/// A drive of this machine.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct KnownDrive {
    /// The drive, and what this machine does with it.
    #[serde(flatten)]
    pub found: HostDrive,
    /// The cases that know it.
    pub cases: Vec<KnowingCase>,
}

/// A case that knows a drive.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct KnowingCase {
    /// Its folder.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub folder: PathBuf,
    /// By what it knows the drive.
    pub by: KnownBy,
}

/// The drives of this machine by name, with the cases among `folders` and in them that know each. No drive is opened.
///
/// # Errors
/// [`HostError::NotKnown`] when the kernel's tables cannot be read.
pub fn known_drives(folders: &[PathBuf]) -> Result<Vec<KnownDrive>, HostError> {
    // A case that cannot be read knows nothing; `gleaner mend` says more of it.
    let read = |folder: PathBuf| Some((CaseView::new(&folder).ok()?.file().ok()?, folder));
    let cases: Vec<_> = cases_in(folders).into_iter().filter_map(read).collect();
    let with_cases = |found: HostDrive| {
        let knows = |(case, folder): &(crate::case::CaseFile, PathBuf)| {
            Some(KnowingCase { folder: folder.clone(), by: case.knows(&found.drive)? })
        };
        KnownDrive { cases: cases.iter().filter_map(knows).collect(), found }
    };
    Ok(drives()?.into_iter().map(with_cases).collect())
}
