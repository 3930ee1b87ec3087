//! A drive's pace as `pace` measures it, on drives whose pace is set by a program that is not ours: nbdkit's rate and delay
//! filters (nbdkit-rate-filter(1), nbdkit-delay-filter(1)). Its log says what was read. Needs root, FUSE and loop devices.

use crate::cases;
use crate::witness;

use cases::{complains_with, copy, description, ends_with, gleaner, outside, plan_file, planned};
use gleaner::base::extent::Extent;
use gleaner::drive::model::{DriveModel, Head};
use serde_json::Value;
use std::path::Path;
use std::time::Duration;
use witness::{Behaviour, WitnessedDevice, merged};

const BYTES: u64 = 256 << 20;

/// A FAT volume formatted by the fatfs crate, all but empty.
fn volume() -> Vec<u8> {
    let mut memory = std::io::Cursor::new(vec![0; usize::try_from(BYTES).unwrap()]);
    fatfs::format_volume(&mut memory, fatfs::FormatVolumeOptions::new()).unwrap();
    memory.into_inner()
}

struct Paced {
    drive: WitnessedDevice,
    survey: Vec<Extent>,
    requests: Vec<Extent>,
    report: Value,
    model: DriveModel,
}

impl Paced {
    fn case(&self) -> std::path::PathBuf {
        self.drive.file("case")
    }
}

fn paced(behaviour: &Behaviour, code: i32, arguments: &[&str]) -> Paced {
    let drive = WitnessedDevice::behaving(&volume(), behaviour);
    let case = drive.file("case");
    let (survey, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    ends_with(0, gleaner("plan", &case).args(["--scope", "whole"]));
    let run = || ends_with(code, gleaner("pace", &case).arg(drive.path()).arg("--json").args(arguments));
    let (requests, text) = drive.requests_during(run);
    let report = serde_json::from_str(&text).expect("JSON");
    let model = DriveModel::from_file(&case.join("model.json")).expect("a model");
    Paced { drive, survey, requests, report, model }
}

/// No byte was read twice, before or now, and none that the plan does not read.
fn reads_once_and_to_the_plan(paced: &Paced) {
    let all: Vec<Extent> = paced.survey.iter().chain(&paced.requests).copied().collect();
    assert_eq!(merged(&all).1, 0, "bytes asked for more than once");
    let (asked, _) = merged(&paced.requests);
    assert_eq!(outside(&asked, &planned(&paced.case())), [], "asked for, but not planned");
    assert_eq!(paced.report["bytes"], asked.bytes());
}

fn near(is: f64, should: f64, share: f64) -> bool {
    (is / should - 1.0).abs() <= share
}

// Source: the rate that the filter was set to.
#[test]
fn the_set_rate_comes_back() {
    let rate = 40_000_000;
    let paced = paced(&Behaviour { rate: Some(rate), ..Behaviour::default() }, 0, &["--budget", "96"]);
    for is in [paced.model.first_rate, paced.model.last_rate, paced.model.mean_rate()] {
        assert!(near(is, 40e6, 0.1), "{is}: {}", paced.report);
    }
    reads_once_and_to_the_plan(&paced);
    assert!(merged(&paced.requests).0.bytes() <= 96 << 20);

    // Whatever comes next estimates with it, and copying does not read again what is held.
    let case = paced.case();
    let survey: Value = serde_json::from_str(&ends_with(0, gleaner("survey", &case).arg("--json"))).unwrap();
    assert_eq!(survey["costs"]["rate_origin"], "paced");
    assert_eq!(survey["costs"]["model"]["name"].as_str().unwrap(), paced.model.name);
    let plan: Value =
        serde_json::from_str(&ends_with(0, gleaner("plan", &case).args(["--scope", "whole", "--json"]))).unwrap();
    let (least, most) = (plan["least_seconds"].as_f64().unwrap(), plan["most_seconds"].as_f64().unwrap());
    let whole = 268_435_456.0 / 40e6;
    assert!(least < whole && whole < most, "{least} to {most} s for {whole} s");
    let header = plan_file(&case.join(description(&case)["plan"].as_str().unwrap()))["header"].clone();
    assert!(header.to_string().contains(&paced.model.name), "the plan names its model");
    let (copied, _) = paced.drive.requests_during(|| copy(0, paced.drive.path(), &case, &[]));
    let all: Vec<Extent> = paced.survey.iter().chain(&paced.requests).chain(&copied).copied().collect();
    // But for the sectors that show whether the drive still gives its own bytes.
    assert!(merged(&all).1 <= 8 * 512, "bytes asked for more than once");
    assert_eq!(outside(&planned(&case), &merged(&all).0), [], "planned, but never asked for");
}

// Source: the delay that the filter was set to; it is the whole of what a small read costs there.
#[test]
fn the_set_delay_comes_back() {
    let delay = Some(Duration::from_millis(20));
    let paced = paced(&Behaviour { delay, ..Behaviour::default() }, 0, &["--requests", "300"]);
    for (from, to) in [(1, 9), (9, 5), (5, 95), (95, 2), (40, 60)] {
        let head = Head { at: BYTES / 100 * from, drive_bytes: BYTES };
        let extent = Extent::new(BYTES / 100 * to, 4096).unwrap();
        let (seconds, _) = paced.model.read_seconds(head, extent, 1 << 20);
        assert!(near(seconds, 0.020, 0.15), "{from} % to {to} %: {seconds} s by {:?}", paced.model);
    }
    assert!(paced.model.turn_ms < 5.0, "nothing turns there but the machine's unrest: {:?}", paced.model);
    reads_once_and_to_the_plan(&paced);
    assert!(paced.requests.len() >= 100);
}

#[test]
fn the_budget_is_kept() {
    let paced = paced(&Behaviour::default(), 0, &["--budget", "10", "--requests", "40", "--seconds", "30"]);
    assert!(paced.report["requests"].as_u64().unwrap() <= 40);
    assert!(merged(&paced.requests).0.bytes() <= 10 << 20);
    assert_eq!(paced.report["end"], "budget");
    reads_once_and_to_the_plan(&paced);
}

#[test]
fn a_drive_that_fails_is_spared_and_its_failures_are_timed() {
    let bad = Extent::new(BYTES / 2 - (4 << 20), 100 << 20).unwrap();
    let behaviour = Behaviour { unreadable: vec![bad], sluggish: vec![(bad, 0.5)], ..Behaviour::default() };
    let paced = paced(&behaviour, 9, &[]);
    assert_eq!(paced.report["failed_requests"], 3);
    assert!((0.5..0.9).contains(&paced.model.failed_seconds), "{}", paced.report);
    assert_eq!(paced.report["end"], "failures");
}

#[test]
fn without_a_plan_it_says_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    std::fs::write(&drive, volume()).unwrap();
    ends_with(0, gleaner("survey", &case).arg(&drive));
    let ran = gleaner("pace", &case).arg(&drive).output().unwrap();
    assert!(!ran.status.success());
    let said = String::from_utf8_lossy(&ran.stderr).into_owned();
    assert!(said.contains("gleaner plan"), "{said}");
    ends_with(0, gleaner("plan", &case).args(["--scope", "whole"]));
    let ran = gleaner("pace", &case).output().unwrap();
    assert!(!ran.status.success(), "without the drive there is nothing to measure");
    // An image file is a drive, only a fast one.
    let text = ends_with(0, gleaner("pace", &case).arg(&drive));
    assert!(text.contains("rate by position"), "{text}");
    let hostile = complains_with(2, gleaner("survey", &case).args(["--drive", "no such drive"]));
    assert!(hostile.contains("notebook-5400"), "{hostile}");
    broken_model(&case);
}

/// A case's model that is none is an error, not a guess.
fn broken_model(case: &Path) {
    std::fs::write(case.join("model.json"), "{\"first_rate\": 0}").unwrap();
    let ran = gleaner("survey", case).output().unwrap();
    assert!(!ran.status.success());
    assert!(String::from_utf8_lossy(&ran.stderr).contains("first_rate"));
}
