//! One file's state, from its run list and what is known of each place it lies in.

use crate::extent::{Extent, ExtentSet};
use crate::fs::{Node, Stream, VolumeMap};
use crate::source::Store;
use serde::Serialize;

/// What is known of the drive's places: the case's image and journal, and what its plan asks for.
pub struct Truth<'t> {
    /// The case.
    pub store: &'t dyn Store,
    /// Everything that the plan reads.
    pub planned: &'t ExtentSet,
}

/// A file's state. The order is that of gravity: one unreadable byte makes a file damaged whatever else is to come.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FileState {
    /// Every byte of its content is in the image.
    Whole,
    /// Some of it is not in the plan.
    NotPlanned,
    /// Some of it is in the plan and has not arrived (yet to come, or put off).
    NotYetRead,
    /// Some of it could not be read, or its run list is incomplete.
    Damaged,
}

impl FileState {
    /// All, from the best to the worst.
    pub const ALL: [FileState; 4] =
        [FileState::Whole, FileState::NotPlanned, FileState::NotYetRead, FileState::Damaged];

    /// The name people read.
    pub fn name(self) -> &'static str {
        match self {
            FileState::Whole => "whole",
            FileState::NotPlanned => "not planned",
            FileState::NotYetRead => "not yet read",
            FileState::Damaged => "damaged",
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
    /// Whether part of its run list is missing, so that there may be content nobody knows the place of.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub run_list_incomplete: bool,
}

/// The three sorts of holes in a file, in bytes of the file.
#[derive(Default)]
struct Holes {
    damaged: ExtentSet,
    waiting: ExtentSet,
    not_planned: ExtentSet,
}

pub(super) fn judge(volume: &VolumeMap, node: &Node<'_>, stream: &Stream<'_>, truth: &Truth<'_>) -> FileAudit {
    let mut holes = Holes::default();
    let content = Extent::between(0, stream.size().min(stream.valid()));
    if !stream.is_resident() {
        collect(volume, stream, truth, content, &mut holes);
    }
    let pairs = |set: &ExtentSet| set.extents().iter().map(|e| [e.start.0, e.bytes]).collect::<Vec<_>>();
    let (damaged, waiting, not_planned) = (pairs(&holes.damaged), pairs(&holes.waiting), pairs(&holes.not_planned));
    let run_list_incomplete = stream.is_incomplete();
    let state = match () {
        () if run_list_incomplete || !damaged.is_empty() => FileState::Damaged,
        () if !waiting.is_empty() => FileState::NotYetRead,
        () if !not_planned.is_empty() => FileState::NotPlanned,
        () => FileState::Whole,
    };
    FileAudit {
        volume: volume.extent.start.0,
        path: node.path(),
        stream: stream.name().map(str::to_owned),
        size: stream.size(),
        state,
        damaged,
        waiting,
        not_planned,
        run_list_incomplete,
    }
}

/// Goes along the run list with the place in the file, and notes what is missing of what counts.
fn collect(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>, content: Extent, holes: &mut Holes) {
    let cluster = volume.geometry.cluster_bytes;
    let unit = u64::from(stream.compression_unit()).saturating_mul(cluster);
    let mut at = 0u64;
    for (place, count) in stream.layout() {
        let bytes = count.saturating_mul(cluster);
        let in_file = Extent::between(at, at.saturating_add(bytes));
        at = in_file.end();
        let Some(place) = place else { continue };
        let run = crate::fs::ClusterRun { first: place, count };
        let Some(on_drive) = volume.geometry.extent(run) else {
            holes.damaged.insert(in_file);
            continue;
        };
        // Compressed content counts by units: all that a unit stores is needed, however little of the file is in it.
        let counts = if unit > 0 { in_file } else { in_file.intersection(&content).unwrap_or(Extent::between(0, 0)) };
        if counts.is_empty() {
            continue;
        }
        let needed = Extent::between(on_drive.start.0, on_drive.start.0 + counts.bytes);
        let to_file = |e: Extent| {
            let from = e.start.0 - on_drive.start.0 + in_file.start.0;
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
            // What was asked for counts as planned in whole sectors; a place put off was asked for by definition.
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

/// Bytes of a stream's clusters that were given up.
pub(super) fn unreadable_bytes(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>) -> u64 {
    let places = stream.runs().filter_map(|run| volume.geometry.extent(run));
    places.flat_map(|place| truth.store.unreadable(place)).map(|e| e.bytes).sum()
}
