//! Files that are not the case's.

use super::{Drive, files};
use crate::cases::{check_claims, complains_with, copy, ends_with, gleaner, survey_and_plan};
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::Stdio;

/// Whatever the client's file is called: a folder with something in it is no place for a case.
#[test]
fn a_case_is_not_made_among_other_files() {
    for name in ["image.raw", "image.vhdx", "journal", "model.json", "notes.txt", ".hidden"] {
        let drive = Drive::new();
        let folder = drive.at("work");
        fs::create_dir(&folder).expect("a folder");
        let source = folder.join(name);
        fs::rename(drive.path(), &source).expect("the client's image");
        let before = files(drive.folder.path());
        for command in ["survey", "plan", "folders"] {
            let complaint = complains_with(8, gleaner(command, &folder).arg(&source));
            assert!(complaint.contains("is not a case and not empty") && complaint.contains(name), "{complaint}");
        }
        assert!(files(drive.folder.path()) == before, "{name}: something was changed");
    }
}

/// The same from within the folder, as it is typed.
#[test]
fn a_case_named_dot_is_not_made_over_its_source() {
    let drive = Drive::new();
    fs::rename(drive.path(), drive.at("image.raw")).expect("the client's image");
    let before = files(drive.folder.path());
    let mut program = gleaner("survey", Path::new("."));
    let complaint = complains_with(8, program.arg("image.raw").current_dir(drive.folder.path()));
    assert!(complaint.contains("image.raw"), "{complaint}");
    assert!(files(drive.folder.path()) == before);
}

/// The case's own image is not the drive, by whatever name or link; and the client's image is not the case's.
#[test]
fn a_case_is_not_copied_into_itself() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    let before = files(&case);
    let image = case.join("image.raw");
    let (link, hard) = (drive.at("link.img"), drive.at("hard.img"));
    symlink(&image, &link).expect("a link");
    fs::hard_link(&image, &hard).expect("a link");
    for source in [&image, &link, &hard, &case.join("journal")] {
        for command in ["copy", "survey", "plan", "audit"] {
            let complaint = complains_with(8, gleaner(command, &case).arg(source));
            assert!(complaint.contains("the case's own file"), "{command} {source:?}: {complaint}");
        }
    }
    assert!(files(&case) == before);

    // The other way round: somebody has put a link to the client's image where the case's should be.
    for make in [|from: &Path, to: &Path| symlink(from, to), |from: &Path, to: &Path| fs::hard_link(from, to)] {
        fs::remove_file(&image).expect("the test's own");
        make(&drive.path(), &image).expect("a link");
        let complaint = complains_with(8, gleaner("copy", &case).arg(drive.path()).args(["--fill", "0xEE"]));
        // A symbolic link is seen before the case is looked at.
        let named = ["the case's own file", "lies on the drive"].iter().any(|words| complaint.contains(words));
        assert!(named, "{complaint}");
        assert!(fs::read(drive.path()).expect("the drive") == drive.bytes, "the source was written to");
    }
}

/// Begun at the same moment, one makes the case and the others use it or are told that it is in use; nothing that one has
/// read is lost to another.
#[test]
fn several_runs_that_make_one_case_at_once_lose_nothing() {
    let drive = Drive::new();
    for round in 0..12 {
        let case = drive.at(&format!("case-{round}"));
        let start = || {
            let mut program = gleaner("survey", &case);
            program.arg(drive.path()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("gleaner")
        };
        let running: Vec<_> = (0..4).map(|_| start()).collect();
        let mut done = 0;
        for child in running {
            let output = child.wait_with_output().expect("its end");
            let complaint = String::from_utf8_lossy(&output.stderr).into_owned();
            match output.status.code() {
                Some(0) => done += 1,
                Some(8) => assert!(complaint.contains("another gleaner is working on this case"), "{complaint}"),
                other => panic!("{other:?}: {complaint}"),
            }
        }
        assert!(done >= 1);
        assert!(check_claims(&case, &drive.bytes).copied_bytes() > 0);
        ends_with(0, gleaner("survey", &case).arg(drive.path()));
        assert!(super::mending::no_leftovers(&case));
    }
}

/// What holds a client's data and names is for its owner alone.
#[test]
fn the_files_of_a_case_are_private() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    copy(0, &drive.path(), &case, &[]);
    let mode = |path: &Path| fs::metadata(path).expect("a file").permissions().mode() & 0o777;
    assert_eq!(mode(&case), 0o700);
    for path in files(&case).keys() {
        assert_eq!(mode(path), 0o600, "{path:?}");
    }
}
