//! Whether the case's folder has room for what a plan still brings.

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::plan::Plan;
use crate::source::CopyStore;
use std::io;
use std::path::{Path, PathBuf};

/// Why there is no room for a copy.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RoomError {
    /// There is less room than needed.
    #[error(
        "{folder}: {free} bytes free, but the plan still has {needed} bytes to bring; make room, or plan a smaller scope. Nothing was read"
    )]
    TooSmall {
        /// The case's folder.
        folder: PathBuf,
        /// Bytes free there.
        free: u64,
        /// Bytes needed.
        needed: u64,
    },
    /// The room cannot be found out.
    #[error("{folder}: the room there cannot be found out: {error}")]
    Unknown {
        /// The case's folder.
        folder: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

/// Room for what a file system itself needs while a copy grows, and for the journal.
const SPARE: u64 = 16 << 20;

/// Makes sure that what a plan has still to bring fits where the case lies.
///
/// # Errors
/// [`RoomError`].
pub fn room_for(plan: &Plan, store: &dyn CopyStore, folder: &Path) -> Result<(), RoomError> {
    let held = |extent: Extent| store.held(extent).iter().map(|held| held.bytes).sum::<u64>();
    let missing: u64 = plan.ascending().map(|extent| extent.bytes - held(extent)).sum();
    let stat = rustix::fs::statvfs(folder)
        .map_err(|error| RoomError::Unknown { folder: folder.to_path_buf(), error: error.into() })?;
    let free = stat.f_bavail.saturating_mul(stat.f_frsize);
    let needed = if missing == 0 { 0 } else { missing + SPARE };
    if free < needed { Err(RoomError::TooSmall { folder: folder.to_path_buf(), free, needed }) } else { Ok(()) }
}

impl Ends for RoomError {
    fn ending(&self) -> Ending {
        Ending::Destination
    }
}
