//! `gleaner drives`: what lsblk(8) tells of the same drives, and no request of its own. Needs root and loop devices.

use crate::cases;
use crate::mounted;
use crate::witness;

use cases::{ends_with, gleaner};
use mounted::Mounted;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use unicode_width::UnicodeWidthStr;
use witness::{WitnessedDevice, run};

/// A sparse image on a loop device; detached when dropped.
struct Loop {
    folder: tempfile::TempDir,
    device: PathBuf,
}

impl Loop {
    fn new(options: &[&str]) -> Loop {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let image = folder.path().join("drive.img");
        std::fs::File::create_new(&image).and_then(|file| file.set_len(64 << 20)).expect("a sparse file");
        let mut losetup = Command::new("losetup");
        let device = PathBuf::from(run(losetup.args(["--find", "--show"]).args(options).arg(&image)).trim());
        Loop { folder, device }
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        let _ = Command::new("losetup").arg("--detach").arg(&self.device).status();
    }
}

fn drives(folder: &Path) -> Vec<Value> {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let text = ends_with(0, program.arg("drives").arg(folder).arg("--json"));
    serde_json::from_str(&text).expect("JSON")
}

fn drive(folder: &Path, device: &Path) -> Value {
    let found = drives(folder).into_iter().find(|drive| drive["path"] == device.to_str().unwrap());
    found.unwrap_or_else(|| panic!("{} is not listed", device.display()))
}

/// Size, sectors, read-only flag, serial number, where it is mounted. Source: lsblk(8).
#[test]
fn drives_are_as_lsblk_tells() {
    let (plain, other) = (Loop::new(&[]), Loop::new(&["--read-only", "--sector-size", "4096"]));
    run(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&plain.device));
    let mounted = Mounted::device(&plain.device);
    let columns = ["--nodeps", "--json", "--bytes", "--output", "PATH,SIZE,LOG-SEC,RO,SERIAL,MOUNTPOINTS"];
    let told: Value = serde_json::from_str(&run(Command::new("lsblk").args(columns))).expect("JSON");
    let mut compared = 0;
    for told in told["blockdevices"].as_array().expect("a list") {
        let path = Path::new(told["path"].as_str().expect("a path"));
        if ![&plain.device, &other.device].iter().any(|device| *device == path) && told["serial"].is_null() {
            continue;
        }
        compared += 1;
        let found = drive(plain.folder.path(), path);
        for (ours, theirs) in
            [("bytes", "size"), ("logical_sector", "log-sec"), ("read_only", "ro"), ("serial", "serial")]
        {
            assert_eq!(found[ours], told[theirs], "{}: {ours}", path.display());
        }
    }
    assert!(compared >= 2, "{told}");
    let uses = drive(plain.folder.path(), &plain.device)["uses"].clone();
    assert_eq!(uses, serde_json::json!([{ "mounted": { "at": mounted.path() } }]));
    assert_eq!(drive(plain.folder.path(), &other.device)["uses"], serde_json::json!([]));
}

/// Swap, and a loop device on the drive itself.
#[test]
fn what_holds_a_drive_is_told() {
    let (swap, below) = (Loop::new(&[]), Loop::new(&[]));
    run(Command::new("mkswap").arg("--quiet").arg(&swap.device));
    run(Command::new("swapon").arg(&swap.device));
    let uses = drive(swap.folder.path(), &swap.device)["uses"].clone();
    run(Command::new("swapoff").arg(&swap.device));
    assert_eq!(uses[0]["swap"]["name"], swap.device.to_str().unwrap());
    let above = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(&below.device)).trim());
    let uses = drive(swap.folder.path(), &below.device)["uses"].clone();
    run(Command::new("losetup").arg("--detach").arg(&above));
    assert_eq!(uses[0]["loop"]["name"], above.file_name().unwrap().to_str().unwrap());
}

/// A failing drive feels nothing of it: not one request arrives, by the log of the server behind it (nbdkit-log-filter(1)).
#[test]
fn no_drive_is_read_and_its_case_is_named() {
    let watched = WitnessedDevice::new(&vec![0x5A; 8 << 20]);
    let case = watched.file("case");
    ends_with(7, gleaner("survey", &case).arg(watched.path()));
    let folder = case.parent().unwrap();
    let (requests, found) = watched.requests_during(|| drive(folder, watched.path()));
    assert_eq!(requests, []);
    assert_eq!(found["cases"][0]["folder"], case.to_str().unwrap());
    assert_eq!(found["cases"][0]["by"], "attachment");
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let text = ends_with(0, program.arg("drives").arg(folder));
    assert!(text.contains(watched.path().to_str().unwrap()) && text.contains("read-only") && text.contains("case "));
    let long: Vec<&str> = text.lines().filter(|line| line.width() > 80).collect();
    assert!(long.is_empty(), "{long:?}");
}

/// After it was detached another drive may have the name: nothing is said then.
#[test]
fn a_drive_that_was_detached_is_not_known_by_its_name() {
    let mut watched = WitnessedDevice::new(&vec![0x5A; 8 << 20]);
    let case = watched.file("case");
    ends_with(7, gleaner("survey", &case).arg(watched.path()));
    watched.reattach();
    assert_eq!(drive(&case, watched.path())["cases"], serde_json::json!([]));
}
