//! What is wanted, as a person gives it: typed in any form, picked from the list of folders, mistyped.

use crate::common;

use common::damaged::{Damaged, identity_of};
use common::fixture;

use gleaner::base::extent::Extent;
use gleaner::plan::{MakeError, Plan, PlanRequest, Scope, make, make_again, read_plan};
use gleaner::source::Reader;
use gleaner::survey::allocation::{Choices, Class, classify, read_drive};
use std::fs::{self, File};
use std::io::{BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Bench {
        let folder = tempfile::tempdir().unwrap();
        gleaner::demo::make_drive(&folder.path().join("drive.img")).unwrap();
        Bench { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Exit code, standard output, standard error.
    fn run(&self, arguments: &[&str], input: &str) -> (i32, String, String) {
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        program.args(arguments).current_dir(self.folder.path());
        let mut child = program.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        // A program that does not read its input may end before it is written.
        let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
        let output = child.wait_with_output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
    }

    /// What the plan's passes of class `wanted` read.
    fn wanted(&self, arguments: &[&str], input: &str) -> Vec<Extent> {
        let name = "plan.json";
        let all = [&["plan", "drive.img", "--bridge", "0", "-o", name], arguments].concat();
        let (code, _, complaint) = self.run(&all, input);
        assert_eq!(code, 0, "{arguments:?}: {complaint}");
        let plan = read(&self.path(name));
        fs::remove_file(self.path(name)).unwrap();
        let wanted = plan.passes.iter().filter(|pass| pass.header.class == Class::Wanted);
        wanted.flat_map(|pass| pass.extents().to_vec()).collect()
    }
}

fn read(path: &Path) -> Plan {
    read_plan(BufReader::new(File::open(path).unwrap())).unwrap()
}

// Source: Microsoft, "Naming Files, Paths, and Namespaces" (from memory), for what a path may look like.
#[test]
fn a_folder_is_wanted_however_it_is_typed() {
    let bench = Bench::new();
    let plain = bench.wanted(&["--want", "/Users/ida/Documents"], "");
    assert!(!plain.is_empty());
    for typed in [
        r"C:\Users\ida\Documents",
        r"C:\USERS\Ida\documents\",
        r"Users\ida\Documents",
        "Users/ida/Documents/",
        r#""C:\Users\ida\Documents\""#,
        r"'\Users\ida\Documents'",
        r"\\?\D:\Users\ida\Documents",
        "C:/Users/ida/Documents",
    ] {
        assert_eq!(bench.wanted(&["--want", typed], ""), plain, "{typed}");
    }
    let both = bench.wanted(&["--want", "Documents"], "");
    assert_eq!(bench.wanted(&["--want", r"Documents\"], ""), both, "a name alone, of two people");
    assert_ne!(both, plain);
}

#[test]
fn what_matches_nothing_is_refused_with_the_nearest_names() {
    let bench = Bench::new();
    for (typed, nearest) in [
        (r"C:\Users\idda\Documents", "Nearest is `/Users/ida/Documents` (volume 1)"),
        ("/Surveis", "Nearest is `/Surveys` (volume 1)"),
        (r"ida\Documets", "Nearest is `/Users/ida/Documents` (volume 1)"),
        ("/Zeppelin", "No name on the drive is like it"),
    ] {
        let (code, printed, complaint) = bench.run(&["plan", "drive.img", "--want", typed, "-o", "p.json"], "");
        assert_eq!((code, printed.as_str()), (2, ""), "{typed}");
        let wanted = format!("the pattern `{typed}` matches no existing file or folder. {nearest}");
        assert!(complaint.contains(&wanted), "{complaint}");
        assert!(!bench.path("p.json").exists());
    }
    // Where there is one, but not on the volume chosen.
    let here = ["plan", "drive.img", "--want", "/Surveys", "-o", "p.json", "--volume"];
    assert_eq!(bench.run(&[&here[..], &["2"]].concat(), "").0, 2);
    assert_eq!(bench.run(&[&here[..], &["1"]].concat(), "").0, 0);
    // What an earlier pattern takes all of does match.
    assert!(!bench.wanted(&["--want", "/Surveys", "--want", r"Surveys\Compressed"], "").is_empty());
}

#[test]
fn folders_are_picked_by_number_and_the_patterns_make_a_plan() {
    let bench = Bench::new();
    let list = ["folders", "drive.img", "--depth", "2", "--pick"];
    let (code, patterns, shown) = bench.run(&list, "16-17, 3\n");
    assert_eq!((code, patterns.as_str()), (0, "/Users\n/Users/ida\n/Photos/2019\n"), "{shown}");
    assert!(shown.contains("   17     ida/"), "{shown}");
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    let typed = bench.wanted(&["--want", "/Users", "--want", "/Users/ida", "--want", "/Photos/2019"], "");
    assert_eq!(bench.wanted(&["--want-from", "-"], &patterns), typed);
    fs::write(bench.path("wanted.txt"), format!("# from the client\r\n{}", patterns.replace('\n', "\r\n"))).unwrap();
    assert_eq!(bench.wanted(&["--want-from", "wanted.txt"], ""), typed);
    // Numbers from a file.
    fs::write(bench.path("numbers.txt"), "16-17\n3\n").unwrap();
    let from_file = bench.run(&["folders", "drive.img", "--quiet", "--pick=numbers.txt"], "");
    assert_eq!(from_file, (0, patterns, String::new()));
    for (numbers, complaint) in
        [("99", "there is no folder 99: the list goes from 1 to 28"), ("a", "`a` is not a number")]
    {
        let (code, printed, said) = bench.run(&[&list[..], &["--quiet"]].concat(), numbers);
        assert!(code == 2 && printed.is_empty() && said.contains(complaint), "{code} {said}");
    }
    let nothing = bench.run(&["plan", "drive.img", "--want-from", "-", "-o", "p.json"], "# nothing\n");
    assert!(nothing.0 == 2 && nothing.2.contains("holds no pattern"), "{nothing:?}");
}

/// A folder `Photos [2019]` beside `Photos 2`, which the glob of that name would match.
#[test]
fn a_picked_name_with_brackets_matches_itself() {
    let bench = Bench::new();
    let mut memory = std::io::Cursor::new(vec![0; 16 << 20]);
    fatfs::format_volume(&mut memory, fatfs::FormatVolumeOptions::new()).unwrap();
    {
        let volume = fatfs::FileSystem::new(&mut memory, fatfs::FsOptions::new()).unwrap();
        for (name, bytes) in [("Photos [2019]", 3000), ("Photos 2", 300_000), ("{a,b}", 3000), ("a", 300_000)] {
            let folder = volume.root_dir().create_dir(name).unwrap();
            folder.create_file("content").unwrap().write_all(&vec![7; bytes]).unwrap();
        }
    }
    fs::write(bench.path("drive.img"), memory.into_inner()).unwrap();
    for name in ["Photos [2019]", "{a,b}"] {
        let (_, _, shown) = bench.run(&["folders", "drive.img", "--pick"], "");
        let line = shown.lines().find(|line| line.contains(name)).expect("every folder is in the list");
        let number = line.split_whitespace().next().unwrap();
        let (_, pattern, _) = bench.run(&["folders", "drive.img", "--pick", "--quiet"], number);
        let arguments = ["plan", "drive.img", "--want-from", "-", "-o", "p.json"];
        assert_eq!(bench.run(&arguments, &pattern).0, 0, "{pattern}");
        fs::remove_file(bench.path("p.json")).unwrap();
        let wanted: u64 = bench.wanted(&["--want", pattern.trim_end()], "").iter().map(|extent| extent.bytes).sum();
        assert!((3000..6000).contains(&wanted), "{pattern}: {wanted}, the right folder's content in whole clusters");
    }
}

/// The volume `ntfs-rich`; some of its structure is unreadable or not.
fn reader(unreadable: Extent) -> Reader {
    let base = Arc::new(fixture("ntfs-rich"));
    let identity = identity_of(&base);
    Reader::new(Box::new(Damaged { base, identity, changes: Vec::new(), unreadable }), None)
}

fn wanting(pattern: &str) -> PlanRequest {
    PlanRequest { wants: vec![pattern.to_owned()], ..PlanRequest::new(Scope::Wanted) }
}

fn codes(plan: &Plan) -> Vec<&str> {
    let codes = plan.header.findings.iter().map(|finding| finding.code.as_str());
    codes.filter(|code| code.starts_with("want-")).collect()
}

#[test]
fn where_not_all_names_are_known_there_is_a_warning() {
    let sound = reader(Extent::between(0, 0));
    let drive = read_drive(&sound).unwrap();
    let refused = make(&sound, &drive, &wanting("/Surveis"), &[]);
    assert!(matches!(refused, Err(MakeError::NoMatch(_))), "{refused:?}");

    // A place in the largest run of structure, which holds file records.
    let map = classify(&drive, &Choices::default());
    let structure = map.runs().iter().filter(|run| run.class == Class::Structure);
    let largest = structure.max_by_key(|run| run.extent.bytes).unwrap().extent;
    let middle = (largest.start.0 + largest.bytes / 2) / 4096 * 4096;
    let damaged = reader(Extent::between(middle, middle + 4096));
    let drive = read_drive(&damaged).unwrap();
    let plan = make(&damaged, &drive, &wanting("/Surveis"), &[]).unwrap();
    assert_eq!(codes(&plan), ["want-without-match"]);
    let sentence = &plan.header.findings.iter().find(|f| f.code == "want-without-match").unwrap().sentence;
    assert!(sentence.contains("it may exist. Nearest is `/Surveys`"), "{sentence}");
}

/// The names of a drive that does not answer are not known either.
#[test]
fn a_silent_drive_is_no_reason_to_refuse() {
    let silent = reader(Extent::between(0, u64::MAX / 2));
    let drive = read_drive(&silent).unwrap();
    assert_eq!(drive.volumes().count(), 0);
    assert_eq!(codes(&make(&silent, &drive, &wanting("/Surveys"), &[]).unwrap()), ["want-without-match"]);
}

#[test]
fn a_plan_that_is_made_again_is_not_refused() {
    let sound = reader(Extent::between(0, 0));
    let drive = read_drive(&sound).unwrap();
    let plan = make(&sound, &drive, &wanting("/Surveys"), &[]).unwrap();
    assert_eq!(codes(&plan), [""; 0]);
    let mut header = plan.header;
    header.wants = vec!["/Surveis".to_owned()];
    let again = make_again(&sound, &drive, &header).unwrap();
    assert_eq!(codes(&again), ["want-without-match"]);
}
