//! Whether the destination has room.

use super::costs::ScopeReport;
use crate::plan::Scope;
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};

/// The room at a destination, compared with what each scope needs.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct DestinationReport {
    /// The folder looked at.
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
    let fitting = scopes.iter().rev().find(|scope| scope.room_bytes <= free_bytes);
    let sentence = match fitting {
        Some(scope) if scope.scope == Scope::Whole => {
            format!("destination {}: {free_bytes} bytes free, room for everything", folder.display())
        }
        Some(scope) => format!(
            "destination {}: {free_bytes} bytes free, room up to scope `{}` ({} bytes), not for the next larger one",
            folder.display(),
            scope.scope,
            scope.room_bytes
        ),
        None => format!("destination {}: {free_bytes} bytes free, not even room for the structure", folder.display()),
    };
    Ok(DestinationReport {
        folder: folder.to_path_buf(),
        free_bytes,
        largest_scope: fitting.map(|s| s.scope),
        sentence,
    })
}
