//! Files of a case that are removed, replaced or changed from outside.

use super::Drive;
use crate::cases::{complains_with, copy, ends_with, gleaner, signal, start_copy, survey_and_plan, wait_until_arrived};
use crate::witness::{Behaviour, WitnessedDevice};
use serde_json::Value;
use std::fs::{self, File};
use std::io::BufRead;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::process::{Child, Command};
use std::time::Duration;

fn slow(drive: &Drive) -> WitnessedDevice {
    let delay = Some(Duration::from_millis(20));
    WitnessedDevice::behaving(&drive.bytes, &Behaviour { delay, ..Behaviour::default() })
}

fn begun(device: &WitnessedDevice, case: &Path) -> Child {
    survey_and_plan(device.path(), case, &["--scope", "whole"]);
    let mut running = start_copy(device.path(), case, &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 1 << 20);
    drop(std::thread::spawn(move || events.lines().for_each(drop)));
    running
}

/// Whatever is removed beside it, the journal itself is what is locked.
#[test]
fn no_removed_file_lets_a_second_copy_in() {
    let drive = Drive::new();
    let device = slow(&drive);
    let case = device.file("case");
    let mut running = begun(&device, &case);
    fs::write(case.join("lock"), "").expect("room");
    fs::remove_file(case.join("lock")).expect("the test's own");
    let complaint = complains_with(8, gleaner("copy", &case).arg(device.path()));
    assert!(complaint.contains("another gleaner is working on this case"), "{complaint}");
    signal(&running, "-KILL");
    running.wait().expect("its end");
    copy(0, device.path(), &case, &[]);
}

/// A copy whose image or journal goes away, is exchanged or is cut does not say that it is complete.
#[test]
fn a_copy_notices_that_its_files_were_taken_away() {
    type Harm = (&'static str, fn(&Path));
    let harms: [Harm; 4] = [
        ("image.raw", |path| fs::rename(path, path.with_extension("away")).expect("moved")),
        ("image.raw", |path| {
            let length = fs::metadata(path).expect("it").len();
            fs::rename(path, path.with_extension("away")).expect("moved");
            File::create_new(path).and_then(|file| file.set_len(length)).expect("another");
        }),
        ("image.raw", |path| File::options().write(true).open(path).and_then(|file| file.set_len(4096)).expect("cut")),
        ("journal", |path| fs::rename(path, path.with_extension("away")).expect("moved")),
    ];
    for (name, harm) in harms {
        let drive = Drive::new();
        let device = slow(&drive);
        let case = device.file("case");
        let mut running = begun(&device, &case);
        harm(&case.join(name));
        let status = running.wait().expect("its end");
        assert_eq!(status.code(), Some(5), "{name}");
    }
}

/// Changed where nobody parses it, or where everything begins: the chunks are named before anything is believed.
#[test]
fn verify_names_the_chunks_that_differ_whatever_was_changed() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    copy(0, &drive.path(), &case, &[]);
    let image = case.join("image.raw");
    let sound = fs::read(&image).expect("the image");
    let zeroed = vec![0; sound.len()];
    let mut one_table = sound.clone();
    one_table[..34 * 512].fill(0);
    for (bytes, all) in [(&zeroed, true), (&one_table, false)] {
        File::options().write(true).open(&image).and_then(|file| file.write_all_at(bytes, 0)).expect("changed");
        let text = ends_with(10, gleaner("verify", &case).arg("--json"));
        let report: Value = serde_json::from_str(&text).expect("JSON");
        let differing = report["claims"]["differing"].as_array().expect("places");
        assert_eq!(differing[0]["start"], 0, "{report}");
        assert!(!all || differing.len() > 1, "{report}");
        let text = ends_with(10, &mut gleaner("verify", &case));
        assert!(text.contains("THESE RANGES OF THE IMAGE DIFFER FROM WHAT WAS READ"), "{text}");
    }
    File::options().write(true).open(&image).and_then(|file| file.write_all_at(&sound, 0)).expect("put back");
    ends_with(0, &mut gleaner("verify", &case));
}

/// `docs/formats/record.md`: one line may be without its seal, not three.
#[test]
fn lines_beyond_the_seal_are_told() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    let (record, seal) = (case.join("record.jsonl"), case.join("record.seal"));
    let sealed = fs::read(&seal).expect("the seal");
    let check = || {
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        program.args(["record", "--check", "--case"]).arg(&case).output().expect("gleaner")
    };
    for extra in 1..=3 {
        ends_with(0, &mut gleaner("survey", &case));
        fs::write(&seal, &sealed).expect("as it was");
        let output = check();
        let expected = if extra == 1 { 0 } else { 10 };
        assert_eq!(output.status.code(), Some(expected), "{extra} lines beyond: {output:?}");
    }
    assert!(fs::read_to_string(&record).expect("the record").lines().count() >= 5);
}

/// On a full disk a note is either written and so it says, or not.
#[test]
fn a_note_on_a_full_disk_says_what_became_of_it() {
    let drive = Drive::new();
    let disk = drive.at("disk");
    fs::create_dir(&disk).expect("a folder");
    crate::witness::run(Command::new("mount").args(["-t", "tmpfs", "-o", "size=64m", "gleaner-test"]).arg(&disk));
    let outcome = std::panic::catch_unwind(|| {
        let case = disk.join("case");
        ends_with(0, gleaner("survey", &case).arg(drive.path()));
        let lines = || fs::read_to_string(case.join("record.jsonl")).expect("the record").lines().count();
        let note = |text: &str| {
            let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
            program.args(["note", "--case"]).arg(&case).arg(text).output().expect("gleaner")
        };
        let mut filler = File::create(disk.join("filler")).expect("a file");
        while std::io::Write::write_all(&mut filler, &[1; 4096]).is_ok() {}
        for number in 0..200 {
            let before = lines();
            let output = note(&format!("the board is warm, number {number}"));
            let (after, code) = (lines(), output.status.code());
            match code {
                Some(0) => assert_eq!(after, before + 1, "{output:?}"),
                _ => assert!(after <= before + 1, "{output:?}"),
            }
        }
        drop(filler);
        fs::remove_file(disk.join("filler")).expect("the test's own");
        assert_eq!(note("room again").status.code(), Some(0));
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        let checked = program.args(["record", "--check", "--case"]).arg(&case).output().expect("gleaner");
        assert_eq!(checked.status.code(), Some(0), "{checked:?}");
    });
    crate::witness::run(Command::new("umount").arg(&disk));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}
