//! The counts of the wanted files while a copy runs, held against the audit: at every moment both say the same.

use crate::cases;
use crate::common;

use cases::{gleaner, survey_and_plan};
use common::damaged::Random;
use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{Lcn, SectorSize};
use gleaner::filesystem::{CatalogBuilder, ClusterRun, Content, NodeKind, NodeSpec, Parent, Purpose, Role, StreamSpec};
use gleaner::results::audit::{Snapshot, Truth, WantedCount, WantedCounter, audit};
use gleaner::source::{CopyStore, Failure, MemorySource, RangeMark, Reader, Skip};
use gleaner::store::journal::{ChunkHash, JournalClaim, Ranges};
use gleaner::survey::allocation::{Choices, Class, ClassRun, DriveMap, Patterns, classify, read_drive};
use serde_json::Value;
use std::convert::Infallible;
use std::io;
use std::sync::Mutex;

/// What a copy has brought of an image so far.
struct Growing {
    image: Vec<u8>,
    ranges: Mutex<Ranges>,
}

impl CopyStore for Growing {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        self.ranges.lock().unwrap().held(extent)
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        self.ranges.lock().unwrap().skipped(extent)
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        self.ranges.lock().unwrap().unreadable(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        let index = |at| usize::try_from(at).unwrap();
        buffer.copy_from_slice(&self.image[index(extent.start.0)..index(extent.end())]);
        Ok(())
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        self.ranges.lock().unwrap().apply(&JournalClaim::Copied { extent, hash: ChunkHash::of(bytes) });
        Ok(())
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        self.ranges.lock().unwrap().mark(&mark);
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        Ok(())
    }
}

fn audited(drive: &DriveMap, store: &dyn CopyStore, planned: &ExtentSet, wanted: &Patterns) -> Vec<WantedCount> {
    let Ok(summary) =
        audit(drive, &Truth { store, planned, wanted }, &Patterns::default(), |_| Ok::<(), Infallible>(()));
    summary.wanted
}

/// Requests in random order, some unreadable, some places not planned; the counting begins in the middle.
#[test]
fn counts_are_those_of_the_audit_at_every_moment() {
    let (mut changes, mut not_planned, mut both, mut in_damaged) = (0, 0, 0, 0);
    for (name, seed) in
        [("ntfs-rich", 1), ("ntfs-rich", 2), ("ntfs-cluster-512", 3), ("fat16", 4), ("exfat-clusters-4k", 5)]
    {
        let image = fixture(name);
        let bytes = image.len() as u64;
        let drive =
            read_drive(&Reader::new(Box::new(MemorySource::new(image.clone(), SectorSize::S512)), None)).unwrap();
        let wanted = Patterns::new(&["/Surveys", "Photos", "*.txt", "no such name"]).unwrap();
        let map = classify(&drive, &Choices { wanted: Patterns::new(wanted.texts()).unwrap(), ..Choices::default() });
        // The second pattern is in no plan.
        let chosen = |run: &&ClassRun| run.class == Class::Wanted && run.lane != 1 || run.class == Class::Structure;
        let planned: ExtentSet = map.runs().iter().filter(chosen).map(|run| run.extent).collect();
        let store = Growing { image, ranges: Mutex::new(Ranges::new()) };
        let mut random = Random(seed);
        let mut requests: Vec<Extent> = planned.extents().iter().flat_map(|extent| extent.pieces(24 << 10)).collect();
        for at in (1..requests.len()).rev() {
            requests.swap(at, usize::try_from(random.below(at as u64 + 1)).unwrap());
        }
        let begin = requests.len() / 5;
        let mut counter = None;
        let mut before = Vec::new();
        for (number, request) in requests.iter().enumerate() {
            if number == begin {
                counter = Some(WantedCounter::new(&drive, &Snapshot::of(&store, bytes), &planned, &wanted));
            }
            if random.below(12) == 0 {
                store.mark(RangeMark::Unreadable { extent: *request, tries: 1, failure: Failure::default() }).unwrap();
                counter.iter_mut().for_each(|counter: &mut WantedCounter| counter.unreadable(*request));
            } else {
                let content = vec![0; usize::try_from(request.bytes).unwrap()];
                store.keep(*request, &content).unwrap();
                counter.iter_mut().for_each(|counter| counter.arrived(*request));
            }
            if let Some(counter) = counter.as_ref().filter(|_| number % 4 == 0 || number + 1 == requests.len()) {
                let counts = counter.counts();
                assert_eq!(counts, audited(&drive, &store, &planned, &wanted), "{name}, request {number}");
                changes += usize::from(counts != before);
                before = counts;
            }
        }
        both += before[..3].iter().filter(|count| count.damaged > 0 && count.safe > 0).count();
        not_planned += before[1].not_planned;
        in_damaged += before.iter().map(|count| count.folder_damaged).sum::<u64>();
        assert_eq!((before[3].files, before[3].sentence().as_str()), (0, "no such name: no file known"));
    }
    assert!(both >= 4, "only {both} patterns have safe and damaged files");
    assert!(in_damaged > 20, "only {in_damaged} complete files lie in damaged folders");
    assert!(changes > 60 && not_planned > 0, "only {changes} changes were seen, {not_planned} files were not planned");
}

/// A plan that takes only parts of files, and places that an earlier plan took and that were skipped.
#[test]
fn counts_are_those_of_the_audit_where_a_plan_takes_parts_of_files() {
    let (mut partly, mut skipped) = (0, 0);
    for (name, seed) in [("ntfs-rich", 1), ("ntfs-cluster-512", 2), ("fat16", 3), ("exfat-clusters-4k", 4)] {
        let image = fixture(name);
        let bytes = image.len() as u64;
        let drive =
            read_drive(&Reader::new(Box::new(MemorySource::new(image.clone(), SectorSize::S512)), None)).unwrap();
        let wanted = Patterns::new(&["/Surveys", "Photos", "*.txt"]).unwrap();
        let store = Growing { image, ranges: Mutex::new(Ranges::new()) };
        let mut random = Random(seed);
        let mut planned = ExtentSet::new();
        let mut requests: Vec<Extent> = Extent::between(0, bytes).pieces(8 << 10).collect();
        requests.retain(|piece| match random.below(20) {
            0 => {
                let (extent, failure) = (*piece, Failure::default());
                store.mark(RangeMark::Skipped { extent, why: Skip::Near, failure }).unwrap();
                false
            }
            1 | 2 => false,
            _ => {
                planned.insert(*piece);
                true
            }
        });
        let mut counter = WantedCounter::new(&drive, &Snapshot::of(&store, bytes), &planned, &wanted);
        let begun = counter.counts();
        assert_eq!(begun, audited(&drive, &store, &planned, &wanted), "{name}, before the first request");
        for (number, request) in requests.iter().enumerate() {
            store.keep(*request, &vec![0; usize::try_from(request.bytes).unwrap()]).unwrap();
            counter.arrived(*request);
            if number % 300 == 0 || number + 1 == requests.len() {
                let counts = audited(&drive, &store, &planned, &wanted);
                assert_eq!(counter.counts(), counts, "{name}, request {number}");
            }
        }
        let ended = counter.counts();
        partly += ended.iter().map(|count| count.not_planned).sum::<u64>();
        skipped += ended.iter().map(|count| count.to_read).sum::<u64>();
        assert!(ended.iter().all(|count| count.damaged == 0), "{ended:?}");
    }
    assert!(partly > 20 && skipped > 20, "{partly} files were not planned, {skipped} not read yet");
}

/// A compressed file of 100 bytes with a second unit behind its content, as it is left where a file was made shorter: the second
/// unit is missing, and nothing of the file.
#[test]
fn what_lies_behind_a_compressed_files_content_is_not_missing() {
    let image = fixture("ntfs-cluster-512");
    let bytes = image.len() as u64;
    let mut drive =
        read_drive(&Reader::new(Box::new(MemorySource::new(image.clone(), SectorSize::S512)), None)).unwrap();
    let Some(Content::Volume(volume)) = drive.areas.iter_mut().find_map(|area| area.content.as_mut()) else {
        panic!("the fixture is a volume")
    };
    let node = |number, kind| NodeSpec { number, kind, purpose: Purpose::Client, deleted: false };
    let mut build = CatalogBuilder::with_capacity(2);
    let root = build.add_node(node(5, NodeKind::Folder));
    let file = build.add_node(node(100, NodeKind::File));
    build.add_link(file, Parent::Folder(root), "shortened.txt");
    let spec = StreamSpec { compression_unit: 16, ..StreamSpec::plain(Role::Data, None, 100) };
    build.add_stream(file, &spec, [(Some(Lcn(100)), 16), (Some(Lcn(200)), 16)]);
    volume.catalog = build.finish(root);
    let unit = volume.geometry.extent(ClusterRun { first: Lcn(100), count: 16 }).unwrap();
    let (planned, wanted) = ([Extent::between(0, bytes)].into_iter().collect(), Patterns::new(&["*.txt"]).unwrap());
    for (part, safe) in [(unit, 1), (Extent::between(unit.start.0, unit.end() - 512), 0)] {
        let store = Growing { image: image.clone(), ranges: Mutex::new(Ranges::new()) };
        store.keep(part, &vec![0; usize::try_from(part.bytes).unwrap()]).unwrap();
        let counter = WantedCounter::new(&drive, &Snapshot::of(&store, bytes), &planned, &wanted);
        assert_eq!(counter.counts(), audited(&drive, &store, &planned, &wanted));
        assert_eq!((counter.counts()[0].files, counter.counts()[0].safe), (1, safe));
    }
}

/// The last line of an audit, and the counts as a copy makes them, of a drive that was read but for some places.
fn counted(name: &str, pattern: &str, folder: &str, harm: impl Fn(&Growing, Extent)) -> WantedCount {
    let image = fixture(name);
    let bytes = image.len() as u64;
    let drive = read_drive(&Reader::new(Box::new(MemorySource::new(image.clone(), SectorSize::S512)), None)).unwrap();
    let (_, volume) = drive.volumes().next().unwrap();
    let node = volume.catalog.nodes().find(|node| node.path() == folder).unwrap();
    let entries = node.streams().find(|stream| stream.role() == Role::FolderIndex).unwrap();
    let last = entries.runs().filter_map(|run| volume.geometry.extent(run)).last().unwrap();
    let store = Growing { image, ranges: Mutex::new(Ranges::new()) };
    let (before, behind) = (Extent::between(0, last.end() - 512), Extent::between(last.end(), bytes));
    for part in [before, behind] {
        store.keep(part, &vec![0; usize::try_from(part.bytes).unwrap()]).unwrap();
    }
    harm(&store, Extent::between(last.end() - 512, last.end()));
    let planned: ExtentSet = [Extent::between(0, bytes)].into_iter().collect();
    let wanted = Patterns::new(&[pattern]).unwrap();
    let counter = WantedCounter::new(&drive, &Snapshot::of(&store, bytes), &planned, &wanted);
    assert_eq!(counter.counts(), audited(&drive, &store, &planned, &wanted), "{name}");
    counter.counts().remove(0)
}

/// A file is safe with the folders above it: their clusters count, at any height, and once for all files below.
#[test]
fn a_file_is_safe_with_the_folders_above_it() {
    for (name, folder) in [
        ("ntfs-rich", "/Surveys"),
        ("fat16", "/Surveys"),
        ("fat32-clusters-512", "/Surveys"),
        ("exfat-clusters-4k", "/Surveys"),
    ] {
        let sound = counted(name, "/Surveys", folder, |store, place| store.keep(place, &[0; 512]).unwrap());
        assert!(sound.files > 10 && sound.safe == sound.files, "{name}: {sound:?}");
        let failure = Failure::default();
        let unreadable =
            |store: &Growing, extent| store.mark(RangeMark::Unreadable { extent, tries: 1, failure }).unwrap();
        let damaged = counted(name, "/Surveys", folder, unreadable);
        assert_eq!((damaged.safe, damaged.folder_damaged, damaged.complete()), (0, sound.files, sound.files), "{name}");
        assert_eq!(
            damaged.sentence(),
            format!("/Surveys: 0 of {0} files safe, {0} complete in damaged folders", sound.files)
        );
        let open = counted(name, "/Surveys", folder, |_, _| {});
        assert_eq!((open.safe, open.to_read), (0, sound.files), "{name}");
    }
}

/// What is skipped is to be read; one large request is as good as many.
#[test]
fn a_place_that_is_skipped_changes_nothing() {
    let image = fixture("fat16");
    let bytes = image.len() as u64;
    let drive = read_drive(&Reader::new(Box::new(MemorySource::new(image.clone(), SectorSize::S512)), None)).unwrap();
    let wanted = Patterns::new(&["/"]).unwrap();
    let planned: ExtentSet = [Extent::between(0, bytes)].into_iter().collect();
    let store = Growing { image, ranges: Mutex::new(Ranges::new()) };
    let extent = Extent::between(0, bytes);
    store.mark(RangeMark::Skipped { extent, why: Skip::Near, failure: Failure::default() }).unwrap();
    let mut counter = WantedCounter::new(&drive, &Snapshot::of(&store, bytes), &planned, &wanted);
    let [count] = &counter.counts()[..] else { panic!() };
    assert!(count.to_read > 10 && count.damaged + count.lost + count.not_planned == 0);
    counter.arrived(extent);
    let [count] = &counter.counts()[..] else { panic!() };
    assert_eq!(count.safe, count.files);
}

/// Copies that are stopped early: what the copy says at its end, what the history has, and what an audit says are the same.
#[test]
fn a_stopped_copy_says_what_an_audit_says() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    gleaner::demo::make_drive(&drive).unwrap();
    survey_and_plan(&drive, &case, &["--want", "/Surveys", "--want", "Photos"]);
    let mut seen = Vec::new();
    for bytes in ["3000000", "5000000", "6000000", "7000000", "100000000"] {
        let code = if bytes == "100000000" { 0 } else { 9 };
        let copied = cases::copy(code, &drive, &case, &["--stop-after-bytes", bytes, "--request", "64"]);
        let audit = cases::audit(0, &case);
        let summary: Value = serde_json::from_str(audit.lines().last().unwrap()).unwrap();
        assert_eq!(copied["wanted"], summary["summary"]["wanted"], "after {bytes}");
        let history = gleaner::copy::history::read_history(&case.join("history.jsonl")).unwrap();
        assert_eq!(serde_json::to_value(&history.runs.last().unwrap().wanted).unwrap(), copied["wanted"]);
        assert_eq!(history.unread_lines, 0);
        seen.push(copied["wanted"][0]["safe"].as_u64().unwrap() + copied["wanted"][1]["safe"].as_u64().unwrap());
    }
    assert!(seen.is_sorted() && seen[0] < seen[3] && seen.last() == Some(&359), "{seen:?}");
    let mut plain = gleaner("copy", &case);
    let text = cases::ends_with(0, plain.arg(&drive));
    let lines: Vec<&str> = text.lines().take(3).collect();
    assert_eq!(lines[1..], ["  /Surveys: 344 of 344 files safe", "  Photos: 15 of 15 files safe"], "{text}");
}
