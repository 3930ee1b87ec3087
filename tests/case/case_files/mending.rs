//! A case whose files were damaged or lost is put right, and no byte that is safe is read again.

use super::{Drive, files};
use crate::cases::{
    audit, check_claims, check_image, complains_with, copy, description, ends_with, gleaner, planned, survey_and_plan,
};
use gleaner::base::extent::ExtentSet;
use gleaner::store::journal::{JournalClaim, read_claims};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// Whether no provisional file of any run is in a folder.
pub fn no_leftovers(folder: &Path) -> bool {
    !files(folder).keys().any(|path| path.to_string_lossy().ends_with(".part"))
}

fn mend(code: i32, case: &Path, arguments: &[&str]) -> Value {
    let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let text = ends_with(code, program.args(["mend", "--json", "--case"]).arg(case).args(arguments));
    serde_json::from_str(&text).expect("JSON")
}

/// A complete case, without its case file.
fn without_case_file(drive: &Drive) -> String {
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    ends_with(0, gleaner("plan", &case).args(["--scope", "files"]));
    copy(0, &drive.path(), &case, &[]);
    let whole = audit(0, &case);
    fs::rename(case.join("case.json"), drive.at("lost.json")).expect("lost");
    whole
}

#[test]
fn a_lost_case_file_is_written_anew_from_the_journal_and_the_drive() {
    let drive = Drive::new();
    let whole = without_case_file(&drive);
    let case = drive.case();
    let before = files(&case);
    for command in ["survey", "plan", "copy"] {
        let complaint = complains_with(8, gleaner(command, &case).arg(drive.path()));
        assert!(complaint.contains("its case.json is lost") && complaint.contains("gleaner mend"), "{complaint}");
    }
    assert!(files(&case) == before, "what was refused has changed something");
    // Another drive of the same size is no help.
    let twin = drive.at("twin.img");
    let mut other = drive.bytes.clone();
    other[512 + 56] ^= 1;
    fs::write(&twin, other).expect("room");
    let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let complaint = complains_with(8, program.args(["mend", "--case"]).arg(&case).arg(&twin));
    assert!(complaint.contains("differs from the case at byte 568"), "{complaint}");
    assert!(files(&case) == before);

    let report = mend(0, &case, &[drive.path().to_str().unwrap()]);
    assert_eq!((report["case_file"].as_bool(), report["plan"].as_str()), (Some(true), Some("plan-2.jsonl")));
    let lost: Value = serde_json::from_slice(&fs::read(drive.at("lost.json")).expect("it")).expect("JSON");
    for key in ["id", "source", "image", "plan", "fill", "journal"] {
        assert_eq!(description(&case)[key], lost[key], "{key}");
    }
    assert_eq!(audit(0, &case), whole);
    assert_eq!(copy(0, &drive.path(), &case, &[])["requests"], 0, "nothing is read again");
    check_image(&case, &drive.bytes, &planned(&case));
    let record = fs::read_to_string(case.join("record.jsonl")).expect("the record");
    assert!(record.lines().any(|line| line.contains(r#""command":"mend""#)), "{record}");
}

/// The drive may have died since.
#[test]
fn a_lost_case_file_is_written_anew_without_the_drive() {
    let drive = Drive::new();
    let whole = without_case_file(&drive);
    let case = drive.case();
    let report = mend(0, &case, &["--serial", "ZX-81"]);
    assert_eq!(report["case_file"], true);
    assert_eq!(description(&case)["source"]["serial"], "ZX-81");
    assert_eq!(audit(0, &case), whole);
}

/// One that is there and makes no sense is left for the technician to move away.
#[test]
fn a_damaged_case_file_is_not_replaced() {
    let drive = Drive::new();
    without_case_file(&drive);
    let case = drive.case();
    fs::write(case.join("case.json"), "{").expect("room");
    let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let complaint = complains_with(8, program.args(["mend", "--case"]).arg(&case));
    assert!(complaint.contains("move it away"), "{complaint}");
    assert_eq!(fs::read(case.join("case.json")).expect("it"), b"{");
}

fn copied(journal: &Path) -> ExtentSet {
    let claims = read_claims(journal).expect("a journal").map_while(Result::ok);
    claims
        .filter_map(|claim| if let JournalClaim::Copied { extent, .. } = claim { Some(extent) } else { None })
        .collect()
}

#[test]
fn a_journal_torn_in_the_middle_is_saved_and_only_what_is_lost_is_read_again() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    copy(0, &drive.path(), &case, &["--request", "64"]);
    let journal = case.join("journal");
    let mut bytes = fs::read(&journal).expect("the journal");
    let all = copied(&journal);
    let records = bytes.len() / 64;
    // 512 bytes in the middle, as a bad sector of the case's own disk takes them.
    let middle = records / 2 * 64 / 512 * 512;
    bytes[middle..middle + 512].fill(0);
    fs::write(&journal, &bytes).expect("damaged");
    for command in ["audit", "copy"] {
        let mut program = gleaner(command, &case);
        let complaint = complains_with(8, if command == "copy" { program.arg(drive.path()) } else { &mut program });
        assert!(complaint.contains("gleaner mend"), "{complaint}");
    }
    let report = mend(0, &case, &[]);
    let saved = &report["journal"];
    assert_eq!((saved["file"].as_str(), saved["damaged"].as_str()), (Some("journal-2"), Some("journal")));
    assert_eq!((saved["kept"].as_u64(), saved["lost"].as_u64()), (Some(records as u64 - 9), Some(8)));
    assert_eq!(fs::read(&journal).expect("it"), bytes, "the damaged journal stays as it is");
    let kept = check_claims(&case, &drive.bytes).copied_bytes();
    let outcome = copy(0, &drive.path(), &case, &[]);
    assert_eq!(outcome["arrived_bytes"].as_u64().unwrap(), all.bytes() - kept, "what was lost, and no more");
    assert!(all.bytes() - kept <= 8 << 16);
    check_image(&case, &drive.bytes, &planned(&case));
    audit(0, &case);
    // A second time there is nothing to do.
    assert_eq!(mend(0, &case, &[])["journal"], Value::Null);
}

/// What a killed run leaves: the case itself, and where the file system can do that, nothing else.
#[test]
fn a_killed_run_leaves_no_provisional_files() {
    let drive = Drive::new();
    for microseconds in (0..40_000).step_by(800) {
        let case = drive.at(&format!("case-{microseconds}"));
        let mut child =
            gleaner("survey", &case).arg(drive.path()).stdout(std::process::Stdio::null()).spawn().expect("gleaner");
        std::thread::sleep(std::time::Duration::from_micros(microseconds));
        child.kill().expect("SIGKILL");
        child.wait().expect("its end");
        if case.exists() {
            assert!(no_leftovers(&case), "{:?}", files(&case).keys());
        }
        ends_with(0, gleaner("survey", &case).arg(drive.path()));
    }
}
