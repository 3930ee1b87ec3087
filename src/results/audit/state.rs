//! One file's state, from its run list and what is known of each range it lies in.
//!
//! The rule is [`Gaps::of`] for a place of the drive and [`FileState::of_gaps`] for all places together. An audit and the counts
//! while a copy runs both follow it, for files and for folders.

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

/// What is known of ranges of the drive at one moment.
pub(super) trait KnownRanges {
    /// What of a place is in the image.
    fn held(&self, place: Extent) -> Vec<Extent>;
    /// What of it failed at every try.
    fn unreadable(&self, place: Extent) -> Vec<Extent>;
    /// What of it is to be read: it is in the plan. A skipped range was requested, so it was planned, and is retried.
    fn to_read(&self, place: Extent) -> ExtentSet;
}

impl KnownRanges for Truth<'_> {
    fn held(&self, place: Extent) -> Vec<Extent> {
        self.store.held(place)
    }

    fn unreadable(&self, place: Extent) -> Vec<Extent> {
        self.store.unreadable(place)
    }

    fn to_read(&self, place: Extent) -> ExtentSet {
        self.planned.intersection(place).into_iter().chain(self.store.skipped(place)).collect()
    }
}

/// What is missing of a place of the drive.
#[derive(Default)]
pub(super) struct Gaps {
    /// It could not be read.
    pub(super) unreadable: ExtentSet,
    /// It is planned.
    pub(super) to_read: ExtentSet,
    /// It is in no plan.
    pub(super) not_planned: ExtentSet,
}

impl Gaps {
    /// What is missing of `place`.
    pub(super) fn of(place: Extent, known: &impl KnownRanges) -> Gaps {
        let held: ExtentSet = known.held(place).into_iter().collect();
        let mut gaps = Gaps::default();
        if held.covers(place) {
            return gaps;
        }
        gaps.unreadable = known.unreadable(place).into_iter().collect();
        let to_read = known.to_read(place);
        for open in held.missing_from(place).into_iter().flat_map(|gap| gaps.unreadable.missing_from(gap)) {
            gaps.to_read.extend(to_read.intersection(open));
            gaps.not_planned.extend(to_read.missing_from(open));
        }
        gaps
    }

    /// The state of what needs this place and nothing else.
    pub(super) fn state(&self) -> FileState {
        let is_any = |gaps: &ExtentSet| !gaps.is_empty();
        FileState::of_gaps(is_any(&self.unreadable), is_any(&self.to_read), is_any(&self.not_planned))
    }
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

    /// The state of what lacks something: for good, only until it is read, or because no plan has it.
    pub(super) fn of_gaps(damaged: bool, to_read: bool, not_planned: bool) -> FileState {
        match () {
            () if damaged => FileState::Damaged,
            () if to_read => FileState::NotYetRead,
            () if not_planned => FileState::NotPlanned,
            () => FileState::Complete,
        }
    }

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

pub(super) fn audit_stream(volume: &VolumeMap, node: &Node<'_>, stream: &Stream<'_>, truth: &Truth<'_>) -> FileAudit {
    let gaps = gaps_in_file(volume, stream, truth);
    let pairs = |set: &ExtentSet| set.extents().iter().map(|e| [e.start.0, e.bytes]).collect::<Vec<_>>();
    let (damaged, waiting, not_planned) = (pairs(&gaps.unreadable), pairs(&gaps.to_read), pairs(&gaps.not_planned));
    let run_list_incomplete = stream.is_incomplete();
    let state = if run_list_incomplete { FileState::Damaged } else { gaps.state() };
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
/// however little of the file is in it, and nothing of a unit that has none of it.
pub(super) fn needs<'v>(volume: &'v VolumeMap, stream: &Stream<'v>) -> impl Iterator<Item = Need> + 'v {
    let cluster = volume.geometry.cluster_bytes;
    let content = spread(content_of(stream), unit_bytes(volume, stream));
    let mut at = 0u64;
    let runs = stream.layout().filter_map(move |(place, count)| {
        let whole = Extent::between(at, at.saturating_add(count.saturating_mul(cluster)));
        at = whole.end();
        let run = ClusterRun { first: place?, count };
        let Some(place) = volume.geometry.extent(run) else {
            return Some((whole, None));
        };
        let in_file = whole.intersection(&content)?;
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

/// What is missing of a stream's content, in bytes of the file. What has no place counts as unreadable.
fn gaps_in_file(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>) -> Gaps {
    let content = content_of(stream);
    let unit = unit_bytes(volume, stream);
    let mut all = Gaps::default();
    for Need { in_file, on_drive } in needs(volume, stream) {
        let Some(needed) = on_drive else {
            all.unreadable.insert(in_file);
            continue;
        };
        let to_file = |gap: Extent| {
            let from = gap.start.0 - needed.start.0 + in_file.start.0;
            spread(Extent::between(from, from + gap.bytes), unit).intersection(&content)
        };
        let Gaps { unreadable, to_read, not_planned } = Gaps::of(needed, truth);
        for (all, of_place) in
            [(&mut all.unreadable, unreadable), (&mut all.to_read, to_read), (&mut all.not_planned, not_planned)]
        {
            all.extend(of_place.extents().iter().copied().filter_map(to_file));
        }
    }
    all
}

/// Bytes of a stream's compression unit; 0 when it is not compressed.
fn unit_bytes(volume: &VolumeMap, stream: &Stream<'_>) -> u64 {
    u64::from(stream.compression_unit()).saturating_mul(volume.geometry.cluster_bytes)
}

/// Out to whole compression units, where there are any.
fn spread(extent: Extent, unit: u64) -> Extent {
    if unit == 0 {
        return extent;
    }
    Extent::between(extent.start.0 / unit * unit, extent.end().div_ceil(unit) * unit)
}

/// Bytes of a stream's clusters that are unreadable.
pub(super) fn unreadable_bytes(volume: &VolumeMap, stream: &Stream<'_>, truth: &Truth<'_>) -> u64 {
    let places = stream.runs().filter_map(|run| volume.geometry.extent(run));
    let places = places.flat_map(|place| volume.on_drive(place));
    places.flat_map(|place| truth.store.unreadable(place)).map(|e| e.bytes).sum()
}
