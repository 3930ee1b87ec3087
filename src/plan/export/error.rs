//! What can go wrong with an export.

use crate::base::ending::{Ending, Ends};
use crate::base::new_file::NewFileError;
use crate::plan::PlanReadError;
use std::io;
use std::path::PathBuf;

/// Why an export was not made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ExportError {
    /// The plan could not be read.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
    /// The destination could not be written.
    #[error(transparent)]
    File(#[from] NewFileError),
    /// The output could not be written.
    #[error("the export could not be written: {0}")]
    Output(#[from] io::Error),
    /// Nothing in the plan tells its drive from another.
    #[error(
        "{plan}: this plan was made before anything of its drive could be read, so nothing in it tells that drive from another; it is \
         followed only in its own case"
    )]
    NoFingerprint {
        /// The plan.
        plan: PathBuf,
    },
    /// A device name that a table cannot hold.
    #[error(
        "the device `{device}` cannot stand in a device-mapper table, where blanks separate the fields: name it as a path without blanks, or by its numbers as MAJOR:MINOR"
    )]
    DeviceName {
        /// The name.
        device: String,
    },
    /// A source that does not end on a sector of 512 bytes.
    #[error(
        "the source has {bytes} bytes, not a whole number of 512-byte sectors, which is all that a device-mapper table can describe: lengthen the image to {whole} bytes"
    )]
    PartialSector {
        /// The source's size.
        bytes: u64,
        /// The next size that is a whole number of sectors.
        whole: u64,
    },
}

impl Ends for ExportError {
    fn ending(&self) -> Ending {
        match self {
            ExportError::Plan(error) => error.ending(),
            ExportError::File(_) | ExportError::Output(_) => Ending::Destination,
            ExportError::DeviceName { .. } => Ending::Usage,
            ExportError::NoFingerprint { .. } | ExportError::PartialSector { .. } => Ending::Plan,
        }
    }
}
