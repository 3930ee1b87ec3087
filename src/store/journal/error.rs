//! What can be wrong with a journal.

use crate::base::extent::Extent;
use std::io;
use std::path::PathBuf;

/// Why a journal could not be made, read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// The file cannot be opened.
    #[error("{path}: the journal cannot be opened: {error}")]
    Open {
        /// The path as given.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
    /// Reading, writing or syncing failed.
    #[error("the journal could not be {doing}: {error}; what it said before is safe")]
    Io {
        /// `read`, `written`, `cut`, `made durable` and so on.
        doing: &'static str,
        /// What the kernel said.
        error: io::Error,
    },
    /// The file does not begin as a journal does, or is shorter than a header.
    #[error("this is not a journal: it does not begin with the 64-byte header of one")]
    NotAJournal,
    /// It was written by a newer program.
    #[error("the journal has format version {found}; this program knows versions 1 and 2: use a newer one")]
    Version {
        /// The version it names.
        found: u32,
    },
    /// The header's checksum is wrong, or a field has an impossible value.
    #[error("the journal's header is damaged: {what}; `gleaner mend` saves its sound records into a new one")]
    Header {
        /// What is wrong with it.
        what: &'static str,
    },
    /// A record that had been durable is damaged.
    #[error(
        "the journal is damaged at byte {offset} (record {number}), and sound records follow, so this is no torn end; \
         `gleaner mend` saves the sound ones into a new journal"
    )]
    Damaged {
        /// Where the first damaged record starts in the journal.
        offset: u64,
        /// Its number, from 1.
        number: u64,
    },
    /// A record whose checksum is right says what cannot be.
    #[error(
        "the journal's record {number} at byte {offset} cannot be right: {what}; `gleaner mend` saves the others into a new journal"
    )]
    Unsound {
        /// Where it starts in the journal.
        offset: u64,
        /// Its number, from 1.
        number: u64,
        /// What is wrong with it.
        what: Unsound,
    },
    /// A claim reaches beyond the drive or is empty: a mistake in a caller, never in the data.
    #[error("a claim about bytes {} to {} of a drive of {drive_bytes} bytes", extent.start.0, extent.end())]
    OutOfDrive {
        /// What was claimed of.
        extent: Extent,
        /// The drive's size in bytes.
        drive_bytes: u64,
    },
}

/// How a record can be whole and yet wrong.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Unsound {
    /// It belongs elsewhere: records were reordered, repeated or left out.
    #[error("it is numbered {found}")]
    Misplaced {
        /// The number it has.
        found: u64,
    },
    /// Its kind is not known.
    #[error("its kind is {0}, which this program does not know")]
    Kind(u8),
    /// A field that must be zero is not.
    #[error("a reserved field is not zero")]
    Reserved,
    /// It is empty or reaches beyond the drive.
    #[error("it is about {bytes} bytes from byte {start} on, which the drive does not have")]
    OutOfDrive {
        /// The first byte it names.
        start: u64,
        /// The length it names.
        bytes: u64,
    },
}
