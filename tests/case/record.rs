//! The case's record: what the bench adds, what the client gets, and that a later change shows.
//!
//! The chain is calculated here anew with `sha2` from the bytes of the file, as `sha256sum` would.

use crate::cases;

use cases::{complains_with, ends_with};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const NAME: &str = "Ottoline Fernhollow";
const PHONE: &str = "extension 4711";
const TEXT: &str = "the key is with the caretaker";

fn program(command: &str, case: &Path) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    program
        .arg(command)
        .arg("--case")
        .arg(case)
        .env("USER", "bench-hand")
        .env_remove("SUDO_USER")
        .env_remove("LOGNAME");
    program
}

fn note(case: &Path, arguments: &[&str]) -> String {
    ends_with(0, program("note", case).args(arguments))
}

/// A case with a survey, a plan and four notes in its record.
fn case_with_record(folder: &Path) -> PathBuf {
    let drive = folder.join("drive.img");
    gleaner::demo::make_drive(&drive).unwrap();
    let case = folder.join("case");
    ends_with(0, program("survey", &case).arg(&drive).arg("--quiet"));
    ends_with(0, program("plan", &case).arg("--quiet"));
    note(
        &case,
        &[
            "--on",
            "client",
            "--field",
            "reference=F-17",
            "--field",
            &format!("name={NAME}"),
            "--field",
            &format!("contact={PHONE}"),
            "--personal",
            "name",
            "--personal",
            "contact",
            "--personal",
            "text",
            TEXT,
        ],
    );
    note(
        &case,
        &[
            "--on",
            "electrical",
            "--field",
            "rail=12 V",
            "--field",
            "before=3.2ohm",
            "--field",
            "after=4.7k",
            "--field",
            "part=TVS diode",
        ],
    );
    note(&case, &["--on", "spin-up", "--field", "current=650mA", "No clicking"]);
    note(
        &case,
        &["--on", "decision", "--field", "decision=structure first", "--field", "reason=two heads read slowly"],
    );
    case
}

fn lines(case: &Path) -> Vec<String> {
    fs::read_to_string(case.join("record.jsonl")).unwrap().lines().map(str::to_owned).collect()
}

fn put(case: &Path, lines: &[String]) {
    fs::write(case.join("record.jsonl"), lines.iter().map(|line| format!("{line}\n")).collect::<String>()).unwrap();
}

fn check(case: &Path) -> (i32, Value) {
    let output = program("record", case).args(["--check", "--json"]).output().unwrap();
    (output.status.code().unwrap(), serde_json::from_slice(&output.stdout).unwrap())
}

#[test]
fn every_change_is_found_and_named() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    let sound = lines(&case);
    assert_eq!(sound.len(), 6);
    let mut before = hex::encode(Sha256::digest([]));
    for line in &sound {
        let value: Value = serde_json::from_str(line).unwrap();
        assert_eq!(value["before"], before);
        before = hex::encode(Sha256::digest(line));
    }
    let (code, record) = check(&case);
    assert_eq!((code, &record["fault"], record["sealed"] == true), (0, &Value::Null, true));
    assert_eq!(record["last_sha256"], before);

    let found = |changed: &[String], what: &str, at: Option<usize>| {
        put(&case, changed);
        let (code, record) = check(&case);
        assert_eq!(code, 10, "{what} is not found");
        if let Some(at) = at {
            assert_eq!(record["fault"]["line"], at, "{what}: {}", record["fault"]);
        }
    };
    for at in 0..sound.len() {
        let mut changed = sound.clone();
        changed[at] = changed[at].replacen("exit code 0", "exit code 1", 1);
        assert_ne!(changed, sound);
        // The line behind a changed one names it; the last has the seal behind it.
        let named = if at + 1 < sound.len() { at + 2 } else { at + 1 };
        found(&changed, &format!("line {} changed", at + 1), Some(named));
        let mut removed = sound.clone();
        removed.remove(at);
        found(&removed, &format!("line {} removed", at + 1), None);
        let mut doubled = sound.clone();
        doubled.insert(at, sound[at].clone());
        found(&doubled, &format!("line {} doubled", at + 1), None);
        for other in at + 1..sound.len() {
            let mut swapped = sound.clone();
            swapped.swap(at, other);
            found(&swapped, &format!("lines {} and {} swapped", at + 1, other + 1), None);
        }
    }
    found(&[], "all lines removed", None);
    put(&case, &sound);
    assert_eq!(check(&case).0, 0);
}

#[test]
fn a_break_does_not_heal_by_going_on() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    let sound = lines(&case);
    put(&case, &sound[..4]);
    note(&case, &["one more"]);
    note(&case, &["and one more, so that the number of lines is right again"]);
    assert_eq!(check(&case).0, 10);
    note(&case, &["and another"]);
    assert_eq!(check(&case).0, 10);
}

/// Power may go between a line and its seal: the next entry then seals both.
#[test]
fn a_line_without_its_seal_is_no_fault() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    let seal = fs::read(case.join("record.seal")).unwrap();
    note(&case, &["its seal is lost"]);
    fs::write(case.join("record.seal"), &seal).unwrap();
    assert_eq!(check(&case).0, 0);
    note(&case, &["the next"]);
    assert_eq!(check(&case).0, 0);
    put(&case, &lines(&case)[..7]);
    assert_eq!(check(&case).0, 10);
}

/// Text however it is divided into lines.
fn in_one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_clients_copy_has_nothing_personal() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    for form in [&[][..], &["--json"], &["--csv"]] {
        let bench = in_one_line(&ends_with(0, program("record", &case).args(form)));
        for secret in [NAME, PHONE, TEXT, "bench-hand"] {
            assert!(bench.contains(secret), "{secret} is missing from the bench's copy {form:?}");
        }
        let client = in_one_line(&ends_with(0, program("record", &case).args(["--for", "client"]).args(form)));
        for secret in [NAME, PHONE, TEXT, "bench-hand", folder.path().to_str().unwrap()] {
            assert!(!client.contains(secret), "{secret} is in the client's copy {form:?}");
        }
        for kept in ["F-17", "TVS diode", "two heads read slowly"] {
            assert!(client.contains(kept), "{kept} is missing from the client's copy {form:?}");
        }
    }
    let client = ends_with(0, program("record", &case).args(["--for", "client"]));
    assert!(client.contains("personal details left out"), "{client}");
}

#[test]
fn what_makes_no_sense_is_refused_and_leaves_no_line() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    let before = lines(&case);
    for (arguments, complaint) in [
        (&["--on", "spin-up", "--field", "current=12V"][..], "is not a figure in A"),
        (&["--on", "electrical", "--field", "before=-3"], "out of range"),
        (&["--on", "client", "--field", "shoe-size=44"], "has no field 'shoe-size'"),
        (&["--on", "decision", "--field", "decision=stop"], "needs its reason"),
        (&["--personal", "name", "Hello"], "is not in this note"),
        (&["--on", "weather", "rain"], "topics are client, arrival"),
        (&[], "an empty note"),
    ] {
        let said = complains_with(2, program("note", &case).args(arguments));
        assert!(said.contains(complaint), "{arguments:?}: {said}");
    }
    assert_eq!(lines(&case), before);
    let said = complains_with(8, program("note", folder.path()).arg("text"));
    assert!(said.contains("there is no such case"), "{said}");
}

/// A note can be taken while another process has the case.
#[test]
fn a_note_does_not_wait_for_the_case() {
    let folder = tempfile::tempdir().unwrap();
    let case = case_with_record(folder.path());
    let open = gleaner::case::Case::open(&case, gleaner::case::Access::Work).unwrap();
    note(&case, &["--on", "temperature", "--field", "drive=41 °C"]);
    assert_eq!(check(&case).0, 0);
    drop(open);
}
