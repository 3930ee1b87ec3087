//! Files whose records are unreadable: their folders' indexes name them, and they count as lost. The names are held against the
//! listing that the FUSE driver ntfs-3g gives of the sound volume. Needs root and FUSE.

use crate::cases;
use crate::held;
use crate::witness;

use cases::{ends_with, gleaner, survey_and_plan};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::filesystem::Role;
use gleaner::plan::{Plan, load_plan};
use gleaner::results::audit::{AuditSummary, FileAudit, FileState, Snapshot, Truth, WantedCounter, audit};
use gleaner::source::{MemorySource, Reader, TroubleLimit};
use gleaner::survey::allocation::{Class, DriveMap, Patterns, read_drive};
use held::Held;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::fs::{self, File};
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::process::{Child, Command};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use witness::WitnessedDevice;

/// Bytes of a file record that mkntfs makes on sectors of 512 bytes.
const RECORD: u64 = 1024;

/// A volume with a folder of 100 pictures, a folder of three, and 12 deleted files that lay among the pictures.
struct Volume {
    image: Vec<u8>,
    /// Paths as the driver lists them, with the number of each one's record, which the driver gives as inode number.
    listed: BTreeMap<String, u64>,
    /// Paths of deleted files.
    deleted: BTreeMap<String, u64>,
}

fn run(program: &mut Command) {
    let ended = program.output().unwrap_or_else(|e| panic!("{program:?}: {e}; scripts/setup installs it"));
    assert!(ended.status.success(), "{program:?}: {}", String::from_utf8_lossy(&ended.stderr));
}

impl Volume {
    /// Made once: the tests only look at it.
    fn get() -> &'static Volume {
        static VOLUME: OnceLock<Volume> = OnceLock::new();
        VOLUME.get_or_init(Volume::new)
    }

    fn new() -> Volume {
        let picture = |n: u32| format!("/Users/ida/Pictures/sedge and rush, plot {n:03}.jpg");
        let deleted: Vec<String> = (0..12).map(|n| picture(30 + 4 * n)).collect();
        Volume::with(&deleted, |at| {
            fs::create_dir_all(at.join("Users/ida/Pictures")).expect("folders");
            fs::create_dir_all(at.join("Users/ida/Notes")).expect("folders");
            for n in 0..112 {
                fs::write(at.join(&picture(n)[1..]), vec![b'a'; 3000 + n as usize]).expect("a file");
            }
            for n in 0..3 {
                fs::write(at.join(format!("Users/ida/Notes/walk {n}.txt")), vec![b'n'; 2000]).expect("a file");
            }
        })
    }

    /// A volume that `fill` has filled, and `deleted` of it deleted.
    fn with(deleted: &[String], fill: impl FnOnce(&Path)) -> Volume {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (path, at) = (folder.path().join("volume.img"), folder.path().join("mount"));
        File::create_new(&path).and_then(|file| file.set_len(16 << 20)).expect("a sparse file");
        run(Command::new("mkntfs").args(["--quick", "--force", "--quiet", "--label", "Fernhollow"]).arg(&path));
        fs::create_dir(&at).expect("a folder");
        let mounted = Mounted::new(&path, &at);
        fill(&at);
        let number = |path: &String| fs::metadata(at.join(&path[1..])).expect("listed").ino();
        let deleted = deleted.iter().map(|path| (path.clone(), number(path))).collect::<BTreeMap<_, _>>();
        deleted.keys().for_each(|path| fs::remove_file(at.join(&path[1..])).expect("removed"));
        let mut listed = BTreeMap::new();
        list(&at, "", &mut listed);
        drop(mounted);
        let image = fs::read(&path).expect("the volume");
        Volume { image, listed, deleted }
    }

    /// Where records lie, by the sound volume's $MFT.
    fn records<'n>(&self, numbers: impl IntoIterator<Item = &'n u64>) -> Vec<Extent> {
        let drive = held::drive(&self.image);
        let (_, volume) = drive.volumes().next().expect("a volume");
        let table = volume.catalog.nodes().find(|n| n.number() == 0).expect("$MFT");
        let run = table.streams().find(|s| s.role() == Role::Data).and_then(|s| s.runs().next()).expect("its run");
        let start = volume.geometry.extent(run).expect("in the volume").start.0;
        numbers.into_iter().map(|n| Extent::between(start + n * RECORD, start + (n + 1) * RECORD)).collect()
    }

    fn number(&self, path: &str) -> u64 {
        self.listed[path]
    }
}

fn list(at: &Path, below: &str, found: &mut BTreeMap<String, u64>) {
    for entry in fs::read_dir(at).expect("a folder") {
        let entry = entry.expect("an entry");
        let path = format!("{below}/{}", entry.file_name().to_str().expect("UTF-8"));
        let about = entry.metadata().expect("its metadata");
        if about.is_dir() {
            list(&entry.path(), &path, found);
        }
        found.insert(path, about.ino());
    }
}

struct Mounted<'m> {
    driver: Child,
    at: &'m Path,
}

impl<'m> Mounted<'m> {
    fn new(volume: &Path, at: &'m Path) -> Mounted<'m> {
        let driver = Command::new("ntfs-3g").args(["-o", "no_detach"]).arg(volume).arg(at).spawn();
        let mounted = Mounted { driver: driver.expect("ntfs-3g; scripts/setup installs it"), at };
        let (device, began) = (|path: &Path| fs::metadata(path).expect("a folder").dev(), Instant::now());
        while device(at) == device(at.parent().expect("a folder")) {
            assert!(began.elapsed() < Duration::from_secs(30), "nothing is mounted");
            std::thread::sleep(Duration::from_millis(20));
        }
        mounted
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let began = Instant::now();
        // A process that another test starts holds what is open here for a moment.
        while matches!(self.driver.try_wait(), Ok(None)) && began.elapsed() < Duration::from_secs(30) {
            let _ = Command::new("fusermount3").arg("-u").arg(self.at).output();
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

/// The structure of a drive some places of which fail, and what a case holds of it.
fn copied(image: &[u8], bad: &[Extent]) -> (DriveMap, Held) {
    let source = MemorySource::new(image.to_vec(), SectorSize::S512);
    let source = bad.iter().fold(source, |source, place| source.with_unreadable(*place));
    let limit = TroubleLimit { failures: 1000, time: Duration::from_secs(86_400) };
    let drive = read_drive(&Reader::new(Box::new(source), None).with_trouble_limit(limit)).expect("it is there");
    let mut held = Held::all(image.to_vec());
    bad.iter().for_each(|place| held.give_up_at(*place));
    (drive, held)
}

fn audited(drive: &DriveMap, held: &Held, wanted: &Patterns) -> (AuditSummary, Vec<FileAudit>) {
    let planned: ExtentSet = [drive.identity.extent()].into_iter().collect();
    let mut files = Vec::new();
    let summary = audit(drive, &Truth { store: held, planned: &planned, wanted }, &Patterns::default(), |file| {
        files.push(file.clone());
        Ok::<(), Infallible>(())
    });
    let Ok(summary) = summary;
    (summary, files)
}

fn paths(files: &[FileAudit], state: FileState) -> BTreeSet<&str> {
    files.iter().filter(|file| file.state == state).map(|file| file.path.as_str()).collect()
}

/// Whatever the driver lists is in the audit, file by file, whether its record can be read or not.
#[test]
fn files_whose_records_are_unreadable_are_named_by_their_folders() {
    let volume = Volume::get();
    let lost = [
        "/Users/ida/Pictures/sedge and rush, plot 000.jpg",
        "/Users/ida/Pictures/sedge and rush, plot 071.jpg",
        "/Users/ida/Notes/walk 1.txt",
    ];
    let bad = volume.records(&lost.map(|path| volume.number(path)));
    let (drive, held) = copied(&volume.image, &bad);
    let wanted = Patterns::new(&["Users/*/Pictures", "Notes"]).unwrap();
    let (summary, files) = audited(&drive, &held, &wanted);
    let listed: BTreeSet<&str> = volume.listed.keys().map(String::as_str).filter(|path| path.contains('.')).collect();
    assert_eq!(files.iter().map(|file| file.path.as_str()).collect::<BTreeSet<_>>(), listed);
    assert_eq!(paths(&files, FileState::Lost), BTreeSet::from(lost));
    let size = |path: &str| files.iter().find(|file| file.path == path).unwrap().size;
    assert_eq!(lost.map(size), [3000, 3071, 2000], "the sizes that the index has");
    assert_eq!((summary.totals.complete, summary.totals.lost, summary.totals.lost_bytes), (100, 3, 8071));
    let below = |path: &str| summary.folders.iter().find(|folder| folder.path == path).unwrap().counts;
    assert_eq!((below("/Users/ida/Pictures").lost, below("/Users/ida/Notes").lost, below("/").lost), (2, 1, 3));
    let sentences: Vec<String> = summary.wanted.iter().map(|count| count.sentence()).collect();
    assert_eq!(sentences, ["Users/*/Pictures: 98 of 100 files safe, 2 lost", "Notes: 2 of 3 files safe, 1 lost"]);
}

/// Without record 0 and its copy $MFT is found by the numbers in its records: names of lost files are found all the same, of records
/// in its unknown parts too.
#[test]
fn names_are_found_without_the_first_record() {
    let volume = Volume::get();
    let lost = ["/Users/ida/Pictures/sedge and rush, plot 000.jpg", "/Users/ida/Notes/walk 1.txt"];
    // The boot sector has the mirror's cluster at byte 0x38 (Linux fs/ntfs/layout.h, `NTFS_BOOT_SECTOR`); mkntfs makes clusters of 4 KiB.
    let mirror = u64::from_le_bytes(volume.image[0x38..0x40].try_into().unwrap()) * 4096;
    let bad = [volume.records(&[0]), vec![Extent::between(mirror, mirror + 4 * RECORD)]].concat();
    let (drive, held) = copied(&volume.image, &bad);
    let (_, found) = audited(&drive, &held, &Patterns::default());
    let listed: BTreeSet<&str> = volume.listed.keys().map(String::as_str).filter(|path| path.contains('.')).collect();
    let named: BTreeSet<&str> = found.iter().map(|file| file.path.as_str()).collect();
    assert_eq!(named, listed, "each file is there, if only by its name");

    let (drive, held) = copied(&volume.image, &[bad, volume.records(&lost.map(|path| volume.number(path)))].concat());
    assert!(drive.volumes().next().unwrap().1.findings.count(&gleaner::filesystem::ntfs::TABLE_BY_NUMBERS) > 0);
    let (_, files) = audited(&drive, &held, &Patterns::default());
    let names = paths(&files, FileState::Lost);
    assert!(lost.iter().all(|path| names.contains(path)), "{names:?}");
    assert_eq!(files.iter().map(|file| file.path.as_str()).collect::<BTreeSet<_>>(), listed);
}

/// A record that was not tried yet is not lost.
#[test]
fn a_record_that_is_not_read_yet_is_not_lost() {
    let volume = Volume::get();
    let path = "/Users/ida/Pictures/sedge and rush, plot 000.jpg";
    let bad = volume.records(&[volume.number(path)]);
    let (drive, _) = copied(&volume.image, &bad);
    let mut held = Held::all(volume.image.clone());
    bad.iter().for_each(|place| held.leave_out(*place));
    let (summary, files) = audited(&drive, &held, &Patterns::default());
    assert_eq!(paths(&files, FileState::NotYetRead), BTreeSet::from([path]));
    assert_eq!((summary.totals.lost, summary.totals.not_yet_read), (0, 1));
}

/// A record that was read and is not in use, or holds another file, is no file that is lost, whatever an entry says.
#[test]
fn entries_of_records_that_were_read_are_not_lost() {
    let volume = Volume::get();
    let (path, other) =
        ("/Users/ida/Pictures/sedge and rush, plot 000.jpg", "/Users/ida/Pictures/sedge and rush, plot 001.jpg");
    let [record, bad] = [path, other].map(|path| volume.records(&[volume.number(path)])[0]);
    let mut image = volume.image.clone();
    // Not in use, by its flags (Linux fs/ntfs/layout.h, `MFT_RECORD`: bit 0 of the word at 0x16).
    image[held::index(record.start.0) + 0x16] &= !1;
    let (drive, held) = copied(&image, &[bad]);
    let (_, files) = audited(&drive, &held, &Patterns::default());
    assert_eq!(paths(&files, FileState::Lost), BTreeSet::from([other]));
    assert!(files.iter().all(|file| file.path != path));
}

/// A record that was read and is none is lost like one that was not read.
#[test]
fn damaged_and_wiped_records_are_lost() {
    let volume = Volume::get();
    let lost = ["/Users/ida/Pictures/sedge and rush, plot 000.jpg", "/Users/ida/Pictures/sedge and rush, plot 001.jpg"];
    let records = volume.records(&lost.map(|path| volume.number(path)));
    let mut image = volume.image.clone();
    image[held::index(records[0].start.0) + 510] ^= 0xFF;
    image[held::index(records[1].start.0)..held::index(records[1].end())].fill(0);
    let (drive, held) = copied(&image, &[]);
    let (_, files) = audited(&drive, &held, &Patterns::default());
    assert_eq!(paths(&files, FileState::Lost), BTreeSet::from(lost));
}

/// A damaged index block costs the names in it, is told, and no more.
#[test]
fn a_damaged_index_block_costs_one_block() {
    let volume = Volume::get();
    let lost: Vec<&String> = volume.listed.keys().filter(|path| path.ends_with(".jpg")).collect();
    let bad = volume.records(lost.iter().map(|path| &volume.listed[*path]));
    let sound = held::drive(&volume.image);
    let (_, map) = sound.volumes().next().unwrap();
    let folder = map.catalog.nodes().find(|n| n.path() == "/Users/ida/Pictures").unwrap();
    let index = folder.streams().find(|s| s.role() == Role::FolderIndex).unwrap();
    let block = map.geometry.extent(index.runs().next().unwrap()).unwrap().start.0;
    let named = |harm: &dyn Fn(&mut Vec<u8>)| {
        let mut image = volume.image.clone();
        harm(&mut image);
        let (drive, held) = copied(&image, &bad);
        let (summary, files) = audited(&drive, &held, &Patterns::default());
        let named = files.iter().filter(|file| file.state == FileState::Lost).count();
        (named, summary.unreadable_indexes.iter().map(|folder| folder.bytes).sum::<u64>())
    };
    assert_eq!(named(&|_| {}), (100, 0));
    let (left, bytes) = named(&|image| image[held::index(block) + 1022] ^= 0xFF);
    assert!((20..100).contains(&left), "{left}");
    assert_eq!(bytes, 4096);
}

/// A folder whose own record is lost has its name from the folder above; what lies in it keeps its place among the orphans.
#[test]
fn a_lost_folder_is_named_by_the_folder_above() {
    let volume = Volume::get();
    let number = volume.number("/Users/ida/Notes");
    let (drive, held) = copied(&volume.image, &volume.records(&[number]));
    let (summary, files) = audited(&drive, &held, &Patterns::default());
    let [folder] = &summary.lost_folders[..] else { panic!("{:?}", summary.lost_folders) };
    assert_eq!((folder.path.as_str(), folder.known_as.clone()), ("/Users/ida/Notes", format!("/<orphans>/{number}")));
    assert_eq!(files.iter().filter(|file| file.path.starts_with(&folder.known_as)).count(), 3);
    assert_eq!(summary.totals.lost, 0);
}

/// What is safe is what a driver opens by its path, whichever part of a folder is lost.
#[test]
fn a_file_is_safe_when_a_driver_opens_its_path() {
    let volume = Volume::get();
    let sound = held::drive(&volume.image);
    let (_, map) = sound.volumes().next().unwrap();
    let pictures = map.catalog.nodes().find(|n| n.path() == "/Users/ida/Pictures").unwrap();
    let index = pictures.streams().find(|s| s.role() == Role::FolderIndex).unwrap();
    let blocks = index.runs().filter_map(|run| map.geometry.extent(run)).collect();
    let notes = volume.records(&[volume.number("/Users/ida/Notes")]);
    for (what, bad, safe, in_damaged) in
        [("nothing", Vec::new(), 103, 0), ("an index", blocks, 3, 100), ("a record", notes, 100, 3)]
    {
        let (drive, held) = copied(&volume.image, &bad);
        let (summary, _) = audited(&drive, &held, &Patterns::new(&["*.{jpg,txt}"]).unwrap());
        let count = &summary.wanted[0];
        assert_eq!((count.safe, count.folder_damaged, summary.totals.complete), (safe, in_damaged, 103), "{what}");
        let snapshot = Snapshot::of(&held, drive.identity.bytes);
        let planned: ExtentSet = [drive.identity.extent()].into_iter().collect();
        let counter = WantedCounter::new(&drive, &snapshot, &planned, &Patterns::new(&["*.{jpg,txt}"]).unwrap());
        assert_eq!(counter.counts(), summary.wanted, "{what}");

        let mut image = volume.image.clone();
        bad.iter().for_each(|place| image[held::index(place.start.0)..held::index(place.end())].fill(0));
        let folder = tempfile::tempdir().unwrap();
        let (path, at) = (folder.path().join("volume.img"), folder.path().join("mount"));
        fs::write(&path, image).unwrap();
        fs::create_dir(&at).unwrap();
        let mounted = Mounted::new(&path, &at);
        let opened = volume.listed.keys().filter(|path| path.contains('.') && fs::read(at.join(&path[1..])).is_ok());
        assert_eq!(opened.count() as u64, safe, "{what} is lost");
        drop(mounted);
    }
}

/// What a lost folder held is chosen by the name that the folder above has, as far as the records' references mean that folder: by
/// number and sequence number. The plan is made again once that name is known, before other files are read.
#[test]
fn a_lost_folder_is_wanted_by_its_name() {
    // So many that the names do not fit into the record of the folder above.
    let volume = Volume::with(&[], |at| {
        (0..40).for_each(|n| fs::create_dir_all(at.join(format!("Users/ida/year {n}"))).expect("folders"));
        fs::create_dir_all(at.join("Users/ida/Notes/Ponds")).expect("folders");
        fs::write(at.join("Users/ida/other.txt"), vec![b'o'; 2000]).expect("a file");
        for name in ["walk 0.txt", "walk 1.txt", "Ponds/walk 2.txt"] {
            fs::write(at.join("Users/ida/Notes").join(name), vec![b'n'; 2000]).expect("a file");
        }
    });
    let number = volume.number("/Users/ida/Notes");
    let record = volume.records(&[number])[0];
    let other = volume.records(&[volume.number("/Users/ida/Notes/walk 1.txt")])[0];
    let folder = tempfile::tempdir().unwrap();
    for (name, is_unreadable, is_other) in
        [("unreadable", true, false), ("damaged", false, false), ("other", false, true)]
    {
        let mut image = volume.image.clone();
        let wiped = held::index(record.start.0)..held::index(record.end());
        if is_other {
            // Its name's reference to the folder: 6 bytes of number, 2 of sequence number (Linux fs/ntfs/layout.h, `MFT_REF`).
            let at = held::index(other.start.0);
            let reference = image[at..at + 500].windows(6).position(|six| six == &number.to_le_bytes()[..6]).unwrap();
            image[at + reference + 6] += 1;
        }
        if !is_unreadable {
            image[wiped].fill(0);
        }
        let bad = if is_unreadable { vec![record] } else { Vec::new() };
        let device = WitnessedDevice::with_unreadable(&image, &bad);
        let case = folder.path().join(name);
        survey_and_plan(device.path(), &case, &["--want", "/Users/ida/Notes"]);
        let plan = |name: &str| load_plan(&case.join(name)).unwrap();
        let wanted = |plan: &Plan| plan.passes.iter().filter(|pass| pass.header.class == Class::Wanted).count();
        assert_eq!(wanted(&plan("plan.jsonl")), 0, "its name is not known yet");
        let code = if is_unreadable { 10 } else { 0 };
        let copied = cases::copy(code, device.path(), &case, &[]);
        let files = if is_other { 2 } else { 3 };
        let counts = ["files", "safe", "folder_damaged"].map(|count| copied["wanted"][0][count].as_u64().unwrap());
        assert_eq!(counts, [files, 0, files], "{name}: {copied:#}");
        let revised = copied["revisions"][0]["plan"].as_str().expect("a new plan");
        assert!(wanted(&plan(revised)) > 0, "{name}");
        let told = cases::audit(code, &case);
        let summary: Value = serde_json::from_str(told.lines().last().unwrap()).unwrap();
        assert_eq!(summary["summary"]["wanted"], copied["wanted"], "{name}");
        let taken = folder.path().join(format!("{name} taken"));
        let mut take = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        ends_with(0, take.arg("take").arg("--case").arg(&case).arg("--to").arg(&taken).arg("Notes"));
        let mut found = BTreeMap::new();
        list(&taken, "", &mut found);
        assert_eq!(found.keys().filter(|path| path.ends_with(".txt")).count() as u64, files, "{name}: {found:?}");
    }
}

/// Entries in the unused space of index blocks are no files: they are listed apart, those of records that can be read not at all.
#[test]
fn names_in_unused_space_are_listed_apart() {
    let volume = Volume::get();
    let bad = volume.records(volume.deleted.values());
    let (drive, held) = copied(&volume.image, &bad);
    let (summary, files) = audited(&drive, &held, &Patterns::default());
    let names: BTreeSet<&String> = summary.left_over_names.iter().map(|name| &name.path).collect();
    assert!(!names.is_empty(), "the driver left no names in unused space: the test sees nothing");
    assert!(names.iter().all(|name| volume.deleted.contains_key(*name)), "{names:?}");
    assert!(files.iter().all(|file| file.state == FileState::Complete));
    // With everything readable nothing is looked for.
    let (drive, held) = copied(&volume.image, &[]);
    assert!(audited(&drive, &held, &Patterns::default()).0.left_over_names.is_empty());
}

fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

/// From the drive to every command that tells of files: the two names are in all of them.
#[test]
fn every_command_counts_lost_files() {
    let volume = Volume::get();
    let lost = ["/Users/ida/Pictures/sedge and rush, plot 000.jpg", "/Users/ida/Pictures/sedge and rush, plot 071.jpg"];
    let bad = volume.records(&lost.map(|path| volume.number(path)));
    let device = WitnessedDevice::with_unreadable(&volume.image, &bad);
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    survey_and_plan(device.path(), &case, &["--want", "Users/*/Pictures"]);
    let copied = cases::copy(10, device.path(), &case, &["--to-the-end"]);
    let count = "Users/*/Pictures: 98 of 100 files safe, 2 lost";
    let of_pattern = |list: &Value| {
        let numbers = ["files", "safe", "to_read", "not_planned", "damaged", "lost"];
        (list.as_array().unwrap().len(), numbers.map(|number| list[0][number].as_u64().unwrap()))
    };
    assert_eq!(of_pattern(&copied["wanted"]), (1, [100, 98, 0, 0, 0, 2]));
    let told = lines(&cases::audit(10, &case));
    let names: BTreeSet<&str> =
        told.iter().filter(|line| line["state"] == "lost").map(|line| line["path"].as_str().unwrap()).collect();
    assert_eq!(names, BTreeSet::from(lost));
    assert_eq!(of_pattern(&told.last().unwrap()["summary"]["wanted"]), (1, [100, 98, 0, 0, 0, 2]));
    let text = ends_with(10, &mut gleaner("audit", &case));
    assert!(text.contains(count) && lost.iter().all(|path| text.contains(path)), "{text}");
    let list = folder.path().join("files.csv");
    ends_with(10, gleaner("audit", &case).arg("--csv").arg(&list));
    let list = fs::read_to_string(list).unwrap();
    assert_eq!(list.lines().filter(|line| line.contains(",lost,")).count(), 2, "{list}");
    let page = folder.path().join("report.html");
    ends_with(0, gleaner("report", &case).arg("-o").arg(&page));
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains(count) && lost.iter().all(|path| page.contains(path)));
    let verified: Value = serde_json::from_str(&ends_with(0, gleaner("verify", &case).arg("--json"))).unwrap();
    let opinion = &verified["opinions"][0];
    let not_compared = opinion["not_compared"].as_array().unwrap();
    assert!(not_compared.contains(&serde_json::json!(["named-only", 2])) && opinion["different"] == 0, "{opinion:#}");
    let folders = lines_of_folders(&ends_with(0, gleaner("folders", &case).args(["--json", "--depth", "3"])));
    assert_eq!((folders["/"], folders["/Users/ida/Pictures"], folders["/Users/ida/Notes"]), (2, 2, 0));
}

/// A record that answers and is damaged costs a file without one failed read: a copy ends as an audit of it does.
#[test]
fn a_copy_that_read_everything_tells_of_files_that_are_lost() {
    let volume = Volume::get();
    let record = volume.records(&[volume.number("/Users/ida/Notes/walk 1.txt")])[0];
    let folder = tempfile::tempdir().unwrap();
    for (name, code, lost) in [("sound", 0, 0), ("damaged", 10, 1)] {
        let mut image = volume.image.clone();
        if lost > 0 {
            image[held::index(record.start.0)..held::index(record.end())].fill(0);
        }
        let (drive, case) = (folder.path().join(format!("{name}.img")), folder.path().join(name));
        fs::write(&drive, image).unwrap();
        survey_and_plan(&drive, &case, &[]);
        let copied = cases::copy(code, &drive, &case, &[]);
        assert_eq!(
            (&copied["end"]["why"], &copied["damaged_files"]["lost"]),
            (&"complete".into(), &lost.into()),
            "{copied:#}"
        );
        cases::audit(code, &case);
        let text = ends_with(code, gleaner("copy", &case).arg(&drive));
        assert_eq!(text.replace("\n ", "").contains("Of the files on the drive 1 lost"), lost > 0, "{text}");
    }
}

#[test]
fn an_audit_lists_a_state_or_a_path() {
    let volume = Volume::get();
    let lost = ["/Users/ida/Pictures/sedge and rush, plot 000.jpg", "/Users/ida/Pictures/sedge and rush, plot 071.jpg"];
    let device =
        WitnessedDevice::with_unreadable(&volume.image, &volume.records(&lost.map(|path| volume.number(path))));
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    survey_and_plan(device.path(), &case, &[]);
    cases::copy(10, device.path(), &case, &["--to-the-end"]);
    let audit = |code: i32, words: &[&str]| ends_with(code, gleaner("audit", &case).args(words));

    let text = audit(10, &[]);
    assert!(text.starts_with("AUDIT  103 files and named streams: 101 complete, 2 lost\n"), "{text}");
    assert!(lost.iter().all(|path| text.contains(path)) && !text.contains("Notes"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");

    // What lies elsewhere is not counted, nor does it decide the exit code.
    let text = audit(0, &["--path", "Users\\ida\\Notes"]);
    assert!(text.starts_with("AUDIT  3 files and named streams, all complete\n"), "{text}");
    let text = audit(10, &["--path", lost[1]]);
    assert!(text.contains(lost[1]) && !text.contains(lost[0]), "{text}");
    let nothing = folder.path().join("nothing.csv");
    let words = ["--path", "Users/ida/Pitcures", "--csv", nothing.to_str().unwrap()];
    let error = cases::complains_with(2, gleaner("audit", &case).args(words));
    assert!(error.contains("/Users/ida/Pictures") && !nothing.exists(), "{error}");

    let list = folder.path().join("complete.csv");
    let text = audit(10, &["--only", "complete", "--csv", list.to_str().unwrap()]);
    assert!(
        text.contains("COMPLETE FILES") && !text.contains("LOST FILES") && text.contains("/Users/ida/Notes"),
        "{text}"
    );
    assert_eq!(fs::read_to_string(list).unwrap().lines().count(), 1 + 101);
    let told = lines(&audit(10, &["--only", "lost,damaged", "--json"]));
    assert_eq!(told.iter().filter(|line| line["state"].is_string()).count(), 2);
}

fn lines_of_folders(text: &str) -> BTreeMap<String, u64> {
    let list: Vec<Value> = serde_json::from_str(text).expect("JSON");
    list.iter().map(|line| (line["path"].as_str().unwrap().to_owned(), line["lost"].as_u64().unwrap())).collect()
}
