//! After (or during) copying: file by file what is complete and what is not.

mod above;
mod folders;
mod state;
mod wanted;

pub use folders::{FolderAudit, LeftOverName, LostFolder, Tally, UnreadableIndex, fitting_level};
pub use state::{FileAudit, FileState, Truth};
pub use wanted::{Snapshot, WantedCount, WantedCounter};

use crate::base::extent::{Extent, ExtentSet};
use crate::base::human;
use crate::filesystem::ntfs::{NamedOnly, NamesOnly};
use crate::filesystem::{NodeKind, ORPHANS, Purpose, Role, SpaceMap, VolumeMap};
use crate::survey::allocation::{DriveMap, Patterns};
use above::FolderStates;
use folders::FolderSums;
use serde::Serialize;

/// The sum of an audit.
#[derive(Serialize, Debug, Clone, PartialEq, Eq, Default)]
pub struct AuditSummary {
    /// The files that the plan wants first, by pattern.
    pub wanted: Vec<WantedCount>,
    /// Files and bytes in each state, all volumes together.
    pub totals: Tally,
    /// The same for each folder that has files below it, volume by volume, each folder after its parent.
    pub folders: Vec<FolderAudit>,
    /// Folders whose own entries could not all be read: files may be missing from them without a trace.
    pub unreadable_indexes: Vec<UnreadableIndex>,
    /// Folders that only the folder above them names.
    pub lost_folders: Vec<LostFolder>,
    /// Names in the unused space of folders' index blocks, of files whose records are lost or not read yet. Most are of deleted
    /// files, or older names of files that exist; they are counted nowhere else.
    pub left_over_names: Vec<LeftOverName>,
    /// How many more of those there are.
    pub left_over_unlisted: u64,
    /// Files with clusters behind their valid data that are not in the image, and their bytes: [`FileAudit::unread_tail`].
    pub unread_tails: u64,
    /// Their bytes.
    pub unread_tail_bytes: u64,
    /// Planned bytes that are unreadable, whether a file lies there or structure, or nothing that is known.
    pub unreadable_bytes: u64,
    /// Volumes whose files are not listed, because their allocation map alone is read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unlisted: Vec<UnlistedVolume>,
}

/// A volume of which the allocation map alone is read.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct UnlistedVolume {
    /// Its first byte.
    pub volume: u64,
    /// File system.
    pub file_system: &'static str,
    /// Bytes in use, or planned as that.
    pub in_use_bytes: u64,
    /// Bytes of them that are safe.
    pub safe_bytes: u64,
    /// Bytes of them that are unreadable.
    pub unreadable_bytes: u64,
}

impl UnlistedVolume {
    fn of(map: &SpaceMap, truth: &Truth<'_>) -> UnlistedVolume {
        let in_use: ExtentSet = map.in_use().into_iter().collect();
        let sum = |places: Vec<Extent>| places.iter().map(|place| in_use.bytes_within(*place)).sum();
        UnlistedVolume {
            volume: map.extent.start.0,
            file_system: map.recognised.kind.name(),
            in_use_bytes: in_use.bytes(),
            safe_bytes: sum(truth.store.held(map.extent)),
            unreadable_bytes: sum(truth.store.unreadable(map.extent)),
        }
    }

    /// How much of it is safe, as a sentence.
    pub fn sentence(&self) -> String {
        let [in_use, safe, unreadable] = [self.in_use_bytes, self.safe_bytes, self.unreadable_bytes].map(human::bytes);
        format!(
            "{} at byte {}: its files are not read one by one. Of {in_use} in use, {safe} are safe and {unreadable} unreadable.",
            self.file_system, self.volume
        )
    }
}

/// Judges the existing files of every volume and hands each over, in the order of the file list; behind each volume's files
/// those of which only a folder's index tells the name. With patterns in `below` only files that one of them takes count, except for
/// [`AuditSummary::wanted`] and [`AuditSummary::unreadable_bytes`], which are of the whole drive.
///
/// # Errors
/// Whatever `each` gives.
pub fn audit<E>(
    drive: &DriveMap,
    truth: &Truth<'_>,
    below: &Patterns,
    mut each: impl FnMut(&FileAudit) -> Result<(), E>,
) -> Result<AuditSummary, E> {
    let unreadable = truth.store.unreadable(drive.identity.extent());
    let unreadable_bytes = unreadable.into_iter().map(|extent| truth.planned.bytes_within(extent)).sum();
    let wanted = WantedCount::of_each(truth.wanted);
    let unlisted = drive.mapped().map(|(_, map)| UnlistedVolume::of(map, truth)).collect();
    let mut summary = AuditSummary { wanted, unreadable_bytes, unlisted, ..AuditSummary::default() };
    for (_, volume) in drive.volumes() {
        audit_volume(volume, truth, below, &mut summary, &mut each)?;
    }
    Ok(summary)
}

fn audit_volume<E>(
    volume: &VolumeMap,
    truth: &Truth<'_>,
    below: &Patterns,
    summary: &mut AuditSummary,
    each: &mut impl FnMut(&FileAudit) -> Result<(), E>,
) -> Result<(), E> {
    let mut sums = FolderSums::new(&volume.catalog);
    let choice = truth.wanted.choose(&volume.catalog);
    let counted = below.choose(&volume.catalog);
    let counts_name = |named: &NamedOnly| below.is_empty() || below.takes(&named.path(volume));
    let names = NamesOnly::find(volume, truth.store);
    let mut folder_states = FolderStates::new(volume, truth);
    for node in volume.catalog.nodes().filter(|n| !n.is_deleted() && n.purpose() == Purpose::Client) {
        let lane = choice.lane(node.id());
        let mut worst = None;
        let counts = below.is_empty() || counted.lane(node.id()).is_some();
        let folders_above = folder_states.above(&node);
        for stream in node.streams() {
            match stream.role() {
                Role::Data => {
                    let file = FileAudit {
                        wanted: lane.is_some(),
                        folders_above,
                        ..state::judge(volume, &node, &stream, truth)
                    };
                    worst = worst.max(Some(file.state));
                    if !counts {
                        continue;
                    }
                    summary.totals.add(file.state, file.size);
                    sums.add(&node, file.state, file.size);
                    summary.unread_tails += u64::from(file.unread_tail > 0);
                    summary.unread_tail_bytes = summary.unread_tail_bytes.saturating_add(file.unread_tail);
                    each(&file)?;
                }
                Role::FolderIndex if counts && node.kind() == NodeKind::Folder => {
                    let damaged = names.damaged.get(&node.id()).copied().unwrap_or(0);
                    let bytes = state::unreadable_bytes(volume, &stream, truth) + damaged;
                    if bytes > 0 {
                        let (volume, path) = (volume.extent.start.0, node.path());
                        summary.unreadable_indexes.push(UnreadableIndex { volume, path, bytes });
                    }
                }
                _ => {}
            }
        }
        if let (Some(state), Some(lane), NodeKind::File) = (worst, lane, node.kind()) {
            summary.wanted[usize::from(lane)].add(state, folders_above);
        }
    }
    for named in &names.existing {
        match named.kind {
            NodeKind::File => {
                let lane = wanted::lane_of_name(volume, named, truth.wanted);
                let file = FileAudit { wanted: lane.is_some(), ..FileAudit::of_name(volume, named) };
                if let Some(lane) = lane {
                    summary.wanted[lane].add(file.state, FileState::Whole);
                }
                if !counts_name(named) {
                    continue;
                }
                summary.totals.add(file.state, file.size);
                sums.add_in(named.folder, file.state, file.size);
                each(&file)?;
            }
            NodeKind::Folder if !counts_name(named) => {}
            NodeKind::Folder => summary.lost_folders.push(LostFolder {
                volume: volume.extent.start.0,
                path: named.path(volume),
                known_as: format!("/{ORPHANS}/{}", named.number),
            }),
        }
    }
    let left_over =
        |named: &NamedOnly| LeftOverName { volume: volume.extent.start.0, path: named.path(volume), size: named.size };
    summary.left_over_names.extend(names.left_over.iter().filter(|named| counts_name(named)).map(left_over));
    summary.left_over_unlisted += names.left_over_unlisted;
    summary.folders.extend(sums.finish(volume));
    Ok(())
}
