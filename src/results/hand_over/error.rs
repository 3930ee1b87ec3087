//! Why nothing is handed over, or not all of it.

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::base::new_file::NewFileError;
use crate::case::CaseError;
use crate::partition::DriveMark;
use crate::source::host::HostError;
use crate::source::{OpenError, SourceLost};
use crate::store::image::ImageError;
use std::io;
use std::path::PathBuf;

/// Why a case's content is not handed over.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HandOverError {
    /// The drive must not be written.
    #[error("{path} is not written to: {why}")]
    Refused {
        /// The drive.
        path: PathBuf,
        /// Why.
        why: Refusal,
    },
    /// Writing to the drive failed.
    #[error(
        "{path}: the drive cannot be written at byte {at} (LBA {lba}): {error}; it has no tables and boot sectors, so that nothing takes it \
         for a copy; use another drive"
    )]
    Write {
        /// The drive.
        path: PathBuf,
        /// Byte of the drive.
        at: u64,
        /// Its logical sector there.
        lba: u64,
        /// What the kernel said.
        error: io::Error,
    },
    /// The drive holds something else than what was written.
    #[error(
        "{path}: what was read back differs from what was written in {bytes} bytes, first at byte {first}; the drive is not sound, and it has \
         no tables and boot sectors; use another drive"
    )]
    Differs {
        /// The drive.
        path: PathBuf,
        /// Bytes that differ.
        bytes: u64,
        /// The first place.
        first: u64,
    },
    /// A file that was written holds something else.
    #[error(
        "{path}: what was read back differs from the case in {bytes} bytes, first at byte {first} of the drive; do not use it"
    )]
    FileDiffers {
        /// The file.
        path: PathBuf,
        /// Bytes that differ.
        bytes: u64,
        /// The first place.
        first: u64,
    },
    /// No room.
    #[error("{path}: at least {needed} bytes are needed, and there is room for {room}: nothing was written")]
    NoRoom {
        /// The file.
        path: PathBuf,
        /// Bytes needed.
        needed: u64,
        /// Bytes free.
        room: u64,
    },
    /// It was stopped.
    #[error("stopped as asked: {path} {left}; the same command begins again")]
    Stopped {
        /// The file or drive.
        path: PathBuf,
        /// What is there.
        left: &'static str,
    },
    /// The file.
    #[error(transparent)]
    Image(#[from] ImageError),
    /// The file, or the list of checksums.
    #[error(transparent)]
    NewFile(#[from] NewFileError),
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// The case's image.
    #[error(transparent)]
    Lost(#[from] SourceLost),
    /// The drive cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// What this machine does with the drive.
    #[error(transparent)]
    Host(#[from] HostError),
}

/// Why a drive must not be written. Only [`Refusal::NotEmpty`] can be answered by a word.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// No whole drive.
    #[error("it is not a whole drive that this machine has; `gleaner drives` lists those")]
    NotADrive,
    /// It has no serial number.
    #[error("it has no serial number, so that another drive could be meant")]
    NoSerial,
    /// Another serial number was typed.
    #[error("its serial number is {is}, not {typed}; `gleaner drives` lists all")]
    OtherSerial {
        /// What it has.
        is: String,
        /// What was typed.
        typed: String,
    },
    /// Several drives have the number.
    #[error("{others} has the serial number {serial} too; detach it, or use another adapter")]
    SerialNotUnique {
        /// The number.
        serial: String,
        /// The other drive.
        others: String,
    },
    /// The kernel refuses to write to it.
    #[error("it is read-only")]
    ReadOnly,
    /// It cannot be opened for this process alone.
    #[error("it cannot be opened exclusively: {0}; unmount it, and end what uses it")]
    NotExclusive(io::Error),
    /// It became another while it was opened.
    #[error("it was exchanged while it was opened")]
    Exchanged,
    /// Something uses it.
    #[error("it is in use: {0}")]
    Held(String),
    /// Another logical sector.
    #[error(
        "its logical sectors have {is} bytes, those of the case's drive {wanted}: nothing on the copy would be found"
    )]
    OtherSector {
        /// What it has.
        is: u64,
        /// What the case's drive has.
        wanted: u64,
    },
    /// Too small.
    #[error("it has {is} bytes, the case's drive {wanted}")]
    TooSmall {
        /// What it has.
        is: u64,
        /// What the case's drive has.
        wanted: u64,
    },
    /// It may be the case's drive.
    #[error("bytes {} to {} of it cannot be read ({error}): it is not sound, or it is the case's drive, and that cannot be told", place.start.0, place.end())]
    CannotTell {
        /// What cannot be read.
        place: Extent,
        /// What the kernel said.
        error: String,
    },
    /// The case knows it.
    #[error("it is the case's own drive ({0})")]
    KnownToCase(&'static str),
    /// It has a number of the case's drive.
    #[error(
        "it bears {0} of the case's drive: it is that drive, or a copy of it. If it is a copy that may go, erase all of it first"
    )]
    BearsMark(DriveMark),
    /// It holds the same bytes.
    #[error(
        "it has the same bytes as the case's drive: it is that drive, or a copy of it. If it is a copy that may go, erase all of it first"
    )]
    SameContent,
    /// Nothing is known of the case's drive.
    #[error("nothing but zeros was copied into the case: its drive cannot be told from this one")]
    NothingKnown,
    /// Something is on it.
    #[error("it holds {0}; say --overwrite if all of that may be lost")]
    NotEmpty(String),
}

impl Ends for HandOverError {
    fn ending(&self) -> Ending {
        match self {
            HandOverError::Stopped { .. } | HandOverError::Lost(SourceLost::Stopped) => Ending::NotFinished,
            HandOverError::Differs { .. } | HandOverError::FileDiffers { .. } => Ending::Incomplete,
            HandOverError::Case(error) => error.ending(),
            HandOverError::Host(_) | HandOverError::Lost(_) => Ending::Case,
            _ => Ending::Destination,
        }
    }
}
