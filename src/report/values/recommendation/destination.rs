//! Whether the destination has room.

use crate::base::human;
use crate::plan::Scope;
use crate::report::values::costs::ScopeReport;
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};

/// The room at a destination, compared with what each scope needs.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct DestinationReport {
    /// The folder looked at.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
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
