//! Why following a case's plan failed.

use super::RoomError;
use crate::base::ending::{Ending, Ends};
use crate::base::new_file::NewFileError;
use crate::case::CaseError;
use crate::copy::reading::CopyError;
use crate::copy::session::SessionError;
use crate::plan::{MakeError, PlanReadError};

/// Why copying in a case failed. What was kept before is safe.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaseCopyError {
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// There is no room for what the plan brings.
    #[error(transparent)]
    Room(#[from] RoomError),
    /// Copying.
    #[error(transparent)]
    Copy(#[from] CopyError),
    /// Reading the structure again.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// Making the plan again.
    #[error(transparent)]
    Make(#[from] MakeError),
    /// Reading the plan.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
    /// Writing the new plan.
    #[error(transparent)]
    Write(#[from] NewFileError),
    /// Nothing by that name has clusters of its own.
    #[error(
        "{path}: no file or folder by this name has clusters on the drive; `gleaner files --case` lists all there are"
    )]
    NoSuchFile {
        /// What was requested.
        path: String,
    },
    /// The plan's drive cannot be told from another.
    #[error(
        "this plan was made before anything of its drive could be read, and no serial number tells that this is its drive; if you know \
         that it is, say --same-drive"
    )]
    PlanOfUnknownDrive,
}

impl Ends for CaseCopyError {
    fn ending(&self) -> Ending {
        match self {
            CaseCopyError::Case(error) => error.ending(),
            CaseCopyError::Room(error) => error.ending(),
            CaseCopyError::Copy(error) => error.ending(),
            CaseCopyError::Session(error) => error.ending(),
            CaseCopyError::Make(error) => error.ending(),
            CaseCopyError::Plan(error) => error.ending(),
            CaseCopyError::Write(error) => error.ending(),
            CaseCopyError::NoSuchFile { .. } => Ending::Usage,
            CaseCopyError::PlanOfUnknownDrive => Ending::Case,
        }
    }
}
