//! An independent witness of what gleaner asks of a drive: every read request as a block server logs it, compared with
//! gleaner's own trace and with its plan. Needs root, FUSE and loop devices.

#[path = "support/common/mod.rs"]
mod common;
#[path = "support/witness.rs"]
mod device;
#[path = "support/plan_file.rs"]
mod plan_file;

use common::{answers, fixture};
use device::{WitnessedDevice, merged, run};
use gleaner::base::extent::{Extent, ExtentSet};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

fn gleaner() -> Command {
    Command::new(env!("CARGO_BIN_EXE_gleaner"))
}

/// Reads with direct I/O, by a program that is not ours.
fn dd(device: &Path, block: u64, skip: u64) {
    let (input, block, skip) = (format!("if={}", device.display()), format!("bs={block}"), format!("skip={skip}"));
    run(Command::new("dd").args([&*input, &*block, &*skip, "of=/dev/null", "count=1", "iflag=direct", "status=none"]));
}

/// The offsets and lengths of a trace (`offset,length,outcome,microseconds`).
fn trace(path: &Path) -> Vec<Extent> {
    let text = fs::read_to_string(path).expect("the trace");
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("offset,length,outcome,microseconds"));
    let number = |field: Option<&str>| field.and_then(|f| f.parse().ok()).expect("a number");
    lines
        .map(|line| {
            let mut fields = line.split(',');
            Extent::new(number(fields.next()), number(fields.next())).expect("an extent")
        })
        .collect()
}

/// Every extent of a plan; all its passes must be of the classes `tables` and `structure`.
fn planned(path: &Path) -> ExtentSet {
    let plan = plan_file::plan_file(path);
    let passes = plan["passes"].as_array().expect("passes");
    let extents = passes.iter().flat_map(|pass| {
        assert!(
            ["tables", "structure"].contains(&pass["class"].as_str().expect("a class")),
            "pass of {}",
            pass["class"]
        );
        assert_eq!(pass["bridged_bytes"], 0);
        pass["extents"].as_array().expect("extents").iter()
    });
    extents.map(|pair| Extent::new(pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap()).unwrap()).collect()
}

/// The first test to look at when another fails: the witness sees neither more nor less than what is read.
#[test]
fn the_witness_sees_exactly_what_is_read() {
    let image: Vec<u8> = (0..8u32 << 20).map(|n| n.to_le_bytes()[2]).collect();
    let drive = WitnessedDevice::new(&image);
    let extent = |start, bytes| Extent::new(start, bytes).unwrap();

    let (seen, ()) = drive.requests_during(|| dd(drive.path(), 4096, 256));
    assert_eq!(seen, [extent(1 << 20, 4096)], "no read-ahead, no rounding");
    let (seen, ()) = drive.requests_during(|| dd(drive.path(), 512, 4097));
    assert_eq!(seen, [extent(4097 * 512, 512)], "a single sector stays one");
    // The kernel may cut a long request; it neither adds nor repeats.
    let (seen, ()) = drive.requests_during(|| dd(drive.path(), 1 << 20, 3));
    let (set, repeated) = merged(&seen);
    assert_eq!((set.extents(), repeated), (&[extent(3 << 20, 1 << 20)][..], 0));
    // And what is read twice shows as such.
    let (seen, ()) = drive.requests_during(|| {
        dd(drive.path(), 4096, 300);
        dd(drive.path(), 512, 2401);
    });
    assert_eq!(merged(&seen).1, 512);
}

fn metadata_is_requested_once_and_nothing_else_is(name: &str) {
    let drive = WitnessedDevice::new(&fixture(name));
    let (survey_trace, plan_trace, plan) = (drive.file("survey.csv"), drive.file("plan.csv"), drive.file("plan.json"));

    let (survey_seen, _) = drive.requests_during(|| {
        run(gleaner().arg("survey").arg(drive.path()).arg("--quiet").arg("--trace").arg(&survey_trace))
    });
    let (plan_seen, _) = drive.requests_during(|| {
        run(gleaner()
            .arg("plan")
            .arg(drive.path())
            .args(["--scope", "structure", "--bridge", "0", "--quiet", "--trace"])
            .arg(&plan_trace)
            .arg("--output")
            .arg(&plan))
    });

    let allowed = planned(&plan);
    for (what, seen, own) in [("survey", &survey_seen, &survey_trace), ("plan", &plan_seen, &plan_trace)] {
        let (asked, repeated) = merged(seen);
        assert!(!asked.is_empty(), "{what} of {name}: the witness saw nothing");
        assert_eq!(repeated, 0, "{what} of {name}: bytes asked of the drive more than once");
        let (told, _) = merged(&trace(own));
        assert_eq!(asked, told, "{what} of {name}: the witness (left) and gleaner's own trace disagree");
        // The plan's extents are whole sectors, so there is nothing to allow for alignment.
        let stray: Vec<Extent> = asked.extents().iter().flat_map(|e| allowed.missing_from(*e)).collect();
        assert_eq!(stray, [], "{what} of {name}: asked for, but neither tables nor structure");
    }
}

#[test]
fn the_metadata_of_a_gpt_drive_is_requested_once() {
    metadata_is_requested_once_and_nothing_else_is("drive-gpt");
}

#[test]
fn the_metadata_of_an_mbr_drive_with_logical_volumes_is_requested_once() {
    metadata_is_requested_once_and_nothing_else_is("drive-mbr-extended");
}

#[test]
fn the_metadata_of_a_rich_ntfs_volume_is_requested_once() {
    metadata_is_requested_once_and_nothing_else_is("ntfs-rich");
}

#[test]
fn the_metadata_of_a_fat32_volume_is_requested_once() {
    metadata_is_requested_once_and_nothing_else_is("fat32-clusters-4k");
}

/// `(path, size)` of the existing files that `gleaner files` lists.
fn listed(drive: &WitnessedDevice) -> Vec<(String, u64)> {
    let text = run(gleaner().arg("files").arg(drive.path()).arg("--quiet"));
    let entries = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("a JSON object a line"));
    let mut files: Vec<_> = entries
        .filter(|entry| entry["deleted"] == false && entry["stream"].is_null())
        .map(|entry| (entry["path"].as_str().unwrap_or("").to_owned(), entry["size"].as_u64().unwrap_or(0)))
        .collect();
    files.sort();
    files
}

#[test]
fn an_unreadable_sector_in_the_mft_costs_one_record_and_is_named() {
    let name = "ntfs-rich";
    let image = fixture(name);
    // Where the reference parser finds $MFT, and a file of one record without clusters in the middle of it.
    let answers = answers(name);
    let files = answers["files"].as_array().expect("files");
    let of_path = |path: &str| files.iter().find(|file| file["path"] == path && file["stream"].is_null());
    let table = of_path("/$MFT").expect("$MFT")["extents"].as_array().expect("extents");
    let folder = "/Users/ida/Specimens/";
    let victims: Vec<&Value> =
        files.iter().filter(|file| file["path"].as_str().is_some_and(|path| path.starts_with(folder))).collect();
    let victim = victims[victims.len() / 2];
    let mut offset = victim["record"].as_u64().expect("a record number") * answers["record_bytes"].as_u64().unwrap();
    let mut place = None;
    for run in table {
        let (start, bytes) = (run[0].as_u64().unwrap(), run[1].as_u64().unwrap());
        if offset < bytes {
            place = Some(start + offset);
            break;
        }
        offset -= bytes;
    }
    let bad = Extent::new(place.expect("the record lies in $MFT"), 512).unwrap();

    let whole = listed(&WitnessedDevice::new(&image));
    let drive = WitnessedDevice::with_unreadable(&image, &[bad]);
    let text = run(gleaner().arg("survey").arg(drive.path()).arg("--json"));
    let survey: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(survey["reading"]["unreadable_bytes"], 512, "only the bad sector is lost: {}", survey["reading"]);
    let named = survey["findings"].as_array().expect("findings").iter().any(|f| f["lba"] == bad.start.0 / 512);
    assert!(named, "no finding names LBA {}: {}", bad.start.0 / 512, survey["findings"]);

    let path = victim["path"].as_str().unwrap();
    let expected: Vec<_> = whole.iter().filter(|(other, _)| other != path).cloned().collect();
    assert_eq!(whole.len() - expected.len(), 1, "{path} is listed on the sound drive");
    assert_eq!(listed(&drive), expected, "every other file is still there");
}
