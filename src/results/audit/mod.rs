//! After (or during) copying: file by file what is complete and what is not.

mod above;
mod folders;
mod state;
mod wanted_counts;

pub use folders::{FolderAudit, LeftOverName, LostFolder, StateCounts, UnreadableIndex, fitting_level};
pub use state::{FileAudit, FileState, Truth};
pub use wanted_counts::{Snapshot, WantedCount, WantedCounter};

use crate::base::extent::{Extent, ExtentSet};
use crate::base::human;
use crate::filesystem::ntfs::{NamedOnly, NamesOnly};
use crate::filesystem::{Content, Node, NodeKind, ORPHANS, Purpose, Role, Stream, VolumeMap};
use crate::partition::signature::Sign;
use crate::survey::allocation::{DriveArea, DriveMap, Patterns};
use above::FolderStates;
use folders::FolderSums;
use serde::Serialize;

/// The sum of an audit.
#[derive(Serialize, Debug, Clone, PartialEq, Eq, Default)]
pub struct AuditSummary {
    /// The files that the plan wants first, by pattern.
    pub wanted: Vec<WantedCount>,
    /// Files and bytes in each state, all volumes together.
    pub totals: StateCounts,
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
    /// Volumes whose files are not listed: their allocation map alone is read, or nothing of them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unlisted: Vec<UnlistedVolume>,
}

/// A volume whose files are not listed.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct UnlistedVolume {
    /// Its first byte.
    pub volume: u64,
    /// File system, or what is around it.
    pub file_system: &'static str,
    /// Its files are listed with a key.
    pub wants_key: bool,
    /// Bytes in use, or planned as that.
    pub in_use_bytes: u64,
    /// Bytes of them that are safe.
    pub safe_bytes: u64,
    /// Bytes of them that are unreadable.
    pub unreadable_bytes: u64,
}

impl UnlistedVolume {
    /// What an area holds, unless its files are listed or it holds none.
    fn of(area: &DriveArea, truth: &Truth<'_>) -> Option<UnlistedVolume> {
        let (extent, kind, in_use) = match area.content.as_ref()? {
            Content::Mapped(map) => (map.extent, map.recognised.kind, map.in_use().into_iter().collect()),
            Content::Opaque { recognised: Some(found), .. } if found.kind.holds_files() => {
                (area.area.extent, found.kind, [area.area.extent].into_iter().collect::<ExtentSet>())
            }
            Content::Volume(_) | Content::Opaque { .. } => return None,
        };
        let sum = |places: Vec<Extent>| places.iter().map(|place| in_use.bytes_within(*place)).sum();
        Some(UnlistedVolume {
            volume: extent.start.0,
            file_system: kind.name(),
            wants_key: kind == Sign::VolumeEncryption,
            in_use_bytes: in_use.bytes(),
            safe_bytes: sum(truth.store.held(extent)),
            unreadable_bytes: sum(truth.store.unreadable(extent)),
        })
    }

    /// How much of it is safe, as a sentence.
    pub fn sentence(&self) -> String {
        let [in_use, safe, unreadable] = [self.in_use_bytes, self.safe_bytes, self.unreadable_bytes].map(human::bytes);
        let why = match self.wants_key {
            true => "its files are listed only with the key: give it with `--key`",
            false => "its files are not read one by one",
        };
        format!(
            "{} at byte {}: {why}. Of {in_use} in use, {safe} are safe and {unreadable} unreadable.",
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
    let unlisted = drive.areas.iter().filter_map(|area| UnlistedVolume::of(area, truth)).collect();
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
    let names = NamesOnly::find(volume, truth.store);
    let mut audit = VolumeAudit { volume, truth, below, summary, sums: FolderSums::new(&volume.catalog), each };
    audit.records(&names)?;
    for named in &names.existing {
        audit.name(named)?;
    }
    audit.left_over(&names);
    audit.summary.folders.extend(audit.sums.finish(volume));
    Ok(())
}

/// The audit of one volume, under way.
struct VolumeAudit<'a, F> {
    volume: &'a VolumeMap,
    truth: &'a Truth<'a>,
    below: &'a Patterns,
    summary: &'a mut AuditSummary,
    sums: FolderSums<'a>,
    each: &'a mut F,
}

impl<E, F: FnMut(&FileAudit) -> Result<(), E>> VolumeAudit<'_, F> {
    /// Files and folders whose own records tell of them.
    fn records(&mut self, names: &NamesOnly) -> Result<(), E> {
        let (volume, catalog) = (self.volume, &self.volume.catalog);
        let choice = self.truth.wanted.choose(catalog);
        let counted = self.below.choose(catalog);
        let mut folder_states = FolderStates::new(volume, self.truth);
        for node in catalog.nodes().filter(|n| !n.is_deleted() && n.purpose() == Purpose::Client) {
            let lane = choice.lane(node.id());
            let mut worst = None;
            let counts = self.below.is_empty() || counted.lane(node.id()).is_some();
            let folders_above = folder_states.above(&node);
            for stream in node.streams() {
                match stream.role() {
                    Role::Data => {
                        let judged = state::audit_stream(volume, &node, &stream, self.truth);
                        let file = FileAudit { wanted: lane.is_some(), folders_above, ..judged };
                        worst = worst.max(Some(file.state));
                        if counts {
                            self.sums.add(&node, file.state, file.size);
                            self.count(&file)?;
                        }
                    }
                    Role::FolderIndex if counts && node.kind() == NodeKind::Folder => {
                        self.index(&node, &stream, names.damaged.get(&node.id()).copied().unwrap_or(0));
                    }
                    _ => {}
                }
            }
            if let (Some(state), Some(lane), NodeKind::File) = (worst, lane, node.kind()) {
                self.summary.wanted[usize::from(lane)].add(state, folders_above);
            }
        }
        Ok(())
    }

    fn count(&mut self, file: &FileAudit) -> Result<(), E> {
        self.summary.totals.add(file.state, file.size);
        self.summary.unread_tails += u64::from(file.unread_tail > 0);
        self.summary.unread_tail_bytes = self.summary.unread_tail_bytes.saturating_add(file.unread_tail);
        (self.each)(file)
    }

    /// A folder's entries, of which `damaged` bytes were read and are of no use.
    fn index(&mut self, folder: &Node<'_>, stream: &Stream<'_>, damaged: u64) {
        let bytes = state::unreadable_bytes(self.volume, stream, self.truth) + damaged;
        if bytes > 0 {
            let (volume, path) = (self.volume.extent.start.0, folder.path());
            self.summary.unreadable_indexes.push(UnreadableIndex { volume, path, bytes });
        }
    }

    /// A file or folder of which only a folder's index tells.
    fn name(&mut self, named: &NamedOnly) -> Result<(), E> {
        let volume = self.volume;
        match named.kind {
            NodeKind::File => {
                let lane = wanted_counts::lane_of_name(volume, named, self.truth.wanted);
                let file = FileAudit { wanted: lane.is_some(), ..FileAudit::of_name(volume, named) };
                if let Some(lane) = lane {
                    self.summary.wanted[lane].add(file.state, FileState::Complete);
                }
                if self.counts_name(named) {
                    self.sums.add_in(named.folder, file.state, file.size);
                    self.count(&file)?;
                }
            }
            NodeKind::Folder if !self.counts_name(named) => {}
            NodeKind::Folder => self.summary.lost_folders.push(LostFolder {
                volume: volume.extent.start.0,
                path: named.path(volume),
                known_as: format!("/{ORPHANS}/{}", named.number),
            }),
        }
        Ok(())
    }

    fn counts_name(&self, named: &NamedOnly) -> bool {
        self.below.is_empty() || self.below.takes(&named.path(self.volume))
    }

    fn left_over(&mut self, names: &NamesOnly) {
        let counted: Vec<&NamedOnly> = names.left_over.iter().filter(|named| self.counts_name(named)).collect();
        let (volume, start) = (self.volume, self.volume.extent.start.0);
        let of_name = |named: &NamedOnly| LeftOverName { volume: start, path: named.path(volume), size: named.size };
        self.summary.left_over_names.extend(counted.into_iter().map(of_name));
        self.summary.left_over_unlisted += names.left_over_unlisted;
    }
}
