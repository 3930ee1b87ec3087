//! After (or during) copying: file by file what is whole and what is not.

mod folders;
mod state;

pub use folders::{FolderAudit, Tally, UnreadableIndex};
pub use state::{FileAudit, FileState, Truth};

use crate::allocation::DriveMap;
use crate::fs::{NodeKind, Purpose, Role, VolumeMap};
use folders::FolderSums;
use serde::Serialize;

/// The sum of an audit.
#[derive(Serialize, Debug, Clone, PartialEq, Eq, Default)]
pub struct AuditSummary {
    /// Files and bytes in each state, all volumes together.
    pub totals: Tally,
    /// The same for each folder that has files below it, volume by volume, each folder after its parent.
    pub folders: Vec<FolderAudit>,
    /// Folders whose own entries could not all be read: files may be missing from them without a trace.
    pub unreadable_indexes: Vec<UnreadableIndex>,
    /// Planned bytes that are unreadable, whether a file lies there or structure, or nothing that is known.
    pub unreadable_bytes: u64,
}

/// Judges every live file of every volume and hands each over, in the order of the file list.
///
/// # Errors
/// Whatever `each` gives.
pub fn audit<E>(
    drive: &DriveMap,
    truth: &Truth<'_>,
    mut each: impl FnMut(&FileAudit) -> Result<(), E>,
) -> Result<AuditSummary, E> {
    let unreadable = truth.store.unreadable(drive.identity.extent());
    let unreadable_bytes = unreadable.into_iter().map(|extent| truth.planned.bytes_within(extent)).sum();
    let mut summary = AuditSummary { unreadable_bytes, ..AuditSummary::default() };
    for (_, volume) in drive.volumes() {
        audit_volume(volume, truth, &mut summary, &mut each)?;
    }
    Ok(summary)
}

fn audit_volume<E>(
    volume: &VolumeMap,
    truth: &Truth<'_>,
    summary: &mut AuditSummary,
    each: &mut impl FnMut(&FileAudit) -> Result<(), E>,
) -> Result<(), E> {
    let mut sums = FolderSums::new(&volume.catalog);
    for node in volume.catalog.nodes().filter(|n| !n.is_deleted() && n.purpose() == Purpose::Client) {
        for stream in node.streams() {
            match stream.role() {
                Role::Data => {
                    let file = state::judge(volume, &node, &stream, truth);
                    summary.totals.add(file.state, file.size);
                    sums.add(&node, file.state, file.size);
                    each(&file)?;
                }
                Role::FolderIndex if node.kind() == NodeKind::Folder => {
                    let lost = state::unreadable_bytes(volume, &stream, truth);
                    if lost > 0 {
                        let path = node.path();
                        summary.unreadable_indexes.push(UnreadableIndex {
                            volume: volume.extent.start.0,
                            path,
                            bytes: lost,
                        });
                    }
                }
                _ => {}
            }
        }
    }
    summary.folders.extend(sums.finish(volume));
    Ok(())
}
