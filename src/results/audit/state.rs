//! One file's state, from its run list and what is known of each range it lies in.

use crate::base::extent::{Extent, ExtentSet};
use crate::filesystem::ntfs::{NamedOnly, RecordState};
use crate::filesystem::{ClusterRun, Node, Stream, VolumeMap};
use crate::source::CopyStore;
use crate::survey::allocation::Patterns;
use serde::Serialize;

/// What is known of the drive's ranges: the case's image and journal, and what its plan reads.
pub struct Truth<'t> {
    /// The case.
    pub store: &'t dyn CopyStore,
    /// Everything that the plan reads.
    pub planned: &'t ExtentSet,
    /// The files that the plan wants first.
    pub wanted: &'t Patterns,
}

/// A file's state. The order is that of gravity: one unreadable byte makes a file damaged whatever else is to come.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FileState {
    /// Every byte of its content is in the image; `whole` in JSON.
    #[serde(rename = "whole")]
    Complete,
    /// Some of it is not in the plan.
    NotPlanned,
    /// Some of it is in the plan and has not arrived (yet to come, or skipped).
    NotYetRead,
    /// Some of it could not be read, or its run list is incomplete.
    Damaged,
    /// Its record is unreadable or damaged: its folder's entry tells its name and its size, and nothing tells where it lies.
    Lost,
}

impl FileState {
    /// All, from the best to the worst.
    pub const ALL: [FileState; 5] =
        [FileState::Complete, FileState::NotPlanned, FileState::NotYetRead, FileState::Damaged, FileState::Lost];

    #[allow(clippy::trivially_copy_pass_by_ref, reason = "serde calls it so")]
    fn is_whole(&self) -> bool {
        *self == FileState::Complete
    }

    /// The name people read.
    pub fn name(self) -> &'static str {
        match self {
            FileState::Complete => "complete",
            FileState::NotPlanned => "not planned",
            FileState::NotYetRead => "not read yet",
            FileState::Damaged => "damaged",
            FileState::Lost => "lost",
        }
    }
}

/// What is said of one file (or one of its named streams).
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct FileAudit {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Its path.
    pub path: String,
    /// Name of a named stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// Size in bytes.
    pub size: u64,
    /// Its state.
    pub state: FileState,
    /// The worst state of the folders above it: what a driver needs to open it by its path. [`FileAudit::state`] does not depend on it,
    /// because `gleaner take` does not.
    #[serde(skip_serializing_if = "FileState::is_whole")]
    pub folders_above: FileState,
    /// Whether the plan wants it first.
    #[serde(skip)]
    pub wanted: bool,
    /// Bytes of the file that could not be read: start in the file and length, ascending. For compressed content whole
    /// compression units, since one lost cluster spoils its unit.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub damaged: Vec<[u64; 2]>,
    /// Bytes of the file that are planned and have not arrived.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub waiting: Vec<[u64; 2]>,
    /// Bytes of the file that are not in the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_planned: Vec<[u64; 2]>,
    /// Bytes of clusters behind its valid data that are not in the image. No driver returns them, so the file is complete without
    /// them; on a volume that was not closed they may hold what was written last.
    #[serde(skip_serializing_if = "is_zero")]
    pub unread_tail: u64,
    /// Whether part of its run list is missing, so that there may be content whose place is not known.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub run_list_incomplete: bool,
    /// Whether only its folder's entry is known: its record is lost, or not read yet.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub name_only: bool,
}

impl FileAudit {
    /// A file of which only its folder's entry is known.
    pub(super) fn of_name(volume: &VolumeMap, named: &NamedOnly) -> FileAudit {
        FileAudit {
            volume: volume.extent.start.0,
            path: named.path(volume),
            stream: None,
            size: named.size,
            state: match named.record {
                RecordState::Lost => FileState::Lost,
                RecordState::NotReadYet => FileState::NotYetRead,
            },
            folders_above: FileState::Complete,
            wanted: false,
            damaged: Vec::new(),
            waiting: Vec::new(),
            not_planned: Vec::new(),
            run_list_incomplete: false,
            unread_tail: 0,
            name_only: true,
        }
    }
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde calls it so")]
fn is_zero(bytes: &u64) -> bool {
    *bytes == 0
}

/// The three sorts of holes in a file, in bytes of the file.
#[derive(Default)]
struct Holes {
    damaged: ExtentSet,
    waiting: ExtentSet,
    not_planned: ExtentSet,
}

pub(super) fn audit_stream(volume: &VolumeMap, node: &Node<'_>, stream: &Stream<'_>, truth: &Truth<'_>) -> FileAudit {
    let mut holes = Holes::default();
    collect(volume, stream, truth, &mut holes);
    let pairs = |set: &ExtentSet| set.extents().iter().map(|e| [e.start.0, e.bytes]).collect::<Vec<_>>();
    let (damaged, waiting, not_planned) = (pairs(&holes.damaged), pairs(&holes.waiting), pairs(&holes.not_planned));
    let run_list_incomplete = stream.is_incomplete();
    let state = match () {
        () if run_list_incomplete || !damaged.is_empty() => FileState::Damaged,
        () if !waiting.is_empty() => FileState::NotYetRead,
        () if !not_planned.is_empty() => FileState::NotPlanned,
        () => FileState::Complete,
    };
    FileAudit {
        volume: volume.extent.start.0,
        path: node.path(),
        stream: stream.name().map(str::to_owned),
        size: stream.size(),
        state,
        folders_above: FileState::Complete,
        wanted: false,
        damaged,
        waiting,
        not_planned,
        run_list_incomplete,
        unread_tail: unread_tail(volume, stream, truth),
        name_only: false,
    }
}

/// A part of a stream's content and where it lies.
pub(super) struct Need {
    in_file: Extent,
    /// `None` where its run points outside of the volume.
    pub(super) on_drive: Option<Extent>,
}

/// What is needed of the drive for a stream's content. Compressed content counts by units: all that a unit stores is needed,
/// however little of the file is in it.
pub(super) fn needs<'v>(volume: &'v VolumeMap, stream: &Stream<'v>) -> impl Iterator<Item = Need> + 'v {
    let cluster = volume.geometry.cluster_bytes;
    let (content, is_plain) = (content_of(stream), stream.compression_unit() == 0);
    let mut at = 0u64;
    let runs = stream.layout().filter_map(move |(place, count)| {
        let whole = Extent::between(at, at.saturating_add(count.saturating_mul(cluster)));
        at = whole.end();
        let run = ClusterRun { first: place?, count };
        let Some(place) = volume.geometry.extent(run) else {
            return Some((whole, None));
        };
        let in_file = if is_plain { whole.intersection(&content)? } else { whole };
        Some((in_file, Some(Extent { bytes: in_file.bytes, ..place })))
    });
    runs.flat_map(move |(in_file, place)| {
        let nowhere = place.is_none().then_some(Need { in_file, on_drive: None });
        let parts = place.into_iter().flat_map(move |place| {
            volume.parts(place).filter_map(move |part| {
                let from = in_file.start.0 + (part.plain.start.0 - place.start.0);
                let in_file = Extent::between(from, from + part.plain.bytes);
                Some(Need { in_file, on_drive: Some(part.on_drive()?) })
            })
        });
        nowhere.into_iter().chain(parts)
    })
}

/// Bytes of the clusters behind a stream's valid data that are not held. No driver returns them: they read as zero.
fn unread_tail(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>) -> u64 {
    let behind = stream.runs_cut_at_valid(volume.geometry.cluster_bytes).filter(|(_, is_valid)| !is_valid);
    let tails = behind.filter_map(|(run, _)| volume.geometry.extent(run));
    let unread = tails.flat_map(|tail| volume.on_drive(tail)).map(|tail| {
        let held: u64 = truth.store.held(tail).iter().map(|extent| extent.bytes).sum();
        tail.bytes - held
    });
    unread.fold(0, u64::saturating_add)
}

/// The bytes of a stream that were ever written.
fn content_of(stream: &Stream<'_>) -> Extent {
    Extent::between(0, stream.size().min(stream.valid()))
}

/// Notes what is missing of what counts.
fn collect(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>, holes: &mut Holes) {
    let content = content_of(stream);
    let unit = u64::from(stream.compression_unit()).saturating_mul(volume.geometry.cluster_bytes);
    for Need { in_file, on_drive } in needs(volume, stream) {
        let Some(needed) = on_drive else {
            holes.damaged.insert(in_file);
            continue;
        };
        let to_file = |e: Extent| {
            let from = e.start.0 - needed.start.0 + in_file.start.0;
            let hole = Extent::between(from, from + e.bytes);
            let hole = if unit > 0 { spread(hole, unit) } else { hole };
            hole.intersection(&content)
        };
        let held: ExtentSet = truth.store.held(needed).into_iter().collect();
        if held.covers(needed) {
            continue;
        }
        let lost: ExtentSet = truth.store.unreadable(needed).into_iter().collect();
        holes.damaged.extend(lost.extents().iter().copied().filter_map(to_file));
        for open in held.missing_from(needed).into_iter().flat_map(|e| lost.missing_from(e)) {
            // What was requested counts as planned in whole sectors; a skipped range was requested by definition.
            let mut planned: ExtentSet = truth.planned.intersection(open).into_iter().collect();
            planned.extend(truth.store.skipped(open));
            holes.waiting.extend(planned.extents().iter().copied().filter_map(to_file));
            holes.not_planned.extend(planned.missing_from(open).into_iter().filter_map(to_file));
        }
    }
}

/// Out to whole compression units.
fn spread(extent: Extent, unit: u64) -> Extent {
    Extent::between(extent.start.0 / unit * unit, extent.end().div_ceil(unit) * unit)
}

/// Bytes of a stream's clusters that are unreadable.
pub(super) fn unreadable_bytes(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>) -> u64 {
    let places = stream.runs().filter_map(|run| volume.geometry.extent(run));
    let places = places.flat_map(|place| volume.on_drive(place));
    places.flat_map(|place| truth.store.unreadable(place)).map(|e| e.bytes).sum()
}
