//! What can go wrong with watching.

use crate::base::ending::{Ending, Ends};
use crate::case::CaseError;
use std::io;

/// Why a case cannot be watched.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WatchError {
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// The port.
    #[error("cannot serve a page on port {port} of this machine: {error}; give another with --port, or none")]
    Bind {
        /// The port as given.
        port: u16,
        /// What the system says.
        error: io::Error,
    },
    /// The system gives no sockets or timers.
    #[error("cannot serve a page: {0}")]
    Serve(io::Error),
}

impl Ends for WatchError {
    fn ending(&self) -> Ending {
        match self {
            WatchError::Case(error) => error.ending(),
            WatchError::Bind { .. } | WatchError::Serve(_) => Ending::Failed,
        }
    }
}
