//! A destination that is full: known before, found out on the way, or lied about by its file system.

use crate::cases::{
    Claims, audit, check_claims, check_image, complains_with, copy, gleaner, planned, start_copy, survey_and_plan,
    wait_until_arrived,
};
use crate::common::fixture;
use crate::mounted::Mounted;
use crate::witness::{Behaviour, WitnessedDevice, run};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

fn slow_drive(bytes: &[u8]) -> WitnessedDevice {
    let delay = Some(Duration::from_millis(4));
    WitnessedDevice::behaving(bytes, &Behaviour { delay, ..Behaviour::default() })
}

/// Writes until there is no room.
fn fill(path: &Path) {
    let mut file = File::create(path).expect("a file");
    let zeros = vec![0; 64 << 10];
    while file.write_all(&zeros).is_ok() {}
    let mut rest = zeros.len();
    while rest > 0 {
        while file.write(&zeros[..rest]).is_ok_and(|count| count > 0) {}
        rest /= 2;
    }
}

#[test]
fn too_little_room_is_seen_before_anything_is_read() {
    let bytes = fixture("ntfs-rich");
    let drive = WitnessedDevice::new(&bytes);
    let small = Mounted::tmpfs("40m");
    let case = small.path().join("case");
    survey_and_plan(drive.path(), &case, &[]);
    let before = check_claims(&case, &bytes);
    let (seen, complaint) = drive.requests_during(|| complains_with(5, gleaner("copy", &case).arg(drive.path())));
    assert_eq!(seen, [], "asked for although there is no room");
    assert!(complaint.contains("bytes free") && complaint.contains("make room"), "{complaint}");
    assert!(check_claims(&case, &bytes) == before);
    // With room made, the same command goes on.
    run(Command::new("mount").args(["-o", "remount,size=80m"]).arg(small.path()));
    copy(0, drive.path(), &case, &[]);
    check_claims(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
}

fn room_that_runs_out(form: &str) {
    let bytes = fixture("ntfs-rich");
    let drive = slow_drive(&bytes);
    let shared = Mounted::tmpfs("90m");
    let case = shared.path().join("case");
    survey_and_plan(drive.path(), &case, &[]);
    let mut claims = Claims::default();
    let before = claims.check(&case, &bytes).copied_bytes();
    let mut running = start_copy(drive.path(), &case, &["--request", "64", "--as", form]);
    let mut events = wait_until_arrived(&mut running, 2 << 20);
    // Somebody else needs the room.
    let filler = shared.path().join("filler");
    fill(&filler);
    let mut complaint = String::new();
    events.read_to_string(&mut complaint).expect("its complaint");
    let ended = running.wait().expect("its end");
    assert_eq!(ended.code(), Some(5), "{ended}: {complaint}");
    let last = complaint.lines().last().unwrap_or_default();
    assert!(last.contains("No space left on device") && last.contains("safe"), "{last}");
    let held = claims.check(&case, &bytes).copied_bytes();
    assert!(held >= before, "nothing is lost");

    // Still full: it stops again, at once or soon, and loses nothing.
    let again = gleaner("copy", &case).arg(drive.path()).output().expect("gleaner");
    assert_eq!(again.status.code(), Some(5), "{}", String::from_utf8_lossy(&again.stderr));
    claims.check(&case, &bytes);

    fs::remove_file(&filler).expect("removed");
    copy(0, drive.path(), &case, &[]);
    claims.check(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
}

#[test]
fn room_that_runs_out_under_a_raw_image_loses_nothing() {
    room_that_runs_out("raw");
}

#[test]
fn room_that_runs_out_under_a_vhdx_loses_nothing() {
    room_that_runs_out("vhdx");
}

/// A survey with a case can run out of room too; it must not blame the drive.
#[test]
fn a_survey_without_room_blames_the_destination() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let drive = folder.path().join("drive.img");
    fs::write(&drive, fixture("ntfs-rich")).expect("room");
    let small = Mounted::tmpfs("1m");
    let complaint = complains_with(5, gleaner("survey", &small.path().join("case")).arg(&drive));
    assert!(complaint.contains("No space left on device"), "{complaint}");
}

/// The file system believes that it has room, and finds out only when it writes back (as thinly provisioned storage
/// does): what was accepted is lost, and nothing of it may have been claimed.
#[test]
fn a_file_system_that_promised_too_much_costs_no_claim() {
    let bytes = fixture("ntfs-rich");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let drive = folder.path().join("drive.img");
    fs::write(&drive, &bytes).expect("room");
    let below = Mounted::tmpfs("30m");
    let thin = below.path().join("thin.img");
    File::create_new(&thin).and_then(|file| file.set_len(160 << 20)).expect("a sparse file");
    run(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&thin));
    let promised = Mounted::image(&thin);
    let case = promised.path().join("case");
    survey_and_plan(&drive, &case, &[]);
    let before = check_claims(&case, &bytes).copied_bytes();
    let ended = gleaner("copy", &case).arg(&drive).output().expect("gleaner");
    let complaint = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert_eq!(ended.status.code(), Some(5), "{complaint}");

    // Once more from what is on the disk, not from what the system still remembers; and on from there elsewhere.
    drop(promised);
    run(Command::new("mount").args(["-o", "remount,size=200m"]).arg(below.path()));
    let promised = Mounted::image(&thin);
    let elsewhere = folder.path().join("elsewhere");
    run(Command::new("cp").args(["-r", "--sparse=always"]).arg(promised.path().join("case")).arg(&elsewhere));
    let held = check_claims(&elsewhere, &bytes).copied_bytes();
    assert!(held >= before, "{before} bytes were safe, now {held}");
    copy(0, &drive, &elsewhere, &[]);
    check_claims(&elsewhere, &bytes);
    check_image(&elsewhere, &bytes, &planned(&elsewhere));
    audit(0, &elsewhere);
}
