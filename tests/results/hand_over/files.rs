//! Images, and second copies that are checked.

use crate::cases::{audit, complains_with, ends_with, start_copy, wait_until_arrived};
use crate::hand_over::{Bench, common};
use crate::witness::{Behaviour, WitnessedDevice, run};
use serde_json::Value;
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::process::Command;
use std::time::Duration;

/// Sources: qemu-img(1) convert and compare; sha256sum(1).
#[test]
fn qemu_and_sha256sum_agree_with_both_forms() {
    let bench = Bench::copied("fat16");
    let expected = bench.expected();
    for form in ["raw", "vhdx"] {
        let name = format!("out.{form}");
        let text = ends_with(0, bench.hand_over().args(["--as", form, "--to", &name]));
        assert!(text.contains("the same") && text.contains("all files are complete"), "{text}");
        run(Command::new("sha256sum")
            .args(["--check", "--strict"])
            .arg(format!("{name}.sha256"))
            .current_dir(bench.folder.path()));
        let converted = bench.at(&format!("{form}.converted"));
        run(Command::new("qemu-img").args(["convert", "-f", form, "-O", "raw"]).arg(bench.at(&name)).arg(&converted));
        assert!(fs::read(&converted).unwrap() == expected, "{form}: qemu reads something else");
        let checked = ends_with(0, bench.hand_over().args(["--check", &name]));
        assert!(checked.contains("the same as the case"), "{checked}");
    }
    run(Command::new("qemu-img")
        .args(["compare", "-f", "raw", "-F", "vhdx"])
        .arg(bench.at("out.raw"))
        .arg(bench.at("out.vhdx")));
    let record = fs::read_to_string(bench.case().join("record.jsonl")).expect("a record");
    assert_eq!(record.lines().filter(|line| line.contains("\"command\":\"hand-over\"")).count(), 4);
}

/// Neither an image nor a list is ever replaced, and where one is in the way nothing is written.
#[test]
fn nothing_is_replaced() {
    let bench = Bench::copied("fat12-clusters-4k");
    for there in ["out.raw", "out.raw.sha256"] {
        fs::write(bench.at(there), "precious").unwrap();
        let complaint = complains_with(5, bench.hand_over().args(["--as", "raw", "--to", "out.raw"]));
        assert!(complaint.contains("exists already"), "{complaint}");
        assert_eq!(fs::read(bench.at(there)).unwrap(), b"precious");
        fs::remove_file(bench.at(there)).unwrap();
        assert!(!bench.at("out.raw").exists() && !bench.at("out.raw.sha256").exists());
    }
    // Not one of the case's own files either.
    let complaint = complains_with(8, bench.hand_over().arg("--check").arg(bench.case().join("image.raw")));
    assert!(complaint.contains("the case's own file"), "{complaint}");
}

/// Half of a copy: zeros where nothing was read, and the files that this concerns are those that the audit names.
#[test]
fn what_is_not_read_is_zero_and_its_files_are_listed() {
    let bench = Bench::planned(common::fixture("ntfs-cluster-8k"));
    let text = ends_with(10, bench.hand_over().args(["--as", "raw", "--to", "out.raw", "--json"]));
    assert!(fs::read(bench.at("out.raw")).unwrap() == bench.expected());
    let names = |text: &str| -> Vec<(String, String)> {
        let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
        let files = lines.filter(|line| line["path"].is_string() && line["state"] != "whole");
        files.map(|file| (file["path"].to_string(), file["state"].to_string())).collect()
    };
    let listed = names(&text);
    assert!(listed.len() > 3, "{listed:?}");
    assert_eq!(listed, names(&audit(0, &bench.case())));
    let sums: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    assert_eq!(sums["missing"]["drive_bytes"], bench.drive.len());
    let people = ends_with(10, bench.hand_over().args(["--as", "vhdx", "--to", "out.vhdx"]));
    assert!(people.contains("not read yet") && people.contains(listed[0].0.trim_matches('"')), "{people}");
}

/// Beside a copy that runs, what it has committed is handed over: each sector is the drive's, or zeros.
#[test]
fn beside_a_running_copy() {
    let bytes = common::fixture("ntfs-cluster-8k");
    let behaviour = Behaviour { delay: Some(Duration::from_millis(60)), ..Behaviour::default() };
    let slow = WitnessedDevice::behaving(&bytes, &behaviour);
    let bench = Bench { folder: tempfile::tempdir().unwrap(), drive: bytes };
    crate::hand_over::survey_and_plan(slow.path(), &bench.case(), &["--scope", "whole"]);
    let mut running = start_copy(slow.path(), &bench.case(), &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 2 << 20);
    let handed = bench.hand_over().args(["--as", "raw", "--to", "out.raw"]).output().expect("gleaner");
    assert!(running.try_wait().unwrap().is_none(), "the copy has ended too early to tell anything");
    crate::cases::signal(&running, "-INT");
    // Its events must have a reader until then.
    std::io::copy(&mut { events }, &mut std::io::sink()).unwrap();
    running.wait().unwrap();
    assert!(matches!(handed.status.code(), Some(0 | 10)), "{}", String::from_utf8_lossy(&handed.stderr));
    let out = fs::read(bench.at("out.raw")).unwrap();
    let mut held = 0;
    for (number, (ours, theirs)) in out.chunks(512).zip(bench.drive.chunks(512)).enumerate() {
        let zero = ours.iter().all(|byte| *byte == 0);
        assert!(zero || ours == theirs, "sector {number}");
        held += usize::from(!zero);
    }
    assert!(held > 300, "only {held} sectors were handed over");
}

/// A second copy of which one bit differs, one that is too short, and one that is too long.
#[test]
fn a_copy_that_differs_is_found() {
    let bench = Bench::copied("fat12-clusters-4k");
    ends_with(0, bench.hand_over().args(["--as", "raw", "--to", "out.raw"]));
    let whole = fs::read(bench.at("out.raw")).unwrap();
    let check = |code| -> Value {
        serde_json::from_str(&ends_with(code, bench.hand_over().args(["--check", "out.raw", "--json"]))).unwrap()
    };
    let change = |at: u64, byte: u8| {
        File::options().write(true).open(bench.at("out.raw")).and_then(|file| file.write_all_at(&[byte], at)).unwrap();
    };
    change(70_001, whole[70_001] ^ 4);
    let found = check(10);
    assert_eq!((&found["differing_bytes"], &found["size_fits"]), (&512.into(), &true.into()));
    assert_eq!(found["differing"], serde_json::json!([{ "start": 70_001 / 512 * 512, "bytes": 512 }]));
    change(70_001, whole[70_001]);
    assert_eq!(check(0)["differing_bytes"], 0);
    File::options()
        .write(true)
        .open(bench.at("out.raw"))
        .and_then(|file| file.set_len(whole.len() as u64 + 1))
        .unwrap();
    assert_eq!((&check(10)["size_fits"], &check(10)["differing_bytes"]), (&false.into(), &0.into()));
    File::options().write(true).open(bench.at("out.raw")).and_then(|file| file.set_len(1 << 20)).unwrap();
    let short = check(10);
    assert_eq!((&short["size_fits"], short["unreadable_bytes"].as_u64() > Some(0)), (&false.into(), true));
}

/// The form of a case's own image is chosen before its copy begins; afterwards the way is another, and is named.
#[test]
fn a_form_is_chosen_at_the_start_only() {
    let bench = Bench::copied("fat12-clusters-4k");
    let mut again = crate::hand_over::gleaner("copy", &bench.case());
    let complaint = complains_with(2, again.arg(bench.at("drive.img")).args(["--as", "vhdx"]));
    assert!(complaint.contains("gleaner hand-over --case") && complaint.contains("--as vhdx --to FILE"), "{complaint}");
    assert!(!bench.case().join("image.vhdx").exists());
    crate::hand_over::copy(0, &bench.at("drive.img"), &bench.case(), &["--as", "raw"]);
}

/// A list that names a file with a backslash and a line break. Source: sha256sum(1).
#[test]
fn names_in_the_list_are_escaped() {
    let bench = Bench::copied("fat12-clusters-4k");
    let name = "a\\b\nc.raw";
    ends_with(0, bench.hand_over().args(["--as", "raw", "--to", name, "--checksums", "list"]));
    run(Command::new("sha256sum").args(["--check", "--strict", "list"]).current_dir(bench.folder.path()));
}

/// A case whose survey was ended before it had read anything: all of its image is zeros, and that is told.
#[test]
fn a_case_without_structure() {
    let bytes = common::fixture("fat12-clusters-4k");
    let bench = Bench { folder: tempfile::tempdir().unwrap(), drive: bytes };
    crate::hand_over::write_sparse(&bench.at("drive.img"), &bench.drive);
    let source = gleaner::source::open(&bench.at("drive.img"), None).unwrap();
    let form = gleaner::store::image::ImageForm::Raw;
    drop(gleaner::case::Case::open_or_create(&bench.case(), source.identity(), form).unwrap());
    let text = ends_with(10, bench.hand_over().args(["--as", "raw", "--to", "out.raw"]));
    assert!(text.contains("Not all structure is read") && text.contains("100 % of the drive"), "{text}");
    assert!(fs::read(bench.at("out.raw")).unwrap() == vec![0; bench.drive.len()]);
    let target = bench.blank(0);
    let complaint = complains_with(4, &mut bench.onto(&target));
    assert!(complaint.contains("are not in the case"), "{complaint}");
}
