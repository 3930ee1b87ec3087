//! Files taken out of fixtures, compared with what independent drivers give for the same image: the NTFS FUSE driver
//! and mtools. Needs root and FUSE.

use crate::common;
use crate::held;
mod damage;
mod hostile;
mod mount;

use common::fixture;
use gleaner::results::take::{Note, Take, TakeError, Taken, TakenState, TakenTotals};
use gleaner::survey::allocation::Patterns;
use held::{Held, drive};
use mount::{ReferenceMount, tool};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use tempfile::TempDir;

/// A folder with what was taken.
struct Result {
    scratch: TempDir,
    files: Vec<Taken>,
    totals: TakenTotals,
}

impl Result {
    fn folder(&self) -> PathBuf {
        self.scratch.path().join("out")
    }

    fn file(&self, path: &str) -> &Taken {
        self.stream(path, None)
    }

    fn stream(&self, path: &str, stream: Option<&str>) -> &Taken {
        let found = self.files.iter().find(|f| f.path == path && f.stream.as_deref() == stream);
        found.unwrap_or_else(|| panic!("{path} was not taken"))
    }

    fn content(&self, taken: &Taken) -> Vec<u8> {
        let written = taken.written_to.as_ref().unwrap_or_else(|| panic!("not written: {taken:?}"));
        fs::read(self.folder().join(written)).unwrap_or_else(|e| panic!("{}: {e}", written.display()))
    }
}

fn try_take(
    held: &Held,
    patterns: &[&str],
    fill: u8,
    to: &Path,
) -> (Vec<Taken>, std::result::Result<TakenTotals, TakeError>) {
    let image = held.bytes.clone();
    take_with(&drive(&image), held, patterns, fill, to)
}

fn take_with(
    drive: &gleaner::survey::allocation::DriveMap,
    held: &Held,
    patterns: &[&str],
    fill: u8,
    to: &Path,
) -> (Vec<Taken>, std::result::Result<TakenTotals, TakeError>) {
    let chosen = Patterns::new(patterns).unwrap();
    let take = Take { chosen: &chosen, areas: None, fill, stop: &AtomicBool::new(false) };
    let (mut files, mut bytes) = (Vec::new(), 0);
    let outcome = take.run(drive, held, to, &mut |more| bytes += more, &mut |taken| files.push(taken.clone()));
    if outcome.is_ok() {
        let is_stream = |f: &&Taken| f.written_to.as_ref().is_some_and(|written| to.join(written).is_file());
        let streams = files.iter().filter(is_stream).count() as u64;
        assert_eq!(take.count(drive), (streams, bytes), "what was announced was done");
        check_list(to, &files);
    }
    (files, outcome)
}

/// Every file that was taken is in the list under each of its names, with the checksum that sha256sum(1) finds.
fn check_list(folder: &Path, files: &[Taken]) {
    let list = fs::read_to_string(folder.join("taken.sha256")).expect("the list");
    let names = |taken: &Taken| match taken.written_to.as_ref().map(|written| folder.join(written).is_file()) {
        Some(true) => 1 + taken.other_names.len(),
        _ => 0,
    };
    assert_eq!(list.lines().count(), files.iter().map(names).sum::<usize>());
    if !list.is_empty() {
        let mut check = std::process::Command::new("sha256sum");
        let checked = check.args(["--check", "--strict", "--quiet", "taken.sha256"]).current_dir(folder).output();
        let checked = checked.expect("sha256sum");
        assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stdout));
    }
}

fn take(held: &Held, patterns: &[&str]) -> Result {
    let map = drive(&held.bytes);
    take_of(&map, held, patterns)
}

/// Takes with a drive map that was made before the damage.
fn take_of(map: &gleaner::survey::allocation::DriveMap, held: &Held, patterns: &[&str]) -> Result {
    let scratch = tempfile::tempdir().unwrap();
    let (files, totals) = take_with(map, held, patterns, 0, &scratch.path().join("out"));
    Result { scratch, files, totals: totals.unwrap() }
}

/// What the reference driver cannot show: it presents reparse points as links or refuses to read them.
fn is_reparse_point(taken: &Taken) -> bool {
    taken.notes.iter().any(|n| matches!(n, Note::Link { .. } | Note::StandIn { .. } | Note::ReparsePoint { .. }))
}

/// Compares everything taken from an NTFS image with the mounted image; returns how many streams there were.
fn compare_with_driver(name: &str) -> usize {
    let image = fixture(name);
    let reference = ReferenceMount::new(&image);
    let result = take(&Held::all(image), &["/"]);
    let mut seen = BTreeSet::new();
    let mut compared = 0;
    for taken in &result.files {
        assert_eq!((taken.state, taken.mark()), (TakenState::Complete, None), "{name}: {taken:?}");
        let names = std::iter::once(&taken.path).chain(taken.other_names.iter().map(|(path, _)| path));
        seen.extend(names.cloned());
        let ours = result.folder().join(taken.written_to.as_ref().unwrap());
        let metadata = fs::symlink_metadata(&ours).unwrap();
        if metadata.is_dir() {
            assert!(fs::symlink_metadata(reference.path(&taken.path, None)).unwrap().is_symlink(), "a mount point");
            continue;
        }
        assert_eq!(metadata.len(), taken.bytes, "{name}: {}", taken.path);
        let theirs = reference.path(&taken.path, None);
        let listed = fs::symlink_metadata(&theirs).unwrap_or_else(|e| panic!("{}: {e}", theirs.display()));
        if taken.stream.is_none() {
            assert_eq!(
                (metadata.mtime(), metadata.mtime_nsec()),
                (listed.mtime(), listed.mtime_nsec()),
                "{}",
                taken.path
            );
        }
        if is_reparse_point(taken) || listed.is_symlink() {
            continue;
        }
        let theirs = fs::read(reference.path(&taken.path, taken.stream.as_deref())).unwrap();
        assert!(fs::read(&ours).unwrap() == theirs, "{name}: {} {:?} differs", taken.path, taken.stream);
        for (path, written) in &taken.other_names {
            let same = fs::symlink_metadata(result.folder().join(written)).unwrap();
            assert_eq!((same.ino(), same.dev()), (metadata.ino(), metadata.dev()), "{path}");
        }
        compared += 1;
    }
    for path in reference.walk() {
        let folder = fs::symlink_metadata(reference.path(&path, None)).unwrap().is_dir();
        let there = if folder { result.folder().join(&path[1..]).is_dir() } else { seen.contains(&path) };
        assert!(there || is_metadata(&path), "{name}: {path} was not taken");
        if folder && !is_metadata(&path) {
            let times = |path: PathBuf| fs::metadata(path).map(|m| (m.mtime(), m.mtime_nsec())).unwrap();
            assert_eq!(times(result.folder().join(&path[1..])), times(reference.path(&path, None)), "{name}: {path}");
        }
    }
    let leftover = walk(&result.folder()).into_iter().find(|path| path.to_string_lossy().contains(".gleaner-"));
    assert_eq!(leftover, None);
    compared
}

fn is_metadata(path: &str) -> bool {
    path.starts_with('/') && path[1..].starts_with('$') && !path.starts_with("/$Recycle")
}

fn walk(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if fs::symlink_metadata(&path).unwrap().is_dir() {
            all.extend(walk(&path));
        }
        all.push(path);
    }
    all
}

#[test]
fn every_ntfs_file_and_stream_is_as_the_driver_gives_it() {
    assert!(compare_with_driver("ntfs-rich") > 5300);
}

/// Clusters of 512 bytes to 2 MiB, records larger than clusters, sectors of 4096 bytes, $MFT in many parts.
#[test]
fn every_geometry_is_as_the_driver_gives_it() {
    for name in [
        "ntfs-mft-list",
        "ntfs-cluster-512",
        "ntfs-cluster-1k",
        "ntfs-cluster-8k",
        "ntfs-cluster-64k",
        "ntfs-cluster-2m",
        "ntfs-sector-4096",
        "ntfs-sector-4096-cluster-64k",
    ] {
        assert!(compare_with_driver(name) > 10, "{name}");
    }
}

/// The sorts of content that a simple extractor gets wrong are all there, and holes stay holes.
#[test]
fn the_rich_volume_has_every_sort() {
    let result = take(&Held::all(fixture("ntfs-rich")), &["/"]);
    let room = |path: &str| {
        let written = result.file(path).written_to.clone().unwrap();
        fs::metadata(result.folder().join(written)).unwrap().blocks() * 512
    };
    assert_eq!(room("/Surveys/Sparse/nothing but hole.bin"), 0);
    assert!(room("/Surveys/Sparse/comb.bin") < 400_000);
    assert!(room("/Surveys/preallocated.dat") < 100_000, "never written, never copied");
    assert_eq!(result.file("/Surveys/preallocated.dat").bytes, 400_000);
    let stream = result.stream("/Photos/with streams.jpg", Some("Zone.Identifier"));
    assert_eq!(stream.written_to.as_deref(), Some(Path::new("Photos/with streams.jpg.stream.Zone.Identifier")));
    let of_folder = result.stream("/Photos/2020", Some("folder note"));
    assert_eq!(of_folder.written_to.as_deref(), Some(Path::new("Photos/2020.stream.folder note")));
    assert_eq!(
        (0..16)
            .filter(|n| result.stream("/Surveys/Many streams.dat", Some(&format!("layer {n:02}"))).bytes > 0)
            .count(),
        16
    );
    assert_eq!(result.file("/Photos/mosaic.raw").bytes, 2100 * 4096 - 1000);
    let tag = |path: &str| result.file(path).notes.clone();
    assert_eq!(tag("/Surveys/junction"), [Note::Link { tag: 0xA000_0003 }]);
    assert_eq!(tag("/Surveys/large reparse data.dat"), [Note::ReparsePoint { tag: 0xABC }]);
    assert!(result.totals.files[1..] == [0, 0, 0] && result.totals.missing_bytes == 0);
    assert!(!result.files.iter().any(|f| f.path.contains("scratch 0.tmp")), "deleted files are not taken");
    assert!(!result.files.iter().any(|f| f.path.starts_with("/$MFT")), "nor the file system's own");
}

#[test]
fn of_hard_links_only_the_chosen_names_are_written() {
    let held = Held::all(fixture("ntfs-rich"));
    let result = take(&held, &["/Users/tom/Links", "/Surveys/key.txt"]);
    assert_eq!(result.files.len(), 1);
    let taken = &result.files[0];
    let mut names = vec![taken.written_to.clone().unwrap()];
    names.extend(taken.other_names.iter().map(|(_, written)| written.clone()));
    names.sort();
    assert_eq!(names, [Path::new("Surveys/key.txt"), Path::new("Users/tom/Links/key of ida.txt")]);
    assert!(!result.folder().join("Users/ida").exists());
}

#[test]
fn every_fat_file_is_as_mtools_gives_it() {
    for name in
        ["fat12-floppy", "fat12-clusters-4k", "fat16", "fat32-clusters-512", "fat32-clusters-4k", "fat32-sector-4096"]
    {
        let image = fixture(name);
        let scratch = tempfile::tempdir().unwrap();
        let (path, theirs) = (scratch.path().join("image"), scratch.path().join("theirs"));
        fs::write(&path, &image).unwrap();
        fs::create_dir(&theirs).unwrap();
        tool("mcopy", &["-s", "-m", "-n", "-Q", "-i", path.to_str().unwrap(), "::/", theirs.to_str().unwrap()]);
        let result = take(&Held::all(image), &["/"]);
        let mut seen = BTreeSet::new();
        for taken in &result.files {
            assert_eq!(taken.state, TakenState::Complete, "{name}: {taken:?}");
            let written = taken.written_to.as_ref().unwrap();
            seen.insert(written.clone());
            // mtools has no names beyond the basic plane: it shows two underlines for such a character.
            let beyond = |c: char| if c > '\u{FFFF}' { "__".to_owned() } else { c.to_string() };
            let reference = theirs.join(taken.path[1..].chars().map(beyond).collect::<String>());
            let content = fs::read(&reference).unwrap_or_else(|e| panic!("{name}: {}: {e}", taken.path));
            assert!(result.content(taken) == content, "{name}: {} differs", taken.path);
            let mtime = |path: &Path| fs::metadata(path).unwrap().mtime();
            assert_eq!(mtime(&result.folder().join(written)), mtime(&reference), "{name}: {}", taken.path);
        }
        let all = walk(&theirs);
        let files: Vec<_> = all.iter().filter(|path| path.is_file()).collect();
        assert_eq!(files.len(), seen.len(), "{name}");
        assert!(files.len() > 3, "{name}");
        let folders = |root: &Path| walk(root).iter().filter(|path| path.is_dir()).count();
        assert_eq!(folders(&theirs), folders(&result.folder()), "{name}");
    }
}

/// Several volumes: a folder for each.
#[test]
fn each_volume_of_a_drive_has_its_folder() {
    let held = Held::all(fixture("drive-gpt"));
    let result = take(&held, &["/"]);
    let folders: BTreeSet<_> =
        result.files.iter().map(|f| f.written_to.as_ref().unwrap().components().next().unwrap().as_os_str()).collect();
    assert!(folders.len() >= 2 && folders.iter().all(|f| f.to_string_lossy().starts_with("volume ")), "{folders:?}");
}

#[test]
fn a_folder_with_anything_in_it_is_refused() {
    let held = Held::all(fixture("fat12-floppy"));
    let scratch = tempfile::tempdir().unwrap();
    fs::write(scratch.path().join("mine"), "x").unwrap();
    let (files, outcome) = try_take(&held, &["/"], 0, scratch.path());
    let error = outcome.unwrap_err();
    assert!(matches!(error, TakeError::NotEmpty { .. }) && files.is_empty());
    assert!(error.to_string().ends_with("is not empty; nothing is ever overwritten, so give a new or an empty folder"));
    assert_eq!(fs::read(scratch.path().join("mine")).unwrap(), b"x");
}

/// A destination of 256 KiB: what was handed over is complete, nothing half written is left.
#[test]
fn a_full_destination_ends_it_in_order() {
    let held = Held::all(fixture("ntfs-rich"));
    let scratch = tempfile::tempdir().unwrap();
    let small = mount::SmallDisk::new(scratch.path(), 256 << 10);
    let (files, outcome) = try_take(&held, &["/Surveys/2020 Fen", "/Photos"], 0, &small.path().join("out"));
    let error = outcome.unwrap_err();
    assert!(matches!(error, TakeError::Full { .. }), "{error}");
    assert!(!files.is_empty());
    let whole = take(&held, &["/Surveys/2020 Fen", "/Photos"]);
    for taken in &files {
        let written = small.path().join("out").join(taken.written_to.as_ref().unwrap());
        assert!(fs::read(written).unwrap() == whole.content(whole.stream(&taken.path, taken.stream.as_deref())));
    }
    let left: Vec<_> = walk(&small.path().join("out")).into_iter().filter(|path| path.is_file()).collect();
    assert_eq!(left.len(), files.len() + 1, "the files and their list: {left:?}");
    check_list(&small.path().join("out"), &files);
}

/// Read back at a position: what a test writes about an image.
fn byte_at(path: &Path, at: u64) -> u8 {
    let mut byte = [0];
    fs::File::open(path).unwrap().read_exact_at(&mut byte, at).unwrap();
    byte[0]
}
