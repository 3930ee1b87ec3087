//! What can be wrong with an image.

use crate::base::new_file::NewFileError;
use std::io;
use std::path::PathBuf;

/// Why an image could not be created or opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ImageError {
    /// The file could not be created.
    #[error(transparent)]
    Create(#[from] NewFileError),
    /// The file cannot be opened.
    #[error("{path}: the image cannot be opened: {error}")]
    Open {
        /// The path as given.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
    /// Reading or writing failed.
    #[error("the image could not be read or written: {0}")]
    Io(#[from] io::Error),
    /// The drive has no bytes.
    #[error("an image needs at least one byte")]
    Empty,
    /// The destination's file system has no files as long as the drive.
    #[error(
        "the destination's file system cannot hold a file of {bytes} bytes, as a raw image of this drive is; \
         choose another file system, or a VHDX, which is only as long as what was copied"
    )]
    FileTooLong {
        /// Length as given.
        bytes: u64,
    },
    /// Larger than a VHDX can be.
    #[error("a VHDX holds at most 64 TiB, the drive has {bytes} bytes; choose a raw image")]
    TooLargeForVhdx {
        /// The drive's size in bytes.
        bytes: u64,
    },
    /// A sector size that a VHDX cannot have.
    #[error("a VHDX has logical sectors of 512 or 4096 bytes, the drive has {bytes}; choose a raw image")]
    SectorForVhdx {
        /// The drive's logical sector size.
        bytes: u64,
    },
    /// The file is no VHDX, a damaged one, or of a kind that is not read here.
    #[error("the VHDX cannot be used: {0}")]
    Vhdx(#[from] VhdxFault),
}

/// What is wrong with a VHDX. Places are bytes of the file.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum VhdxFault {
    /// It does not begin with the signature.
    #[error("it does not begin with \"vhdxfile\"")]
    Signature,
    /// Neither header is sound.
    #[error("neither of its two headers is sound")]
    Headers,
    /// A version other than 1.
    #[error("its version is {0}, where 1 is known")]
    Version(u16),
    /// Its log holds changes that were not applied yet.
    #[error("its log holds changes that the program which wrote it must apply first")]
    LogInUse,
    /// Neither region table is sound.
    #[error("neither of its two region tables is sound")]
    RegionTables,
    /// A region that must be understood is not.
    #[error("it requires a region that is not known here")]
    UnknownRegion,
    /// A region is missing, misplaced, too long or shared.
    #[error("its {what} region is missing, or does not lie in the file and apart from the others")]
    Region {
        /// Which.
        what: &'static str,
    },
    /// The metadata table or an item is wrong.
    #[error("its metadata are wrong: {what}")]
    Metadata {
        /// What is wrong with them.
        what: &'static str,
    },
    /// It says only what differs from another image.
    #[error("it holds only the differences from another image")]
    HasParent,
    /// The block allocation table is larger than is kept in memory here.
    #[error("its block allocation table has {entries} entries, at most {limit} are read")]
    TableTooLarge {
        /// Number of entries.
        entries: u64,
        /// The limit.
        limit: u64,
    },
    /// An entry of the block allocation table is wrong. Reading the image without writing is still possible.
    #[error(
        "entry {entry} of its block allocation table is damaged ({value:#018x}); it can still be opened for reading"
    )]
    Entry {
        /// Index of the entry.
        entry: u64,
        /// What it holds.
        value: u64,
    },
}
