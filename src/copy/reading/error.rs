//! Why copying could not go on.

use super::CopyOutcome;
use crate::base::ending::{Ending, Ends};
use crate::source::SourceLost;
use std::io;

/// Why copying could not go on. What was committed before is safe in every case.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CopyError {
    /// The plan was made for a drive of another size.
    #[error(
        "the plan is for a drive of {plan_bytes} bytes, but this source has {source_bytes}: make a plan for this drive"
    )]
    OtherSource {
        /// Size of the plan's drive.
        plan_bytes: u64,
        /// Size of the source at hand.
        source_bytes: u64,
    },
    /// The plan's extents do not lie on this drive's sectors.
    #[error(
        "the plan is made of {plan_sector}-byte sectors, but this drive can only be read in sectors of \
         {source_sector} bytes: make a plan for this drive"
    )]
    OtherSectors {
        /// Logical sector size of the plan, in bytes.
        plan_sector: u64,
        /// Logical sector size of the drive, in bytes.
        source_sector: u64,
    },
    /// A request size that cannot be used.
    #[error(
        "requests of {bytes} bytes: must be a multiple of the physical sector ({sector} bytes), up to {most} bytes"
    )]
    RequestSize {
        /// Size as given.
        bytes: u64,
        /// The drive's physical sector, in bytes.
        sector: u64,
        /// The largest size.
        most: u64,
    },
    /// What arrived could not be kept (no room, a failing destination).
    #[error("{doing} failed: {error}; copying stopped, and what was recorded before is safe")]
    Store {
        /// What was being done.
        doing: &'static str,
        /// What the kernel said.
        error: io::Error,
        /// How far it came.
        outcome: Box<CopyOutcome>,
    },
    /// The trace could not be written, or the source cannot be read as asked.
    #[error("{error}")]
    Source {
        /// Why.
        error: SourceLost,
        /// How far it came.
        outcome: Box<CopyOutcome>,
    },
}

impl Ends for CopyError {
    fn ending(&self) -> Ending {
        match self {
            CopyError::Store { .. } => Ending::Destination,
            CopyError::Source { error, .. } => error.ending(),
            CopyError::RequestSize { .. } => Ending::Usage,
            CopyError::OtherSource { .. } | CopyError::OtherSectors { .. } => Ending::Plan,
        }
    }
}
