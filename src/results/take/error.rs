//! Why taking stops.

use crate::base::ending::{Ending, Ends};
use std::io;
use std::path::PathBuf;

/// Nothing more can be taken.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TakeError {
    /// There is something in the destination already.
    #[error("{path}: is not empty; nothing is ever overwritten, so give a new or an empty folder")]
    NotEmpty {
        /// The folder as given.
        path: PathBuf,
    },
    /// The destination's disk is full.
    #[error(
        "{path}: no room left for it; what was taken before is complete; make room, then take the rest into another folder"
    )]
    Full {
        /// What was being written.
        path: PathBuf,
    },
    /// [`super::Take::stop`] was set.
    #[error("stopped as asked; the files in {path} are complete; take the rest into another folder")]
    Stopped {
        /// The destination.
        path: PathBuf,
    },
    /// The destination cannot be written.
    #[error("{path}: cannot be written: {error}")]
    Io {
        /// What was being written.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

impl TakeError {
    pub(super) fn io(path: impl Into<PathBuf>, error: io::Error) -> TakeError {
        let path = path.into();
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => TakeError::Full { path },
            _ => TakeError::Io { path, error },
        }
    }
}

/// Whether the next file will fare no better.
pub(super) fn ends_all(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::ReadOnlyFilesystem
    )
}

impl Ends for TakeError {
    fn ending(&self) -> Ending {
        match self {
            TakeError::Stopped { .. } => Ending::NotFinished,
            _ => Ending::Destination,
        }
    }
}
