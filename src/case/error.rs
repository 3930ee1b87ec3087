//! What can go wrong with a case.

use crate::base::ending::{Ending, Ends};
use crate::base::new_file::NewFileError;
use crate::source::SourceLost;
use crate::store::image::{ImageError, ImageForm};
use crate::store::journal::JournalError;
use std::io;
use std::path::{Path, PathBuf};

/// Why a case cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaseError {
    /// No such folder.
    #[error("{folder}: there is no such case; a case is made by the first command with a drive and --case")]
    Missing {
        /// The folder as given.
        folder: PathBuf,
    },
    /// The folder holds something else.
    #[error("{folder}: is not a case and not empty (it holds {found:?}); give a new or empty folder")]
    NotACase {
        /// The folder as given.
        folder: PathBuf,
        /// One of the things in it.
        found: PathBuf,
    },
    /// There is a journal in the folder, but no case file.
    #[error(
        "{folder}: holds a case's journal, but its case.json is lost; `gleaner mend --case {folder} DRIVE` writes it anew \
         from the journal, the drive and what you know of it"
    )]
    NoCaseFile {
        /// The folder as given.
        folder: PathBuf,
    },
    /// The case's file is damaged, and a new one cannot be written in its place.
    #[error("{path}: cannot be understood ({reason}); move it away, then `gleaner mend` writes a new one")]
    CaseFileInTheWay {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// Not one image, so that it must be said which.
    #[error(
        "it is not clear which file is the image: {}; name it with --image",
        if names.is_empty() { "there is none".to_owned() } else { names.join(", ") }
    )]
    WhichImage {
        /// Those that are there.
        names: Vec<String>,
    },
    /// The technician must say which byte unreadable ranges have.
    #[error(
        "say with --fill which byte unreadable sectors have in this image; at byte {at}, which is unreadable, it holds {shown:#04x}"
    )]
    WhichFill {
        /// What the image holds there.
        shown: u8,
        /// An unreadable place.
        at: u64,
    },
    /// The case's journal is not there.
    #[error(
        "{path}: the case's journal is missing, and without it nothing tells which bytes of the image are copies; put it back, \
         or make a new case in another folder"
    )]
    JournalMissing {
        /// Where it should be.
        path: PathBuf,
    },
    /// The source is one of the case's own files.
    #[error(
        "{source_path} is the case's own file {file}, directly or by a link: a case cannot be copied into itself; give the \
         drive, or another folder for the case"
    )]
    SourceInCase {
        /// The source.
        source_path: PathBuf,
        /// What it is in the case's folder.
        file: PathBuf,
    },
    /// An image file was changed since it was last read.
    #[error(
        "{path} was changed since this case read it last ({before} then, {now} now); what was read before and after may not \
         fit together. If you know why, say --source-changed; else find out first, or make a new case"
    )]
    SourceChanged {
        /// The image file.
        path: PathBuf,
        /// Its time of change then.
        before: String,
        /// Its time of change now.
        now: String,
    },
    /// A copy has begun, and its image keeps its form.
    #[error(
        "{folder}: the image of this case is {is}, and its copy has begun: it stays so. Go on without --as; \
         `gleaner hand-over --case {folder} --as {wanted} --to FILE` writes a {wanted} image from the case at any time"
    )]
    FormIsSettled {
        /// The case.
        folder: PathBuf,
        /// The form it has.
        is: ImageForm,
        /// The form as given.
        wanted: ImageForm,
    },
    /// No room for the image in another form.
    #[error(
        "the image in its new form needs {needed} bytes, and there is room for {room}: nothing was changed; free some room, or \
         keep the form"
    )]
    NoRoomForForm {
        /// Bytes needed.
        needed: u64,
        /// Bytes free.
        room: u64,
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
        "none of the places that identify this drive can be read any more, and no serial number tells whether it is the case's \
         drive; check power and cabling. If you know that it is this drive, say --same-drive"
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
    /// Another fill was chosen after sectors were found unreadable.
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
    /// A file of the case could not be written.
    #[error(transparent)]
    Write(#[from] NewFileError),
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

impl Ends for CaseError {
    fn ending(&self) -> Ending {
        match self {
            CaseError::Source(error) => error.ending(),
            CaseError::NoPlan { .. } => Ending::Plan,
            CaseError::FormIsSettled { .. } => Ending::Usage,
            CaseError::Write(_) | CaseError::NoRoomForForm { .. } => Ending::Destination,
            _ => Ending::Case,
        }
    }
}
