//! What the kernel and a technician's own programs tell: settings of a drive, its temperature, its counters. Needs root and
//! loop devices. On other drives `scripts/check-kernel` looks at the same.

#[path = "support/cases.rs"]
mod cases;
#[path = "support/common/mod.rs"]
mod common;
#[path = "support/witness.rs"]
mod device;

use cases::{complains_with, copy, ends_with, gleaner, survey_and_plan};
use common::fixture;
use device::WitnessedDevice;
use serde_json::Value;
use std::fs;
use std::path::PathBuf;
use std::process::Command;

fn survey(path: &std::path::Path) -> Value {
    let text =
        ends_with(0, Command::new(env!("CARGO_BIN_EXE_gleaner")).args(["survey", "--quiet", "--json"]).arg(path));
    serde_json::from_str(&text).expect("JSON")
}

fn sysfs(device: &str, attribute: &str) -> String {
    let path = format!("/sys/block/{device}/{attribute}");
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}")).trim().to_owned()
}

#[test]
fn a_survey_says_how_the_kernel_is_set() {
    let drive = WitnessedDevice::new(&fixture("fat16"));
    let name = drive.path().file_name().unwrap().to_str().unwrap().to_owned();
    let kernel = &survey(drive.path())["kernel"];
    assert_eq!(kernel["device"], *name);
    assert_eq!(kernel["attached"], "other");
    let kib: u64 = sysfs(&name, "queue/max_sectors_kb").parse().unwrap();
    assert_eq!(kernel["longest_command_bytes"], kib << 10);
    assert_eq!(kernel["read_only"], sysfs(&name, "ro") == "1");
    assert_eq!(kernel["written"], Value::Null);
    assert_eq!(kernel["sensor"], false);
    let text = ends_with(
        0,
        Command::new(env!("CARGO_BIN_EXE_gleaner")).args(["survey", "--quiet", "--full"]).arg(drive.path()),
    );
    assert!(text.contains(&format!("KERNEL  {name} on ")), "{text}");

    // A file has no driver.
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("drive.img");
    fs::write(&image, fixture("fat16")).unwrap();
    assert_eq!(survey(&image)["kernel"], Value::Null);
}

#[test]
fn a_drive_without_a_sensor_is_told_of() {
    let drive = WitnessedDevice::new(&fixture("fat16"));
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    survey_and_plan(drive.path(), &case, &[]);
    let told = complains_with(0, gleaner("copy", &case).arg(drive.path()));
    assert!(told.contains("temperature is not available, so --hot-limit does nothing"), "{told}");
    assert!(told.contains("--temperature-from COMMAND"), "{told}");
    let told = complains_with(0, gleaner("copy", &case).arg(drive.path()).args(["--temperature-from", "echo 40"]));
    assert!(!told.contains("temperature"), "{told}");
}

#[test]
fn a_command_tells_the_temperature_and_a_warm_drive_rests() {
    let folder = tempfile::tempdir().unwrap();
    let (image, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&image, fixture("ntfs-rich")).unwrap();
    survey_and_plan(&image, &case, &[]);

    // A mistake is refused before anything is read.
    let wrong = complains_with(2, gleaner("copy", &case).arg(&image).args(["--temperature-from", "echo warm"]));
    assert!(wrong.contains("printed no temperature"), "{wrong}");

    let warm = ["--temperature-from", "echo '70.5 C'", "--stop-after-minutes", "0.03"];
    let outcome = copy(9, &image, &case, &warm);
    assert_eq!(outcome["arrived_bytes"], 0, "{outcome}");
    assert!(outcome["paused_seconds"].as_f64().unwrap() > 1.0, "{outcome}");
    let outcome = copy(0, &image, &case, &["--temperature-from", "echo 40"]);
    assert_eq!((&outcome["end"]["why"], &outcome["paused_seconds"]), (&"complete".into(), &0.0.into()));
}

#[test]
fn the_report_shows_what_changed_in_the_drives_own_counters() {
    let folder = tempfile::tempdir().unwrap();
    let (image, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&image, fixture("fat16")).unwrap();
    survey_and_plan(&image, &case, &[]);
    let sample = |name: &str| -> PathBuf { [env!("CARGO_MANIFEST_DIR"), "testdata/health", name].iter().collect() };
    let note = |code, name: &str| {
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        program.args(["note", "--smart"]).arg(sample(name)).arg("--case").arg(&case).arg("as smartctl gave it");
        if code == 0 { ends_with(0, &mut program) } else { complains_with(code, &mut program) }
    };
    let told = note(0, "nvme-before.json");
    assert!(told.contains("health: 20 counters of the drive with serial number "), "{told}");
    note(0, "nvme-after.json");
    assert!(note(2, "unknown-bridge.json").contains("Unknown USB bridge"));

    for audience in ["bench", "client"] {
        let page = folder.path().join(format!("{audience}.html"));
        ends_with(0, gleaner("report", &case).args(["--for", audience, "-o"]).arg(&page));
        let page = fs::read_to_string(&page).unwrap();
        let row = |name: &str, first: &str, last: &str, change: &str| {
            format!(
                "<th scope=\"row\">{name}</th><td class=\"n\">{first}</td><td class=\"n\">{last}</td><td class=\"n\">{change}</td>"
            )
        };
        // The client's two pages have no counters.
        for row in [row("data units read", "1", "61", "+60"), row("host reads", "11", "70", "+59")] {
            assert_eq!(page.contains(&row), audience == "bench", "{row} in the {audience}'s page");
        }
        assert!(!page.contains("<th scope=\"row\">unsafe shutdowns"), "what did not change is not listed");
    }
    let record =
        ends_with(0, Command::new(env!("CARGO_BIN_EXE_gleaner")).args(["record", "--csv", "--case"]).arg(&case));
    assert!(record.contains("health=20 counters"), "{record}");
}
