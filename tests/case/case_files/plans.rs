//! What tells a plan's drive from another.

use super::Drive;
use crate::cases::{complains_with, copy, description, ends_with, gleaner, plan_file, survey_and_plan};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

fn fingerprint(plan: &Path) -> Value {
    plan_file(plan)["header"]["source"]["fingerprint"].clone()
}

fn plan_of(drive: &Path, to: &Path) -> Value {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    ends_with(0, program.args(["plan", "--quiet"]).arg(drive).arg("-o").arg(to));
    fingerprint(to)
}

/// From the drive, from a case with the drive, from the case alone, before and after copying: one drive, one fingerprint.
/// Source: `cksum` and `sha256sum` over the bytes that it names.
#[test]
fn a_drive_has_one_fingerprint_wherever_its_tables_came_from() {
    let drive = Drive::new();
    let case = drive.case();
    let alone = plan_of(&drive.path(), &drive.at("alone.json"));
    let bytes: Vec<u8> = alone["extents"]
        .as_array()
        .expect("extents")
        .iter()
        .flat_map(|pair| {
            let [start, count] = [0, 1].map(|n| usize::try_from(pair[n].as_u64().unwrap()).unwrap());
            drive.bytes[start..start + count].to_vec()
        })
        .collect();
    assert!(bytes.len() >= 1024);
    let part = drive.at("part");
    fs::write(&part, &bytes).expect("room");
    let printed = |program: &str| {
        let output = Command::new(program).arg(&part).output().expect(program);
        String::from_utf8(output.stdout).expect("text").split(' ').next().unwrap().to_owned()
    };
    assert_eq!(alone["sha256"], printed("sha256sum"));
    assert_eq!(alone["posix_cksum"].to_string(), printed("cksum"));

    ends_with(0, gleaner("survey", &case).arg(drive.path()));
    ends_with(0, gleaner("plan", &case).arg(drive.path()));
    assert_eq!(fingerprint(&case.join("plan.jsonl")), alone, "with the drive");
    ends_with(0, &mut gleaner("plan", &case));
    assert_eq!(fingerprint(&case.join("plan-2.jsonl")), alone, "from the case");
    copy(0, &drive.path(), &case, &[]);
    ends_with(0, &mut gleaner("plan", &case));
    assert_eq!(fingerprint(&case.join("plan-3.jsonl")), alone, "after copying");

    // The exported script knows its drive.
    let mut export = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let script = ends_with(0, export.arg("export").arg(case.join("plan-2.jsonl")).args(["--as", "dd"]));
    let expected = format!("fingerprint='{} {}'", printed("cksum"), bytes.len());
    assert!(script.contains(&expected), "no {expected} in the script");
}

/// A plan that nothing of the drive went into is followed by nobody who cannot ask.
#[test]
fn a_plan_without_a_fingerprint_is_followed_by_word_alone() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    let path = case.join(description(&case)["plan"].as_str().unwrap());
    // The fields of a plan stand in their order, so it is changed as text.
    let text = fs::read_to_string(&path).expect("the plan");
    let from = text.find(r#""fingerprint":"#).expect("a fingerprint");
    let until = from + text[from..].find('}').expect("its end") + 1;
    let empty = |name: &str| {
        let output = Command::new(name).stdin(std::process::Stdio::null()).output().expect(name);
        String::from_utf8(output.stdout).expect("text").split(' ').next().unwrap().to_owned()
    };
    let none = format!(
        r#""fingerprint":{{"sha256":"{}","posix_cksum":{},"bytes":0,"extents":[]}}"#,
        empty("sha256sum"),
        empty("cksum")
    );
    fs::write(&path, [&text[..from], &none, &text[until..]].concat()).expect("room");
    for form in ["dd", "device-mapper"] {
        let mut export = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        let complaint = complains_with(6, export.arg("export").arg(&path).args(["--as", form]));
        assert!(complaint.contains("followed only in its own case"), "{complaint}");
    }
    let complaint = complains_with(8, gleaner("copy", &case).arg(drive.path()));
    assert!(complaint.contains("--same-drive"), "{complaint}");
    copy(0, &drive.path(), &case, &["--same-drive"]);
}

/// The same on a drive with sectors of 4096 bytes, where the places of tables and boot sectors are shorter than a sector.
#[test]
fn a_drive_of_long_sectors_has_one_fingerprint_too() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, &*crate::common::fixture("drive-gpt-4kn")).expect("room");
    let long = ["--sector-size", "4096"];
    ends_with(0, gleaner("survey", &case).arg(&drive).args(long));
    ends_with(0, &mut gleaner("plan", &case));
    ends_with(0, gleaner("plan", &case).arg(&drive).args(long));
    assert_eq!(fingerprint(&case.join("plan.jsonl")), fingerprint(&case.join("plan-2.jsonl")));
}
