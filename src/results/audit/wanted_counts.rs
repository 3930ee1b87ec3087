//! The wanted files, counted by the pattern that chose them: in an audit, and while a copy runs.

use super::FileState;
use super::above::{Above, FolderPlaces};
use super::state::{Gaps, KnownRanges, needs};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::human;
use crate::filesystem::ntfs::{NamedOnly, NamesOnly, RecordState};
use crate::filesystem::{Node, NodeKind, Purpose, Role, Stream, VolumeMap};
use crate::source::CopyStore;
use crate::survey::allocation::{DriveMap, Patterns};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::ops::Range;
use std::sync::atomic::{AtomicBool, Ordering};

/// How many of the files that a pattern chose are safe. A file counts once, with all its streams.
///
/// A file is safe when its own record was read, every cluster of its content is in the image, and so is all that a driver needs
/// of the folders above it to open it by its path.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct WantedCount {
    /// The pattern.
    pub pattern: String,
    /// Files that it chose. The sum of all that follow.
    pub files: u64,
    /// Complete in the image, and so are the folders above.
    pub safe: u64,
    /// Complete in the image, but a folder above is lost or damaged: `gleaner take` brings it, a driver may not open its path.
    pub folder_damaged: u64,
    /// Some of the file, its record, or the folders above is not read yet.
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

    /// The count of a file by the state of its content and that of the folders above.
    fn place(&mut self, content: FileState, folders: FileState) -> &mut u64 {
        use FileState::{Complete, Damaged, Lost, NotPlanned, NotYetRead};
        match (content, folders) {
            (Lost, _) => &mut self.lost,
            (Damaged, _) => &mut self.damaged,
            (Complete, Complete) => &mut self.safe,
            (Complete, Damaged | Lost) => &mut self.folder_damaged,
            (NotYetRead, _) | (Complete | NotPlanned, NotYetRead) => &mut self.to_read,
            (NotPlanned, _) | (Complete, NotPlanned) => &mut self.not_planned,
        }
    }

    pub(super) fn add(&mut self, content: FileState, folders: FileState) {
        self.files += 1;
        *self.place(content, folders) += 1;
    }

    fn change(&mut self, count: u64, from: (FileState, FileState), to: (FileState, FileState)) {
        let place = self.place(from.0, from.1);
        *place = place.saturating_sub(count);
        *self.place(to.0, to.1) += count;
    }

    /// Files whose content is complete, whatever is missing of the folders above.
    pub fn complete(&self) -> u64 {
        self.safe + self.folder_damaged
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
            (self.folder_damaged, "complete in damaged folders"),
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
    skipped: ExtentSet,
}

impl Snapshot {
    /// What `store` knows now.
    pub fn of(store: &dyn CopyStore, drive_bytes: u64) -> Snapshot {
        let everything = Extent::between(0, drive_bytes);
        Snapshot {
            held: store.held(everything).into_iter().collect(),
            unreadable: store.unreadable(everything).into_iter().collect(),
            skipped: store.skipped(everything).into_iter().collect(),
        }
    }
}

/// Counts the wanted files while their extents arrive: 12 bytes for a file that is not complete, 16 for an extent of it that
/// is missing, some 60 for a folder, and a search in a sorted list for each request.
#[derive(Debug)]
pub struct WantedCounter {
    counts: Vec<WantedCount>,
    /// Files that are not complete, and the group of each.
    files: Vec<Missing>,
    groups_of: Vec<u32>,
    groups: Vec<Group>,
    folders: Vec<Folder>,
    /// Missing extents, ascending and apart within each list. Files of which several claim the same clusters need more than one.
    lists: Vec<Vec<MissingRun>>,
    /// By pattern, files known by name alone: lost, and with a record that is not read yet.
    names: Vec<[u64; 2]>,
}

/// What is missing of a file's content or of a folder: the sectors that are to be read in the lower 46 bits, and two flags.
/// What is in no plan does not arrive, so it needs no number.
#[derive(Clone, Copy, Debug, Default)]
struct Missing(u64);

const SECTORS: u64 = (1 << 46) - 1;
const NOT_PLANNED: u64 = 1 << 46;
const DAMAGED: u64 = 1 << 47;

impl Missing {
    /// Notes what is missing of a place, and its runs.
    fn add(&mut self, place: Extent, known: &Known<'_>, owner: u32, runs: &mut Vec<MissingRun>) {
        let gaps = Gaps::of(place, known);
        self.0 |= if gaps.unreadable.is_empty() { 0 } else { DAMAGED };
        self.0 |= if gaps.not_planned.is_empty() { 0 } else { NOT_PLANNED };
        let from = runs.len();
        gaps.to_read.extents().iter().for_each(|gap| add_runs(*gap, owner, runs));
        self.add_sectors(runs[from..].iter().map(|run| u64::from(run.count)).sum());
    }

    fn add_sectors(&mut self, sectors: u64) {
        self.0 = self.0 & !SECTORS | (self.0 & SECTORS).saturating_add(sectors).min(SECTORS);
    }

    fn take_sectors(&mut self, sectors: u64) {
        self.0 = self.0 & !SECTORS | (self.0 & SECTORS).saturating_sub(sectors);
    }

    fn state(self) -> FileState {
        let is_any = |bits: u64| self.0 & bits != 0;
        FileState::of_gaps(is_any(DAMAGED), is_any(SECTORS), is_any(NOT_PLANNED))
    }
}

/// No folder, or no group.
const NONE: u32 = u32::MAX;

/// A folder with wanted files somewhere below it.
#[derive(Debug)]
struct Folder {
    own: Missing,
    /// The state of it and of all that is above it.
    state: FileState,
    above: u32,
    /// The first folder in it, and the next one beside it.
    below: u32,
    next: u32,
    /// The first group of files in it.
    group: u32,
}

/// The files in one folder that one pattern chose. Their number by the state of their content; damaged ones have no more to tell.
#[derive(Debug)]
struct Group {
    folder: u32,
    lane: u16,
    /// The next group of the folder.
    next: u32,
    whole: u32,
    not_planned: u32,
    to_read: u32,
}

impl Group {
    fn number(&mut self, content: FileState) -> Option<&mut u32> {
        match content {
            FileState::Complete => Some(&mut self.whole),
            FileState::NotPlanned => Some(&mut self.not_planned),
            FileState::NotYetRead => Some(&mut self.to_read),
            FileState::Damaged | FileState::Lost => None,
        }
    }
}

/// Sectors of a file, or of a folder where [`OF_FOLDER`] is set, that are missing.
#[derive(Clone, Copy, Debug)]
struct MissingRun {
    first: u64,
    count: u32,
    owner: u32,
}

const OF_FOLDER: u32 = 1 << 31;

impl MissingRun {
    fn end(self) -> u64 {
        self.first + u64::from(self.count)
    }
}

/// Lists beyond which extents are left out that several files claim. Such a file stays "not read yet".
const MOST_LISTS: usize = 16;

/// What counting begins from.
struct Known<'k> {
    snapshot: &'k Snapshot,
    planned: &'k ExtentSet,
}

impl KnownRanges for Known<'_> {
    fn held(&self, place: Extent) -> Vec<Extent> {
        self.snapshot.held.intersection(place)
    }

    fn unreadable(&self, place: Extent) -> Vec<Extent> {
        self.snapshot.unreadable.intersection(place)
    }

    fn to_read(&self, place: Extent) -> ExtentSet {
        self.planned.intersection(place).into_iter().chain(self.snapshot.skipped.intersection(place)).collect()
    }
}

/// The folders of a volume that were met so far, by their place in the counter.
struct Met<'v> {
    volume: &'v VolumeMap,
    known: &'v Known<'v>,
    places: FolderPlaces<'v>,
    folders: HashMap<Above, u32>,
    groups: HashMap<(u32, u16), u32>,
}

fn index(number: usize) -> u32 {
    u32::try_from(number).ok().filter(|number| *number < OF_FOLDER).expect("fewer than 2^31 files")
}

impl WantedCounter {
    /// Counts as of `snapshot`; `planned` is what the plan reads.
    ///
    /// # Panics
    /// Beyond 2^31-1 wanted files.
    pub fn new(drive: &DriveMap, snapshot: &Snapshot, planned: &ExtentSet, wanted: &Patterns) -> WantedCounter {
        WantedCounter::new_unless(drive, snapshot, planned, wanted, &AtomicBool::new(false)).expect("it is not stopped")
    }

    /// As [`WantedCounter::new`]; `None` once `stop` is set.
    ///
    /// # Panics
    /// As [`WantedCounter::new`].
    pub fn new_unless(
        drive: &DriveMap,
        snapshot: &Snapshot,
        planned: &ExtentSet,
        wanted: &Patterns,
        stop: &AtomicBool,
    ) -> Option<WantedCounter> {
        let mut counter = WantedCounter {
            counts: WantedCount::of_each(wanted),
            files: Vec::new(),
            groups_of: Vec::new(),
            groups: Vec::new(),
            folders: Vec::new(),
            lists: Vec::new(),
            names: vec![[0; 2]; wanted.texts().len()],
        };
        let known = Known { snapshot, planned };
        let mut runs = Vec::new();
        for (_, volume) in drive.volumes() {
            let choice = wanted.choose(&volume.catalog);
            let places = FolderPlaces::new(volume);
            let mut met = Met { volume, known: &known, places, folders: HashMap::new(), groups: HashMap::new() };
            for node in volume.catalog.nodes() {
                if stop.load(Ordering::Relaxed) {
                    return None;
                }
                if let Some(lane) = choice.lane(node.id()) {
                    counter.add_file(&node, lane, &mut met, &mut runs);
                }
            }
        }
        counter.files.shrink_to_fit();
        counter.groups_of.shrink_to_fit();
        counter.groups.shrink_to_fit();
        counter.folders.shrink_to_fit();
        counter.lists = apart(runs);
        Some(counter)
    }

    fn add_file(&mut self, node: &Node<'_>, lane: u16, met: &mut Met<'_>, runs: &mut Vec<MissingRun>) {
        let number = index(self.files.len());
        let first_run = runs.len();
        let mut file = Missing::default();
        let mut is_file = false;
        for stream in contents(node) {
            is_file = true;
            if stream.is_incomplete() {
                file.0 |= DAMAGED;
            }
            for need in needs(met.volume, &stream) {
                match need.on_drive {
                    Some(place) => file.add(place, met.known, number, runs),
                    None => file.0 |= DAMAGED,
                }
            }
        }
        if !is_file {
            return;
        }
        let content = file.state();
        if content == FileState::Damaged {
            self.counts[usize::from(lane)].add(content, FileState::Complete);
            runs.truncate(first_run);
            return;
        }
        // Of what is complete already, nothing that arrives changes anything but the folders above.
        runs.truncate(if content == FileState::Complete { first_run } else { runs.len() });
        let folder = self.folder_above(node, met, runs);
        let group = self.group(folder, lane, met);
        if content != FileState::Complete {
            self.files.push(file);
            self.groups_of.push(group);
        }
        self.groups[group as usize].number(content).into_iter().for_each(|count| *count += 1);
        self.counts[usize::from(lane)].add(content, self.folders[folder as usize].state);
    }

    /// The folder that a file stands in; it and those above it are added when they were not met before.
    fn folder_above(&mut self, node: &Node<'_>, met: &mut Met<'_>, runs: &mut Vec<MissingRun>) -> u32 {
        let catalog = &met.volume.catalog;
        let lowest = Above::of(catalog, node).unwrap_or(Above::Unknown);
        for folder in lowest.unknown(catalog, |folder| met.folders.contains_key(folder)).into_iter().rev() {
            let number = index(self.folders.len());
            let needs = met.places.needs(folder);
            let mut own = Missing(if needs.is_damaged { DAMAGED } else { 0 });
            needs.places.into_iter().for_each(|place| own.add(place, met.known, OF_FOLDER | number, runs));
            if needs.is_lost {
                match own.state() {
                    FileState::Complete => own.0 |= DAMAGED,
                    // One more than can arrive.
                    _ => own.add_sectors(1),
                }
            }
            let above = folder.above(catalog).map_or(NONE, |above| met.folders[&above]);
            let upper = self.folders.get_mut(above as usize);
            let (next, state) = upper.map_or((NONE, FileState::Complete), |upper| {
                (std::mem::replace(&mut upper.below, number), upper.state)
            });
            let state = state.max(own.state());
            self.folders.push(Folder { own, state, above, below: NONE, next, group: NONE });
            met.folders.insert(folder, number);
        }
        met.folders[&lowest]
    }

    fn group(&mut self, folder: u32, lane: u16, met: &mut Met<'_>) -> u32 {
        *met.groups.entry((folder, lane)).or_insert_with(|| {
            let number = index(self.groups.len());
            let next = std::mem::replace(&mut self.folders[folder as usize].group, number);
            self.groups.push(Group { folder, lane, next, whole: 0, not_planned: 0, to_read: 0 });
            number
        })
    }

    /// Bytes have arrived that were missing until now.
    pub fn arrived(&mut self, extent: Extent) {
        self.each_run(extent, Missing::take_sectors);
    }

    /// A range was found unreadable.
    pub fn unreadable(&mut self, extent: Extent) {
        self.each_run(extent, |missing, _| missing.0 |= DAMAGED);
    }

    fn each_run(&mut self, extent: Extent, change: impl Fn(&mut Missing, u64)) {
        let (first, end) = (extent.start.0 / SECTOR, extent.end().div_ceil(SECTOR));
        let lists = std::mem::take(&mut self.lists);
        for list in &lists {
            let from = list.partition_point(|run| run.end() <= first);
            for run in list[from..].iter().take_while(|run| run.first < end) {
                let sectors = run.end().min(end) - run.first.max(first);
                if run.owner & OF_FOLDER != 0 {
                    let folder = run.owner & !OF_FOLDER;
                    change(&mut self.folders[folder as usize].own, sectors);
                    self.pass_down(folder);
                } else {
                    let file = &mut self.files[run.owner as usize];
                    let before = file.state();
                    change(file, sectors);
                    let after = file.state();
                    if before != after {
                        self.file_changed(run.owner, before, after);
                    }
                }
            }
        }
        self.lists = lists;
    }

    fn file_changed(&mut self, file: u32, before: FileState, after: FileState) {
        let group = &mut self.groups[self.groups_of[file as usize] as usize];
        group.number(before).into_iter().for_each(|count| *count -= 1);
        group.number(after).into_iter().for_each(|count| *count += 1);
        let folders = self.folders[group.folder as usize].state;
        self.counts[usize::from(group.lane)].change(1, (before, folders), (after, folders));
    }

    /// Finds anew the state of a folder and, where it has changed, of all below it.
    fn pass_down(&mut self, folder: u32) {
        let mut changed = vec![folder];
        while let Some(number) = changed.pop() {
            let Folder { own, above, .. } = self.folders[number as usize];
            let upper = self.folders.get(above as usize).map_or(FileState::Complete, |upper| upper.state);
            let after = upper.max(own.state());
            let folder = &mut self.folders[number as usize];
            let before = std::mem::replace(&mut folder.state, after);
            if before == after {
                continue;
            }
            let (mut group, mut below) = (folder.group, folder.below);
            while let Some(files) = self.groups.get_mut(group as usize) {
                for content in [FileState::Complete, FileState::NotPlanned, FileState::NotYetRead] {
                    let count = files.number(content).map_or(0, |count| u64::from(*count));
                    self.counts[usize::from(files.lane)].change(count, (content, before), (content, after));
                }
                group = files.next;
            }
            while let Some(folder) = self.folders.get(below as usize) {
                changed.push(below);
                below = folder.next;
            }
        }
    }

    /// Counts the files of which only the names are known, by what `store` holds of the folders' indexes now.
    /// Once `stop` is set it ends, with those it has found.
    pub fn count_names(&mut self, drive: &DriveMap, store: &dyn CopyStore, wanted: &Patterns, stop: &AtomicBool) {
        self.names.fill([0; 2]);
        for (_, volume) in drive.volumes() {
            for named in &NamesOnly::find_unless(volume, store, stop).existing {
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

    /// Bytes of memory for files, folders and extents.
    pub fn memory(&self) -> usize {
        let runs: usize = self.lists.iter().map(Vec::capacity).sum();
        self.files.capacity() * (size_of::<Missing>() + size_of::<u32>())
            + self.groups.capacity() * size_of::<Group>()
            + self.folders.capacity() * size_of::<Folder>()
            + runs * size_of::<MissingRun>()
    }
}

/// An extent as runs whose length fits.
fn add_runs(extent: Extent, owner: u32, runs: &mut Vec<MissingRun>) {
    let sectors: Range<u64> = extent.start.0 / SECTOR..extent.end().div_ceil(SECTOR);
    let mut first = sectors.start;
    while first < sectors.end {
        let count = u32::try_from(sectors.end - first).unwrap_or(u32::MAX);
        runs.push(MissingRun { first, count, owner });
        first += u64::from(count);
    }
}

/// Runs as lists in each of which they are ascending and apart: one list, unless files claim the same sectors.
fn apart(mut runs: Vec<MissingRun>) -> Vec<Vec<MissingRun>> {
    runs.sort_unstable_by_key(|run| (run.first, run.owner));
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
