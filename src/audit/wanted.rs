//! The wanted files, counted by the pattern that chose them: in an audit, and while a copy runs.

use super::FileState;
use super::state::needs;
use crate::allocation::{DriveMap, Patterns};
use crate::extent::{Extent, ExtentSet};
use crate::fs::ntfs::{NamedOnly, NamesOnly, RecordState};
use crate::fs::{Node, NodeKind, Purpose, Role, Stream, VolumeMap};
use crate::human;
use crate::source::Store;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// How many of the files that a pattern chose are safe. A file counts once, with all its streams.
///
/// A file is safe when its own record was read and every cluster of its content is in the image. Whether the folders above it
/// can be listed is not part of it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct WantedCount {
    /// The pattern.
    pub pattern: String,
    /// Files that it chose. The sum of all that follow.
    pub files: u64,
    /// Complete in the image.
    pub safe: u64,
    /// Some of the file, or its record, is not read yet.
    pub to_read: u64,
    /// Nothing that is missing of the file is in the plan.
    pub not_planned: u64,
    /// Some of the file is unreadable.
    pub damaged: u64,
    /// The file's record is unreadable: only its name is known.
    pub lost: u64,
}

impl WantedCount {
    /// None yet, of each pattern.
    pub(super) fn of_each(wanted: &Patterns) -> Vec<WantedCount> {
        wanted.texts().iter().map(|text| WantedCount { pattern: text.clone(), ..WantedCount::default() }).collect()
    }

    fn place(&mut self, state: FileState) -> &mut u64 {
        match state {
            FileState::Whole => &mut self.safe,
            FileState::NotYetRead => &mut self.to_read,
            FileState::NotPlanned => &mut self.not_planned,
            FileState::Damaged => &mut self.damaged,
            FileState::Lost => &mut self.lost,
        }
    }

    pub(super) fn add(&mut self, state: FileState) {
        self.files += 1;
        *self.place(state) += 1;
    }

    fn change(&mut self, from: FileState, to: FileState) {
        let place = self.place(from);
        *place = place.saturating_sub(1);
        *self.place(to) += 1;
    }

    /// The counts in a sentence; those that are 0 are left out.
    pub fn sentence(&self) -> String {
        if self.files == 0 {
            return format!("{}: no file known", self.pattern);
        }
        let files = if self.files == 1 { "file" } else { "files" };
        let mut text =
            format!("{}: {} of {} {files} safe", self.pattern, human::count(self.safe), human::count(self.files));
        let parts = human::counts([
            (self.to_read, "not read yet"),
            (self.not_planned, "not planned"),
            (self.damaged, "damaged"),
            (self.lost, "lost"),
        ]);
        parts.iter().for_each(|part| text.push_str(&format!(", {part}")));
        text
    }
}

/// A file that a pattern can choose, and its content.
pub(super) fn contents<'c>(node: &Node<'c>) -> impl Iterator<Item = Stream<'c>> + use<'c> {
    let counts = node.kind() == NodeKind::File && !node.is_deleted() && node.purpose() == Purpose::Client;
    node.streams().filter(move |stream| counts && stream.role() == Role::Data)
}

/// The pattern that takes a file of which only the name is known.
pub(super) fn lane_of_name(volume: &VolumeMap, named: &NamedOnly, wanted: &Patterns) -> Option<usize> {
    if named.kind != NodeKind::File || wanted.is_empty() {
        return None;
    }
    wanted.lane_of(&named.path(volume)).map(usize::from)
}

/// Bytes of a sector in which what is missing is counted: no two files share one, whatever the drive's own sector size.
const SECTOR: u64 = 512;

/// What is known of a range of the drive at one moment.
pub struct Snapshot {
    held: ExtentSet,
    unreadable: ExtentSet,
}

impl Snapshot {
    /// What `store` knows now.
    pub fn of(store: &dyn Store, drive_bytes: u64) -> Snapshot {
        let everything = Extent::between(0, drive_bytes);
        Snapshot {
            held: store.held(everything).into_iter().collect(),
            unreadable: store.unreadable(everything).into_iter().collect(),
        }
    }
}

/// Counts the wanted files while their extents arrive: 8 bytes for a file that is not complete, 16 for an extent of it that
/// is missing, and a search in a sorted list for each request.
#[derive(Debug)]
pub struct WantedCounter {
    counts: Vec<WantedCount>,
    files: Vec<OpenFile>,
    /// Missing extents, ascending and apart within each list. Files of which several claim the same clusters need more than one.
    lists: Vec<Vec<MissingRun>>,
    /// By pattern, files known by name alone: lost, and with a record that is not read yet.
    names: Vec<[u64; 2]>,
}

/// A wanted file that is not complete: its missing sectors in the lower 46 bits, two flags, its pattern in the upper 16.
#[derive(Clone, Copy, Debug)]
struct OpenFile(u64);

const MISSING: u64 = (1 << 46) - 1;
const PLANNED: u64 = 1 << 46;
const DAMAGED: u64 = 1 << 47;

impl OpenFile {
    fn lane(self) -> usize {
        usize::from(u16::try_from(self.0 >> 48).expect("16 bits are left"))
    }

    fn state(self) -> FileState {
        match self.0 {
            bits if bits & DAMAGED != 0 => FileState::Damaged,
            bits if bits & MISSING == 0 => FileState::Whole,
            bits if bits & PLANNED != 0 => FileState::NotYetRead,
            _ => FileState::NotPlanned,
        }
    }
}

/// Sectors of a file that are missing.
#[derive(Clone, Copy, Debug)]
struct MissingRun {
    first: u64,
    count: u32,
    file: u32,
}

impl MissingRun {
    fn end(self) -> u64 {
        self.first + u64::from(self.count)
    }
}

/// Lists beyond which extents are left out that several files claim. Such a file stays "not read yet".
const MOST_LISTS: usize = 16;

impl WantedCounter {
    /// Counts as of `snapshot`; `planned` is what the plan reads.
    ///
    /// # Panics
    /// Beyond 2^32-1 wanted files.
    pub fn new(drive: &DriveMap, snapshot: &Snapshot, planned: &ExtentSet, wanted: &Patterns) -> WantedCounter {
        let mut counter = WantedCounter {
            counts: WantedCount::of_each(wanted),
            files: Vec::new(),
            lists: Vec::new(),
            names: vec![[0; 2]; wanted.texts().len()],
        };
        let mut runs = Vec::new();
        for (_, volume) in drive.volumes() {
            let choice = wanted.choose(&volume.catalog);
            for node in volume.catalog.nodes() {
                if let Some(lane) = choice.lane(node.id()) {
                    counter.add_file(volume, &node, lane, snapshot, planned, &mut runs);
                }
            }
        }
        counter.files.shrink_to_fit();
        counter.lists = apart(runs);
        counter
    }

    fn add_file(
        &mut self,
        volume: &VolumeMap,
        node: &Node<'_>,
        lane: u16,
        snapshot: &Snapshot,
        planned: &ExtentSet,
        runs: &mut Vec<MissingRun>,
    ) {
        let number = u32::try_from(self.files.len()).expect("fewer than 2^32 files");
        let first_run = runs.len();
        let mut file = OpenFile(u64::from(lane) << 48);
        let mut is_file = false;
        for stream in contents(node) {
            is_file = true;
            if stream.is_incomplete() {
                file.0 |= DAMAGED;
            }
            for need in needs(volume, &stream) {
                let Some(place) = need.on_drive else {
                    file.0 |= DAMAGED;
                    continue;
                };
                for missing in snapshot.held.missing_from(place) {
                    if snapshot.unreadable.bytes_within(missing) > 0 {
                        file.0 |= DAMAGED;
                    }
                    if planned.bytes_within(missing) > 0 {
                        file.0 |= PLANNED;
                    }
                    add_runs(missing, number, runs);
                }
            }
        }
        if !is_file {
            return;
        }
        let missing: u64 = runs[first_run..].iter().map(|run| u64::from(run.count)).sum();
        file.0 |= missing.min(MISSING);
        self.counts[usize::from(lane)].add(file.state());
        // Of what is complete or damaged already, nothing that arrives changes anything.
        if matches!(file.state(), FileState::NotYetRead | FileState::NotPlanned) {
            self.files.push(file);
        } else {
            runs.truncate(first_run);
        }
    }

    /// Bytes have arrived that were missing until now.
    pub fn arrived(&mut self, extent: Extent) {
        self.each_run(extent, |file, sectors| {
            let left = (file.0 & MISSING).saturating_sub(sectors);
            file.0 = file.0 & !MISSING | left;
        });
    }

    /// A range was found unreadable.
    pub fn unreadable(&mut self, extent: Extent) {
        self.each_run(extent, |file, _| file.0 |= DAMAGED);
    }

    fn each_run(&mut self, extent: Extent, mut change: impl FnMut(&mut OpenFile, u64)) {
        let (first, end) = (extent.start.0 / SECTOR, extent.end().div_ceil(SECTOR));
        for list in &self.lists {
            let from = list.partition_point(|run| run.end() <= first);
            for run in list[from..].iter().take_while(|run| run.first < end) {
                let file = &mut self.files[run.file as usize];
                let before = file.state();
                change(file, run.end().min(end) - run.first.max(first));
                let after = file.state();
                if before != after {
                    self.counts[file.lane()].change(before, after);
                }
            }
        }
    }

    /// Counts the files of which only the names are known, by what `store` holds of the folders' indexes now.
    pub fn count_names(&mut self, drive: &DriveMap, store: &dyn Store, wanted: &Patterns) {
        self.names.fill([0; 2]);
        for (_, volume) in drive.volumes() {
            for named in &NamesOnly::find(volume, store).existing {
                if let Some(lane) = lane_of_name(volume, named, wanted) {
                    self.names[lane][usize::from(named.record == RecordState::NotReadYet)] += 1;
                }
            }
        }
    }

    /// The counts now, in the order of the patterns.
    pub fn counts(&self) -> Vec<WantedCount> {
        let with_names = |(count, [lost, to_read]): (&WantedCount, &[u64; 2])| WantedCount {
            files: count.files + lost + to_read,
            lost: count.lost + lost,
            to_read: count.to_read + to_read,
            ..count.clone()
        };
        self.counts.iter().zip(&self.names).map(with_names).collect()
    }

    /// Bytes of memory for files and extents.
    pub fn memory(&self) -> usize {
        let runs: usize = self.lists.iter().map(Vec::capacity).sum();
        self.files.capacity() * size_of::<OpenFile>() + runs * size_of::<MissingRun>()
    }
}

/// An extent as runs whose length fits.
fn add_runs(extent: Extent, file: u32, runs: &mut Vec<MissingRun>) {
    let sectors: Range<u64> = extent.start.0 / SECTOR..extent.end().div_ceil(SECTOR);
    let mut first = sectors.start;
    while first < sectors.end {
        let count = u32::try_from(sectors.end - first).unwrap_or(u32::MAX);
        runs.push(MissingRun { first, count, file });
        first += u64::from(count);
    }
}

/// Runs as lists in each of which they are ascending and apart: one list, unless files claim the same sectors.
fn apart(mut runs: Vec<MissingRun>) -> Vec<Vec<MissingRun>> {
    runs.sort_unstable_by_key(|run| (run.first, run.file));
    let mut others: Vec<Vec<MissingRun>> = Vec::new();
    let mut end = 0;
    runs.retain(|run| {
        if run.first >= end {
            end = run.end();
            return true;
        }
        let free = others.iter().position(|list| list.last().is_none_or(|last| last.end() <= run.first));
        match free {
            Some(list) => others[list].push(*run),
            None if others.len() + 1 < MOST_LISTS => others.push(vec![*run]),
            None => {}
        }
        false
    });
    runs.shrink_to_fit();
    others.insert(0, runs);
    others
}
