//! Whether the destination has room.

use super::costs::ScopeReport;
use crate::extent::Extent;
use crate::human;
use crate::plan::{PlanReadError, PlanVisitor, Scope, follow_plan, open_plan};
use crate::source::Store;
use serde::Serialize;
use std::convert::Infallible;
use std::io;
use std::path::{Path, PathBuf};

/// The room at a destination, compared with what each scope needs.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct DestinationReport {
    /// The folder looked at.
    #[serde(serialize_with = "crate::text::serialize_path")]
    pub folder: PathBuf,
    /// Bytes free there for an ordinary user.
    pub free_bytes: u64,
    /// The largest scope that fits.
    pub largest_scope: Option<Scope>,
    /// The same as a sentence.
    pub sentence: String,
}

/// Looks at the room in `folder`.
///
/// # Errors
/// What the kernel says when there is no such folder.
pub fn destination(folder: &Path, scopes: &[ScopeReport]) -> io::Result<DestinationReport> {
    let stat = rustix::fs::statvfs(folder)?;
    let free_bytes = stat.f_bavail.saturating_mul(stat.f_frsize);
    let free = human::bytes(free_bytes);
    let fitting = scopes.iter().rev().find(|scope| scope.room_bytes <= free_bytes);
    let sentence = match fitting {
        Some(scope) if scope.scope == Scope::Whole => {
            format!("room for everything: {free} free in {}", folder.display())
        }
        Some(scope) => format!(
            "room up to scope `{}` ({}), not for the next larger one: {free} free in {}",
            scope.scope,
            human::bytes(scope.room_bytes),
            folder.display()
        ),
        None => format!("no room, not even for the structure: {free} free in {}", folder.display()),
    };
    Ok(DestinationReport {
        folder: folder.to_path_buf(),
        free_bytes,
        largest_scope: fitting.map(|s| s.scope),
        sentence,
    })
}

/// Why there is no room for a copy.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RoomError {
    /// The plan cannot be read.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
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
pub fn room_for(plan: &Path, store: &dyn Store, folder: &Path) -> Result<(), RoomError> {
    struct Missing<'s> {
        store: &'s dyn Store,
        bytes: u64,
    }
    impl PlanVisitor for Missing<'_> {
        type Error = Infallible;
        fn extent(&mut self, extent: Extent) -> Result<(), Infallible> {
            let held: u64 = self.store.held(extent).iter().map(|e| e.bytes).sum();
            self.bytes += extent.bytes - held;
            Ok(())
        }
    }
    let mut missing = Missing { store, bytes: 0 };
    follow_plan(open_plan(plan)?, &mut missing).map_err(PlanReadError::from)?;
    let stat = rustix::fs::statvfs(folder)
        .map_err(|error| RoomError::Unknown { folder: folder.to_path_buf(), error: error.into() })?;
    let free = stat.f_bavail.saturating_mul(stat.f_frsize);
    let needed = if missing.bytes == 0 { 0 } else { missing.bytes + SPARE };
    if free < needed { Err(RoomError::TooSmall { folder: folder.to_path_buf(), free, needed }) } else { Ok(()) }
}
