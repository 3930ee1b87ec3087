//! What can go wrong with a case.

use crate::image::ImageError;
use crate::journal::JournalError;
use crate::model::ModelFileError;
use crate::source::SourceLost;
use std::io;
use std::path::{Path, PathBuf};

/// Why a case cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaseError {
    /// The drive's model in the case.
    #[error("the case's {0}")]
    Model(#[from] ModelFileError),
    /// No such folder.
    #[error("{folder}: there is no such case; a case is made by the first command with a drive and --case")]
    Missing {
        /// The folder asked for.
        folder: PathBuf,
    },
    /// The folder holds something else.
    #[error("{folder}: is not a case and not empty (it holds {found:?}); give a new or empty folder")]
    NotACase {
        /// The folder asked for.
        folder: PathBuf,
        /// One of the things in it.
        found: PathBuf,
    },
    /// Another process works on it.
    #[error("{folder}: another gleaner is working on this case; wait for it to end, or stop it with Ctrl-C")]
    InUse {
        /// The folder.
        folder: PathBuf,
    },
    /// The drive is not the one the case belongs to.
    #[error("this case belongs to another drive: {}; nothing was read", differences.join("; "))]
    OtherSource {
        /// What differs.
        differences: Vec<String>,
    },
    /// The drive has the same size and names, but other content in its tables or boot sectors.
    #[error(
        "this drive differs from the case at byte {byte} (LBA {}), in its tables or boot sectors: it is another drive or was changed since; \
         make a new case for it", byte / sector
    )]
    OtherDrive {
        /// First byte that differs.
        byte: u64,
        /// Logical sector size, in bytes.
        sector: u64,
    },
    /// None of the identifying places can be read any more.
    #[error(
        "none of the places that identify this drive can be read any more, so it cannot be told whether it is the case's drive; \
         check power and cabling"
    )]
    NotConfirmed,
    /// The image has another size than the drive.
    #[error(
        "the case's image is {image} bytes long, its drive {source_bytes}: the image was changed by something else"
    )]
    ImageSize {
        /// The image's size.
        image: u64,
        /// The drive's size.
        source_bytes: u64,
    },
    /// The journal is of another case.
    #[error("the journal in this folder belongs to another case: files of two cases were mixed")]
    OtherJournal,
    /// The case's own file does not make sense.
    #[error("{path}: is not a case file this version can read: {reason}")]
    BadFile {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// Another fill was chosen after sectors were given up.
    #[error("unreadable sectors of this case are filled with {fill:#04x} already; the fill cannot be changed any more")]
    FillInUse {
        /// The fill they have.
        fill: u8,
    },
    /// There is no plan yet.
    #[error("{folder}: holds no plan yet; `gleaner plan --case {folder}` makes one")]
    NoPlan {
        /// The folder.
        folder: PathBuf,
    },
    /// The image.
    #[error("the case's image: {0}")]
    Image(#[from] ImageError),
    /// The journal.
    #[error("the case's journal: {0}")]
    Journal(#[from] JournalError),
    /// The drive, while it was being confirmed.
    #[error(transparent)]
    Source(SourceLost),
    /// Anything else.
    #[error("{path}: {error}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

impl CaseError {
    pub(super) fn io(path: &Path, error: io::Error) -> CaseError {
        CaseError::Io { path: path.to_path_buf(), error }
    }
}
