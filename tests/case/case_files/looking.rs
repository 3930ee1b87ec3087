//! Who only looks: no lock, nothing written, as of the last commit.

use super::{Drive, files};
use crate::cases::{copy, ends_with, gleaner, survey_and_plan};
use crate::witness::{WitnessedDevice, run};
use std::fs;
use std::process::Command;

#[test]
fn a_case_on_a_read_only_file_system_can_be_looked_at() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &["--want", "/Surveys"]);
    copy(0, &drive.path(), &case, &[]);
    let sealed = drive.at("sealed");
    fs::create_dir(&sealed).expect("a folder");
    run(Command::new("mount").arg("--bind").arg(&case).arg(&sealed));
    run(Command::new("mount").args(["-o", "remount,ro,bind"]).arg(&sealed));
    let before = files(&case);
    let outcome = std::panic::catch_unwind(|| {
        for command in ["survey", "folders", "files", "audit", "verify"] {
            let output = gleaner(command, &sealed).output().expect("gleaner");
            let complaint = String::from_utf8_lossy(&output.stderr).into_owned();
            // `/Surveys` alone was planned, so an audit is not complete.
            assert!(matches!(output.status.code(), Some(0 | 10)), "{command}: {complaint}");
            if command != "files" && command != "folders" {
                assert!(complaint.contains("the record has no line of this"), "{command}: {complaint}");
            }
        }
        let taken = drive.at("taken");
        let mut take = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        ends_with(0, take.args(["take", "--case"]).arg(&sealed).arg("/Surveys").arg("--to").arg(&taken));
        ends_with(0, gleaner("report", &sealed).arg("-o").arg(drive.at("report.html")));
        let mut record = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        ends_with(0, record.args(["record", "--check", "--case"]).arg(&sealed));
        // Who works on it is told why that cannot be.
        let plan = gleaner("plan", &sealed).output().expect("gleaner");
        assert_eq!(plan.status.code(), Some(8), "{plan:?}");
    });
    run(Command::new("umount").arg(&sealed));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
    assert!(files(&case) == before, "looking has changed the case");
}

/// What a survey left because of trouble is not read yet for whoever works without the drive; it is no reason to refuse.
#[test]
fn a_plan_is_made_from_a_case_whose_survey_left_structure() {
    let bytes = crate::common::fixture("drive-windows-gpt");
    // The boot sectors of two of its three volumes, 8 sectors each.
    let bad = [44_040_192, 95_420_416].map(|at| gleaner::base::extent::Extent::new(at, 4096).expect("a place"));
    let drive = WitnessedDevice::with_unreadable(&bytes, &bad);
    let (short, long) = (drive.file("short"), drive.file("long"));
    let told = ends_with(0, gleaner("survey", &short).arg(drive.path()).args(["--full", "--trouble-limit", "2"]));
    assert!(told.contains("Left after 2 failed or slow reads"), "{told}");
    ends_with(0, &mut gleaner("plan", &short));
    // With the usual limit everything that answers is read: neither place costs more than it must.
    let told = ends_with(0, gleaner("survey", &long).arg(drive.path()).arg("--full"));
    assert!(!told.contains("Left after"), "{told}");
    ends_with(0, &mut gleaner("plan", &long));
}
