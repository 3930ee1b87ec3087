//! Ctrl-C, a journal with a torn end, and two at once.

use crate::cases::{
    Claims, audit, check_claims, check_image, complains_with, copy, ends_with, gleaner, planned, signal, start_copy,
    survey_and_plan, wait_until_arrived,
};
use crate::common::fixture;
use crate::kills::Random;
use crate::witness::{Behaviour, WitnessedDevice};
use serde_json::Value;
use std::fs::{self, File};
use std::io::{BufRead, Write};
use std::path::Path;
use std::time::Duration;

/// A drive slow enough that what happens to a copy happens in the middle of it.
fn slow_drive(bytes: &[u8]) -> WitnessedDevice {
    let delay = Some(Duration::from_millis(4));
    WitnessedDevice::behaving(bytes, &Behaviour { delay, ..Behaviour::default() })
}

fn a_signal_ends_it_in_good_order(name: &str) {
    let bytes = fixture("drive-gpt");
    let drive = slow_drive(&bytes);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut claims = Claims::default();
    claims.check(&case, &bytes);
    let mut running = start_copy(drive.path(), &case, &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 4 << 20);
    signal(&running, name);
    drop(std::thread::spawn(move || events.lines().for_each(drop)));
    let ended = running.wait_with_output().expect("its end");
    assert_eq!(ended.status.code(), Some(9), "{name}: {}", ended.status);
    let outcome: Value = serde_json::from_slice(&ended.stdout).expect("JSON");
    assert_eq!((&outcome["end"]["why"], &outcome["end"]["reason"]), (&"stopped".into(), &"asked".into()));
    // All that arrived is safe: nothing of it is read again.
    let held = claims.check(&case, &bytes);
    let arrived = outcome["arrived_bytes"].as_u64().expect("a number");
    let rest = planned(&case).bytes() - held.copied_bytes();
    assert!(arrived >= 4 << 20 && rest > 4 << 20, "stopped in the middle: {arrived} arrived, {rest} are left");
    let outcome = copy(0, drive.path(), &case, &[]);
    assert_eq!(outcome["arrived_bytes"], rest);
    claims.check(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
}

#[test]
fn ctrl_c_ends_it_in_good_order() {
    a_signal_ends_it_in_good_order("-INT");
}

#[test]
fn a_shutdown_ends_it_in_good_order() {
    a_signal_ends_it_in_good_order("-TERM");
}

#[test]
fn a_limit_ends_it_in_good_order() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("drive-mbr-extended");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(&drive, &case, &[]);
    let mut claims = Claims::default();
    let mut runs = 0;
    loop {
        let before = claims.check(&case, &bytes).copied_bytes();
        let arguments = ["--json", "--stop-after-bytes", "1000000", "--request", "256"];
        let ended = gleaner("copy", &case).arg(&drive).args(arguments).output().expect("gleaner");
        let outcome: Value = serde_json::from_slice(&ended.stdout).expect("JSON");
        let arrived = outcome["arrived_bytes"].as_u64().expect("a number");
        assert_eq!(claims.check(&case, &bytes).copied_bytes() - before, arrived);
        assert!(arrived < 1_000_000 + (256 << 10), "{arrived} bytes before it stopped");
        runs += 1;
        match ended.status.code() {
            Some(9) => assert_eq!(outcome["end"]["reason"], "bytes"),
            Some(0) => break,
            other => panic!("exit code {other:?}"),
        }
    }
    assert!(runs > 2);
    check_image(&case, &bytes, &planned(&case));
}

/// What is left of a journal when power goes while it is written: fewer bytes, other bytes, zeros.
fn tear(journal: &Path, how: u64, random: &mut Random) -> String {
    let mut bytes = fs::read(journal).expect("the journal");
    let amount = usize::try_from(1 + random.below(200)).unwrap();
    let told = match how {
        0 => {
            // The header and the first claims are older than any copy, and durable.
            bytes.truncate((bytes.len() - amount).max(64));
            format!("{amount} bytes cut")
        }
        1 => {
            bytes.extend((0..amount).map(|_| random.next().to_le_bytes()[0]));
            format!("{amount} random bytes behind it")
        }
        2 => {
            bytes.resize(bytes.len() + amount * 37, 0);
            format!("{} zeros behind it", amount * 37)
        }
        _ => {
            // A block of the file that never reached the disk.
            let from = bytes.len() - amount.min(bytes.len() - 64);
            bytes[from..].fill(0);
            format!("{} bytes at its end are zero", bytes.len() - from)
        }
    };
    File::create(journal).and_then(|mut file| file.write_all(&bytes)).expect("written");
    told
}

#[test]
fn a_torn_journal_loses_only_what_is_torn_off() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("ntfs-rich");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(&drive, &case, &[]);
    let arguments = ["--stop-after-bytes", "2500000", "--request", "64"];
    let mut random = Random(0x5EED_0007);
    let mut done = false;
    for round in 0..60 {
        if done {
            break;
        }
        let program = &mut gleaner("copy", &case);
        let ended = program.arg(&drive).args(arguments).output().expect("gleaner");
        assert!(matches!(ended.status.code(), Some(0 | 9)), "{}", String::from_utf8_lossy(&ended.stderr));
        // The last round but one is torn too: a complete case must recover as well.
        done = ended.status.code() == Some(0) && round > 8;
        let before = check_claims(&case, &bytes).copied_bytes();
        let how = tear(&case.join("journal"), round % 4, &mut random);
        let left = check_claims(&case, &bytes).copied_bytes();
        // 200 bytes touch at most five records, of at most 64 KiB each.
        assert!(before - left <= 5 * (64 << 10), "{how}: {before} bytes were claimed, {left} are left");
        assert!(left == before || round % 4 == 0 || round % 4 == 3, "{how}: {before} bytes were claimed, now {left}");
    }
    let outcome = copy(0, &drive, &case, &[]);
    assert_eq!(outcome["end"]["why"], "complete");
    check_claims(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));

    let other = folder.path().join("other");
    survey_and_plan(&drive, &other, &[]);
    copy(0, &drive, &other, &[]);
    assert_eq!(audit(0, &case), audit(0, &other), "audit of the torn case (left) and of one never interrupted");
}

/// Damage in the middle is another matter: no crash leaves it, and it is not passed over.
#[test]
fn a_damaged_journal_is_refused() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("drive-gpt");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(&drive, &case, &[]);
    copy(0, &drive, &case, &[]);
    let journal = case.join("journal");
    let mut text = fs::read(&journal).expect("the journal");
    // The second claim: claims of later batches follow, so this one was once durable.
    text[64 * 2 + 20] ^= 1;
    fs::write(&journal, text).expect("written");
    let complaint = complains_with(8, &mut gleaner("audit", &case));
    assert!(complaint.contains("journal") && complaint.contains("128"), "{complaint}");
}

#[test]
fn a_second_process_is_refused() {
    let bytes = fixture("drive-gpt");
    let drive = slow_drive(&bytes);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut running = start_copy(drive.path(), &case, &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 1 << 20);
    drop(std::thread::spawn(move || events.lines().for_each(drop)));
    for command in ["copy", "survey", "plan"] {
        let complaint = complains_with(8, gleaner(command, &case).arg(drive.path()));
        assert!(complaint.contains("another gleaner is working on this case"), "{complaint}");
    }
    // Who only looks is served, and changes nothing.
    for command in ["audit", "verify", "folders", "files", "survey"] {
        let code = if command == "audit" { 10 } else { 0 };
        let seen = gleaner(command, &case).output().expect("gleaner");
        assert!([0, code].contains(&seen.status.code().unwrap_or(-1)), "{command}: {seen:?}");
    }
    assert!(running.try_wait().expect("its state").is_none(), "the first one still works");
    signal(&running, "-KILL");
    running.wait().expect("its end");
    // A killed process leaves no lock behind.
    copy(0, drive.path(), &case, &[]);
    check_claims(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
    ends_with(0, &mut gleaner("audit", &case));
}
