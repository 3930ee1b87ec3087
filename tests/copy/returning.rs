//! Drives that fall silent, come back, or are better than before: nothing is given up for good. Needs root (FUSE, loop devices).

use crate::cases;
use crate::common;
use crate::witness;

use cases::{
    audit, check_claims, check_image, complains_with, copy, description, ends_with, gleaner, identity_places, planned,
    set, start_copy, survey_and_plan, wait_until_arrived,
};
use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::copy::history::{HISTORY_NAME, read_history};
use serde_json::Value;
use std::fs;
use std::io::BufRead;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use witness::{Behaviour, WitnessedDevice};

/// A copy that waits looks at every new drive of its drive's size: one test at a time.
static ALONE: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn slow(bytes: &[u8]) -> WitnessedDevice {
    let delay = Some(Duration::from_millis(10));
    WitnessedDevice::behaving(bytes, &Behaviour { delay, ..Behaviour::default() })
}

/// The server behind the device fails for a while: the copy ends soon, no sector is unreadable for it, and afterwards the
/// same command reads everything.
#[test]
fn a_drive_that_falls_silent_loses_nothing() {
    let _alone = alone();
    let bytes = fixture("drive-gpt");
    let drive = slow(&bytes);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut running = start_copy(drive.path(), &case, &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 4 << 20);
    drive.break_down();
    drop(std::thread::spawn(move || events.lines().for_each(drop)));
    let ended = running.wait_with_output().expect("its end");
    assert_eq!(ended.status.code(), Some(4));
    let outcome: Value = serde_json::from_slice(&ended.stdout).expect("JSON");
    assert_eq!(outcome["end"]["why"], "silent", "{outcome}");
    assert!(outcome["failed_requests"].as_u64().unwrap() <= 4, "{outcome}");
    let ranges = check_claims(&case, &bytes);
    assert_eq!(ranges.unreadable_bytes(), 0);
    let text = String::from_utf8(gleaner("copy", &case).arg(drive.path()).output().expect("gleaner").stdout).unwrap();
    assert!(text.contains("COPY  The drive no longer answers: ") && text.contains(" still to copy."), "{text}");
    drive.answer_again();
    copy(0, drive.path(), &case, &[]);
    check_image(&case, &bytes, &planned(&case));
    audit(0, &case);
}

/// Sectors that were unreadable and answer later are read when the technician says so: all, those of a file, or of a range.
#[test]
fn what_was_unreadable_is_tried_again_when_it_is_wanted() {
    let _alone = alone();
    let bytes = fixture("ntfs-rich");
    let sound = WitnessedDevice::new(&bytes);
    let case = sound.file("case");
    survey_and_plan(sound.path(), &case, &[]);
    let files = cases::plan(&case, |class| class == "files");
    let longest = files.extents().iter().max_by_key(|extent| extent.bytes).expect("files").start.0;
    let answers = common::answers("ntfs-rich");
    let list = answers["files"].as_array().expect("files").iter();
    let is_plain = |file: &&Value| {
        file["kind"] == "file"
            && file["deleted"] == false
            && file["attribute"].is_null()
            && file["extents"][0].is_array()
    };
    let of_file = |path: &str| {
        let file = list.clone().filter(is_plain).find(|file| file["path"] == path).expect("a file");
        file["extents"][0][0].as_u64().unwrap()
    };
    let path = "/Photos/mosaic.raw";
    let bad = [
        Extent::new(longest + 4096, 512).unwrap(),
        Extent::new(of_file(path), 1024).unwrap(),
        Extent::new(files.extents().last().unwrap().start.0, 512).unwrap(),
    ];
    let sick = WitnessedDevice::with_unreadable(&bytes, &bad);
    let case = sick.file("sick");
    survey_and_plan(sick.path(), &case, &[]);
    copy(10, sick.path(), &case, &[]);
    let lost = |case: &Path| set(check_claims(case, &bytes).iter_unreadable());
    assert_eq!(lost(&case), set(bad));

    // Still bad: tried, and unreadable as before.
    copy(10, sick.path(), &case, &["--again", "unreadable"]);
    assert_eq!(lost(&case), set(bad));
    // The drive is better after a rest. Nothing is tried of itself.
    assert_eq!(copy(10, sound.path(), &case, &[])["requests"], 0);
    let complaint = complains_with(2, gleaner("copy", &case).arg(sound.path()).args(["--again", "/No/such/file"]));
    assert!(complaint.contains("no file or folder by this name"), "{complaint}");
    copy(10, sound.path(), &case, &["--again", path]);
    assert_eq!(lost(&case), set([bad[0], bad[2]]));
    copy(10, sound.path(), &case, &["--again", &format!("{}:{}", bad[0].start.0, bad[0].bytes)]);
    assert_eq!(lost(&case), set([bad[2]]));
    copy(0, sound.path(), &case, &["--again", "unreadable"]);
    assert_eq!(lost(&case), ExtentSet::new());
    check_image(&case, &bytes, &planned(&case));
    audit(0, &case);
}

/// Pulled and plugged in again, under another name: `copy --wait` goes on by itself.
#[test]
fn a_copy_that_waits_goes_on_when_the_drive_is_back() {
    let _alone = alone();
    let bytes = fixture("drive-gpt");
    let mut drive = slow(&bytes);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut running = start_copy(drive.path(), &case, &["--request", "64", "--wait"]);
    let mut events = wait_until_arrived(&mut running, 4 << 20);
    drive.break_down();
    let mut wait_for = |name: &str| loop {
        let mut line = String::new();
        assert_ne!(events.read_line(&mut line).expect("an event"), 0, "the copy ended without {name}");
        let event: Value = serde_json::from_str(&line).expect("JSON");
        if event["event"] == name {
            return event;
        }
    };
    wait_for("drive-awaited");
    // Somebody else's drive of the same size is not taken.
    let mut other = bytes.clone();
    other[512..1024].fill(0xA7);
    let twin = WitnessedDevice::new(&other);
    let mut refused = wait_for("drive-not-taken");
    while !refused["why"].as_str().unwrap().starts_with(twin.path().to_str().unwrap()) {
        refused = wait_for("drive-not-taken");
    }
    assert!(refused["why"].as_str().unwrap().contains("differs from the case"), "{refused}");
    drop(twin);
    drive.answer_again();
    drive.reattach();
    let back = wait_for("drive-back");
    assert_eq!(back["path"], drive.path().to_str().unwrap());
    drop(std::thread::spawn(move || events.lines().for_each(drop)));
    let ended = running.wait_with_output().expect("its end");
    assert_eq!(ended.status.code(), Some(0), "{}", String::from_utf8_lossy(&ended.stderr));
    check_claims(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
    // For whoever watches it is one run, with all that happened, and no pass begins twice.
    let runs = read_history(&case.join(HISTORY_NAME)).expect("the history").runs;
    let [run] = &runs[..] else { panic!("{} runs", runs.len()) };
    let notes: Vec<&str> = run.notes.iter().map(|(_, note)| note.as_str()).collect();
    for start in
        ["pass 1: ", "the drive is gone or no longer answers", "not taken for the drive: ", "the drive is back at "]
    {
        assert!(notes.iter().any(|note| note.starts_with(start)), "{start}: {notes:#?}");
    }
    let mut passes: Vec<&str> = notes.iter().copied().filter(|note| note.starts_with("pass ")).collect();
    let told = passes.len();
    passes.sort_unstable();
    passes.dedup();
    assert_eq!(passes.len(), told, "{notes:#?}");
    assert!(run.ended.as_ref().is_some_and(|(_, how)| how.starts_with("Complete: all ")), "{:?}", run.ended);
}

/// A drive that comes back and gives nothing, three times, is not waited for a fourth time.
#[test]
fn a_drive_that_comes_back_in_vain_is_not_waited_for_for_ever() {
    let _alone = alone();
    let bytes = fixture("drive-gpt");
    let mut drive = slow(&bytes);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut running = start_copy(drive.path(), &case, &["--request", "64", "--wait", "--same-drive"]);
    let mut events = wait_until_arrived(&mut running, 4 << 20);
    drive.break_down();
    let mut returns = 0;
    for line in (&mut events).lines() {
        let event: Value = serde_json::from_str(&line.expect("a line")).expect("JSON");
        if event["event"] == "drive-awaited" {
            // Back, and as silent as before.
            drive.reattach();
        }
        returns += u32::from(event["event"] == "drive-back");
    }
    let ended = running.wait_with_output().expect("its end");
    let told = String::from_utf8_lossy(&ended.stdout).into_owned();
    assert_eq!((ended.status.code(), returns), (Some(4), 3), "{told}");
    assert_eq!(check_claims(&case, &bytes).unreadable_bytes(), 0);
}

/// What identifies the drive can no longer be read: a serial number, or the technician's word, must do.
#[test]
fn a_drive_whose_tables_are_gone_is_still_the_cases_when_somebody_says_so() {
    let _alone = alone();
    let bytes = fixture("drive-gpt");
    let sound = WitnessedDevice::new(&bytes);
    let case = sound.file("case");
    survey_and_plan(sound.path(), &case, &[]);
    let places: Vec<Extent> = identity_places(&case).extents().to_vec();
    let worse = WitnessedDevice::with_unreadable(&bytes, &places);
    let (requests, complaint) = worse.requests_during(|| complains_with(8, gleaner("copy", &case).arg(worse.path())));
    assert!(complaint.contains("--same-drive"), "{complaint}");
    assert!(requests.len() <= 3, "{} failed reads to find out", requests.len());
    copy(0, worse.path(), &case, &["--same-drive"]);
    let record = fs::read_to_string(case.join("record.jsonl")).expect("the record");
    assert!(record.contains(r#""same_drive":true"#), "{record}");
    check_image(&case, &bytes, &planned(&case));
    assert!(description(&case)["attachment"]["instance"].is_string());
    ends_with(0, &mut gleaner("audit", &case));
}
