//! Why a source cannot be opened, or reading cannot go on. What one failed read means: `failure`.

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use std::io;
use std::path::PathBuf;

/// Why a source could not be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Nothing there.
    #[error("{path}: there is no such file or device; check the name, and that the drive is connected")]
    Missing {
        /// The path as given.
        path: PathBuf,
    },
    /// The kernel refuses.
    #[error("{path}: no permission to read it; ask the system's owner, or run as a user who may read the device")]
    Denied {
        /// The path as given.
        path: PathBuf,
    },
    /// Neither a regular file nor a block device.
    #[error("{path}: is a {what}, not an image file or a block device")]
    WrongKind {
        /// The path as given.
        path: PathBuf,
        /// What it is.
        what: &'static str,
    },
    /// Zero bytes long.
    #[error("{path}: is empty (0 bytes); a drive that answers has a size, so check power and cabling or the image")]
    Empty {
        /// The path as given.
        path: PathBuf,
    },
    /// A sector size that is not a power of two from 512 to 65536.
    #[error("sector size {bytes}: must be a power of two from 512 to 65536")]
    SectorSize {
        /// The size as given.
        bytes: u64,
    },
    /// Anything else.
    #[error("{path}: cannot be opened: {error}")]
    Other {
        /// The path as given.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

impl OpenError {
    pub(super) fn from_io(path: &std::path::Path, error: io::Error) -> OpenError {
        let path = path.to_path_buf();
        match error.kind() {
            io::ErrorKind::NotFound => OpenError::Missing { path },
            io::ErrorKind::PermissionDenied => OpenError::Denied { path },
            _ => OpenError::Other { path, error },
        }
    }
}

/// Reading cannot go on at all.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SourceLost {
    /// The device vanished.
    #[error("the source stopped answering at byte {} (LBA {}): {error}; nothing was written to it; check power and cable, then start again", extent.start.0, extent.start.0 / sector)]
    Gone {
        /// What was being read.
        extent: Extent,
        /// Its logical sector size, in bytes.
        sector: u64,
        /// What the kernel said.
        error: io::Error,
    },
    /// The process was asked to stop.
    #[error("stopped as asked, before the work was done; what a case holds is safe, and the same command goes on")]
    Stopped,
    /// Working from a case alone, without the drive, and the case lacks what is needed.
    #[error(
        "bytes {} to {} are not in the case, and no drive was given: run the command again with the drive",
        extent.start.0, extent.end()
    )]
    NotInCase {
        /// What is missing.
        extent: Extent,
    },
    /// The case's image or journal could not be read or written.
    #[error("the case could not be read or written: {0}; what was journalled before is safe")]
    Store(io::Error),
    /// A read was requested beyond the end: a mistake in a caller, never in the data.
    #[error("bytes {} to {} asked for, but the source ends at byte {size}", extent.start.0, extent.end())]
    BeyondEnd {
        /// What was requested.
        extent: Extent,
        /// The source's size in bytes.
        size: u64,
    },
    /// The trace could not be written.
    #[error("the trace file could not be written: {0}")]
    Trace(io::Error),
}

impl Ends for OpenError {
    fn ending(&self) -> Ending {
        match self {
            OpenError::SectorSize { .. } => Ending::Usage,
            _ => Ending::SourceNotOpened,
        }
    }
}

impl Ends for SourceLost {
    fn ending(&self) -> Ending {
        match self {
            // What is lost need not be the source: the case or the trace may have no room.
            SourceLost::Store(_) | SourceLost::Trace(_) => Ending::Destination,
            SourceLost::Stopped => Ending::NotFinished,
            _ => Ending::SourceLost,
        }
    }
}
