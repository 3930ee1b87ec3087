//! What a whole job asks of a drive (survey, plan and copy of one case), as a block server sees it: every planned byte
//! once and nothing else; what cannot be read is exactly what was made unreadable; what is slow is skipped and
//! retried. Needs root, FUSE and loop devices.

use crate::cases;
use crate::common;
use crate::witness;

use cases::{check_claims, check_image, copy, ends_with, gleaner, identity_places, outside, planned, set};
use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::time::Duration;
use witness::{Behaviour, WitnessedDevice, merged};

/// A request in a trace.
struct Traced {
    extent: Extent,
    failed: bool,
}

/// `offset,length,outcome,microseconds`, `docs/formats/trace.md`.
fn trace(path: &Path) -> Vec<Traced> {
    let text = fs::read_to_string(path).expect("the trace");
    let lines = text.lines().skip(1).map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |at: usize| fields[at].parse().expect("a number");
        Traced { extent: Extent::new(number(0), number(1)).unwrap(), failed: fields[2] != "read" }
    });
    lines.collect()
}

/// The extents of a set of claims.
fn extents(claimed: impl Iterator<Item = Extent>) -> ExtentSet {
    set(claimed)
}

/// What a copy asked for, without the sectors that were read once more to see whether the drive still gives its own bytes:
/// as many as it counts. `before` is what was requested before it.
fn without_checks(before: &[Extent], copied: &[Extent], outcome: &Value) -> Vec<Extent> {
    let mut asked: ExtentSet = before.iter().copied().collect();
    let mut kept = Vec::new();
    for request in copied {
        if request.bytes > 512 || !asked.covers(*request) {
            kept.push(*request);
        }
        asked.insert(*request);
    }
    let checks = (copied.len() - kept.len()) as u64;
    assert_eq!((&outcome["checks"]["requests"], &outcome["checks"]["bytes"]), (&checks.into(), &(checks * 512).into()));
    assert!((1..=2).contains(&checks), "one before the first request, one behind the last");
    kept
}

fn everything_planned_is_requested_once(name: &str, form: &str) {
    let bytes = fixture(name);
    let drive = WitnessedDevice::new(&bytes);
    let case = drive.file("case");
    let (survey, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    let (plan, _) = drive.requests_during(|| ends_with(0, gleaner("plan", &case).arg(drive.path())));
    let (copied, outcome) = drive.requests_during(|| copy(0, drive.path(), &case, &["--as", form]));

    assert_eq!(plan, [], "{name}: the survey has brought all that a plan needs");
    let copied = without_checks(&survey, &copied, &outcome);
    let all: Vec<Extent> = survey.iter().chain(&copied).copied().collect();
    let (asked, repeated) = merged(&all);
    assert_eq!(repeated, 0, "{name}: bytes asked for more than once");
    let planned = planned(&case);
    assert_eq!(outside(&asked, &planned), [], "{name}: asked for, but not planned");
    assert_eq!(outside(&planned, &asked), [], "{name}: planned, but never asked for");
    assert_eq!(outcome["arrived_bytes"], merged(&copied).0.bytes(), "{name}: what the server gave in the copy");

    let ranges = check_claims(&case, &bytes);
    assert_eq!(extents(ranges.iter_copied()), planned, "{name}: claimed (left) and planned");
    check_image(&case, &bytes, &planned);
    // With the drive gone, everything can still be asked.
    let (seen, _) = drive.requests_during(|| {
        for command in ["survey", "folders", "files", "plan", "audit"] {
            ends_with(0, &mut gleaner(command, &case));
        }
    });
    assert_eq!(seen, []);
}

#[test]
fn the_plan_of_a_gpt_drive_is_requested_once() {
    everything_planned_is_requested_once("drive-gpt", "raw");
}

#[test]
fn the_plan_of_an_mbr_drive_with_logical_volumes_is_requested_once() {
    everything_planned_is_requested_once("drive-mbr-extended", "vhdx");
}

#[test]
fn the_plan_of_a_rich_ntfs_volume_is_requested_once() {
    everything_planned_is_requested_once("ntfs-rich", "raw");
}

#[test]
fn the_plan_of_a_fat32_volume_is_requested_once() {
    everything_planned_is_requested_once("fat32-clusters-512", "vhdx");
}

/// Only when the drive was away is it asked who it is, and then for nothing but that.
#[test]
fn of_a_drive_that_was_detached_only_the_identity_is_read() {
    let bytes = fixture("drive-gpt");
    let mut drive = WitnessedDevice::new(&bytes);
    let case = drive.file("case");
    let (survey, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    let places = identity_places(&case);
    assert!((512..=64 << 10).contains(&places.bytes()), "{places:?}");

    drive.reattach();
    let (plan, _) = drive.requests_during(|| ends_with(0, gleaner("plan", &case).arg(drive.path())));
    assert_eq!(merged(&plan), (places.clone(), 0), "asked for after it came back (left), identity places (right)");
    let (again, _) = drive.requests_during(|| ends_with(0, gleaner("folders", &case).arg(drive.path())));
    assert_eq!(again, [], "still there since then");

    drive.reattach();
    let (copied, outcome) = drive.requests_during(|| copy(0, drive.path(), &case, &[]));
    let (asked, repeated) = merged(&copied);
    let checks = outcome["checks"]["bytes"].as_u64().expect("a number");
    let before = merged(&survey).0;
    let both: ExtentSet = asked.extents().iter().flat_map(|extent| before.intersection(*extent)).collect();
    let beside: u64 = both.extents().iter().flat_map(|extent| places.missing_from(*extent)).map(|e| e.bytes).sum();
    assert!(places.extents().iter().all(|place| both.covers(*place)), "identity places are read again");
    assert!(beside + repeated <= checks && checks <= 1024, "and beside them the sectors by which the drive is checked");
    assert_eq!(outside(&asked, &planned(&case)), []);
    check_image(&case, &bytes, &planned(&case));
}

/// A place of `bytes` bytes in the middle of the plan's longest extent of a class that the survey does not read.
fn inside_longest(case: &Path, class: &str) -> Extent {
    let extents = cases::plan(case, |other| other == class);
    *extents.extents().iter().max_by_key(|extent| extent.bytes).unwrap_or_else(|| panic!("{class} is in the plan"))
}

/// Sectors in file contents and structure, alone, in rows and side by side, at edges of what is planned, in a gap that is
/// read through, and beside what is planned.
fn bad_places(bytes: &[u8]) -> Vec<Extent> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, bytes).expect("room");
    cases::survey_and_plan(&drive, &case, &[]);
    let sector = |at: u64, count: u64| Extent::new(at / 512 * 512, count * 512).unwrap();
    let files = inside_longest(&case, "files");
    let planned = planned(&case);
    let end = planned.extents().iter().map(Extent::end).max().expect("a plan");
    let mut bad = vec![
        // Alone; three with one sound sector between each two; a row of 40 across a 4 KiB border.
        sector(files.start.0 + files.bytes / 2, 1),
        sector(files.start.0 + files.bytes / 3, 1),
        sector(files.start.0 + files.bytes / 3 + 1024, 1),
        sector(files.start.0 + files.bytes / 3 + 2048, 1),
        sector(files.start.0 + files.bytes / 4 + 512, 40),
        // The first and the last sector of an extent.
        sector(files.start.0, 1),
        sector(files.end() - 512, 1),
        // The last that is planned at all.
        sector(end - 512, 1),
    ];
    let passes = cases::passes(&case);
    let gaps = passes.iter().flat_map(|pass| pass["gaps"].as_array().unwrap());
    let longest = gaps.max_by_key(|gap| gap[1].as_u64()).expect("a gap that is read through");
    bad.push(sector(longest[0].as_u64().unwrap() + longest[1].as_u64().unwrap() / 2, 3));
    // Beside the plan: nobody will ever know.
    let free = planned.missing_from(Extent::between(0, bytes.len() as u64));
    let free = free.iter().max_by_key(|extent| extent.bytes).expect("free space");
    bad.push(sector(free.start.0 + free.bytes / 2, 16));
    bad
}

/// Structure: a sector of a file record in the middle of `$MFT`, where the survey meets it.
fn bad_record() -> Extent {
    let answers = common::answers("ntfs-rich");
    let files = answers["files"].as_array().expect("files");
    let table = files.iter().find(|file| file["path"] == "/$MFT" && file["attribute"].is_null()).expect("$MFT");
    let runs = table["extents"].as_array().expect("extents");
    let run = runs.iter().max_by_key(|run| run[1].as_u64()).expect("a run");
    Extent::new(run[0].as_u64().unwrap() + run[1].as_u64().unwrap() / 2 / 1024 * 1024, 512).unwrap()
}

/// NIST's RM-08 (2004 draft, from memory): inaccessible sectors get a benign fill. Which one is the technician's choice,
/// once, and the journal tells it from data.
#[test]
fn unreadable_sectors_get_the_chosen_fill() {
    let bytes = fixture("fat16");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (healthy, trial) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&healthy, &bytes).expect("room");
    cases::survey_and_plan(&healthy, &trial, &[]);
    let file = inside_longest(&trial, "files");
    let bad = Extent::new(file.start.0 + 4096, 1024).unwrap();
    let drive = WitnessedDevice::with_unreadable(&bytes, &[bad]);
    let case = drive.file("case");
    ends_with(0, gleaner("survey", &case).arg(drive.path()));
    ends_with(0, &mut gleaner("plan", &case));
    copy(10, drive.path(), &case, &["--fill", "0xA7"]);
    let image = cases::image_bytes(&case, bytes.len());
    let (from, to) = (usize::try_from(bad.start.0).unwrap(), usize::try_from(bad.end()).unwrap());
    assert!(image[from..to].iter().all(|byte| *byte == 0xA7), "the fill is there");
    assert_eq!(image[from - 512..from], bytes[from - 512..from]);
    assert_eq!(image[to..to + 512], bytes[to..to + 512]);
    let ranges = check_claims(&case, &bytes);
    assert_eq!(extents(ranges.iter_unreadable()), set([bad]), "the fill is not taken for data");
    let complaint = cases::complains_with(8, gleaner("copy", &case).arg(drive.path()).args(["--fill", "0"]));
    assert!(complaint.contains("0xa7"), "{complaint}");
}

/// What failed and which kind of drive was chosen stay in the case: the second survey must not advise as if the drive were
/// sound, nor estimate as if nothing were known of it.
#[test]
fn the_second_survey_of_a_failing_drive_advises_like_the_first() {
    let bytes = fixture("ntfs-rich");
    let drive = WitnessedDevice::with_unreadable(&bytes, &[bad_record()]);
    let case = drive.file("case");
    let survey = |chosen: &[&str]| -> Value {
        let text = ends_with(0, gleaner("survey", &case).arg(drive.path()).arg("--json").args(chosen));
        serde_json::from_str(&text).expect("JSON")
    };
    let first = survey(&["--drive", "notebook-5400"]);
    assert_eq!(first["advice"]["action"], "allocated");
    assert!(first["trouble"]["failed_requests"].as_u64() > Some(0));
    let second = survey(&[]);
    assert_eq!(second["trouble"]["failed_requests"], 0, "nothing is asked again");
    assert_eq!(second["trouble"]["skipped_bytes"], 512);
    assert_eq!(second["advice"]["action"], "allocated");
    assert_eq!(
        (&second["costs"]["model"], &second["costs"]["rate_origin"]),
        (&first["costs"]["model"], &"chosen".into())
    );
    // The case alone says the same.
    let text = ends_with(0, gleaner("survey", &case).arg("--json"));
    let alone: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!((&alone["trouble"], &alone["advice"]["action"]), (&second["trouble"], &second["advice"]["action"]));

    // Read at last, or known as unreadable: neither makes it a drive that never failed.
    ends_with(0, &mut gleaner("plan", &case));
    copy(10, drive.path(), &case, &[]);
    let third = survey(&[]);
    assert_eq!((&third["trouble"]["skipped_bytes"], &third["trouble"]["unreadable_bytes"]), (&0.into(), &512.into()));
    assert_eq!(third["advice"]["action"], "allocated");
    // Another choice takes the place of the first.
    assert_ne!(survey(&["--drive", "sata-ssd"])["costs"]["model"], first["costs"]["model"]);
    assert_eq!(survey(&[])["costs"]["model"]["name"], survey(&["--drive", "sata-ssd"])["costs"]["model"]["name"]);
}

/// No file is damaged, but a planned sector is unreadable: the copy says so, and so does the audit.
#[test]
fn a_lost_copy_of_the_boot_sector_alone_is_not_passed_over_by_the_audit() {
    let bytes = fixture("ntfs-rich");
    let end = bytes.len() as u64;
    let drive = WitnessedDevice::with_unreadable(&bytes, &[Extent::between(end - 512, end)]);
    let case = drive.file("case");
    cases::survey_and_plan(drive.path(), &case, &[]);
    copy(10, drive.path(), &case, &[]);
    let told = cases::audit(10, &case);
    let summary: Value = serde_json::from_str(told.lines().last().expect("a summary")).expect("JSON");
    assert_eq!(summary["summary"]["totals"]["damaged"], 0);
    assert_eq!(summary["summary"]["unreadable_bytes"], 512);
}

#[test]
fn what_is_given_up_is_exactly_what_cannot_be_read() {
    let bytes = fixture("ntfs-rich");
    let mut bad = bad_places(&bytes);
    bad.push(bad_record());
    let injected = set(bad.iter().copied());
    let drive = WitnessedDevice::with_unreadable(&bytes, &bad);
    let case = drive.file("case");
    ends_with(0, gleaner("survey", &case).arg(drive.path()));
    ends_with(0, &mut gleaner("plan", &case));
    let own = drive.file("copy.csv");
    let outcome = copy(10, drive.path(), &case, &["--trace", own.to_str().unwrap()]);
    assert_eq!(outcome["end"]["why"], "complete");

    // Nothing is missing, nothing is invented, to the sector.
    let planned = planned(&case);
    let expected: ExtentSet = injected.extents().iter().flat_map(|extent| planned.intersection(*extent)).collect();
    assert!(expected.bytes() < injected.bytes() && expected.bytes() > 45 * 512, "the places are well chosen");
    let ranges = check_claims(&case, &bytes);
    assert_eq!(extents(ranges.iter_unreadable()), expected, "given up (left), made unreadable (right)");
    assert_eq!(ranges.skipped_bytes(), 0);
    let readable: ExtentSet = planned.extents().iter().flat_map(|extent| expected.missing_from(*extent)).collect();
    assert_eq!(extents(ranges.iter_copied()), readable, "copied (left), readable and planned (right)");
    check_image(&case, &bytes, &readable);
    regions_tell_the_cost(&outcome, &expected, &trace(&own));

    // What the audit calls damaged is what the reference parser says lies there.
    let text = cases::audit(10, &case);
    let damaged: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .filter(|file: &Value| file["state"] == "damaged")
        .collect();
    let told: Vec<(String, Option<String>)> = damaged.iter().map(name_of).collect();
    for owner in owners(&expected) {
        assert!(told.contains(&owner), "{owner:?} has lost bytes but is not called damaged");
    }
    for file in &damaged {
        assert!(owners(&expected).contains(&name_of(file)), "{file} is called damaged for nothing");
    }

    // A second run has nothing to do, and asks for nothing.
    let (seen, _) = drive.requests_during(|| copy(10, drive.path(), &case, &[]));
    assert_eq!(seen, []);
}

fn name_of(file: &Value) -> (String, Option<String>) {
    (file["path"].as_str().unwrap_or("").to_owned(), file["stream"].as_str().map(str::to_owned))
}

/// Live files and streams with content in `places`, by the reference parsers. Of a stream's last cluster and of what is
/// beyond its initialised size nothing counts that is not content.
fn owners(places: &ExtentSet) -> Vec<(String, Option<String>)> {
    let answers = common::answers("ntfs-rich");
    let files = answers["files"].as_array().expect("files").clone();
    let data = files.into_iter().filter(|file| {
        let is_content = file["attribute"].is_null() && file["kind"] == "file" && file["deleted"] == false;
        is_content && !file["path"].as_str().is_none_or(|path| path.starts_with("/$"))
    });
    let hit = data.filter(|file| {
        let is_plain = file["compressed"] == false && file["sparse"] == false;
        let mut left = if is_plain { file["valid_size"].as_u64().unwrap() } else { u64::MAX };
        file["extents"].as_array().expect("extents").iter().any(|run| {
            let (start, bytes) = (run[0].as_u64().unwrap(), run[1].as_u64().unwrap().min(left));
            left -= bytes;
            places.bytes_within(Extent::new(start, bytes).unwrap()) > 0
        })
    });
    hit.map(|file| name_of(&file)).collect()
}

/// Each region lists what its failed requests were: as many as the trace has of them there; none is left out.
fn regions_tell_the_cost(outcome: &Value, expected: &ExtentSet, trace: &[Traced]) {
    let regions = outcome["bad_regions"].as_array().expect("regions");
    let failed = trace.iter().filter(|request| request.failed).count() as u64;
    let number = |value: &Value| value.as_u64().expect("a number");
    let checks = |key: &str| number(&outcome["checks"][key]);
    assert_eq!(
        number(&outcome["failed_requests"]) + checks("failed_requests"),
        failed,
        "failed requests, as the trace has them"
    );
    assert_eq!(number(&outcome["requests"]) + checks("requests"), trace.len() as u64);
    assert_eq!(outcome["failed_requests_unlisted"], 0);
    assert_eq!(checks("failed_requests"), 0, "all sectors that are read once more can be read");
    assert_eq!(regions.iter().map(|region| number(&region["failed_requests"])).sum::<u64>(), failed);
    assert_eq!(regions.iter().map(|region| number(&region["unreadable_bytes"])).sum::<u64>(), expected.bytes());
    for region in regions {
        let extent: Extent = serde_json::from_value(region["extent"].clone()).expect("an extent");
        let here = trace.iter().filter(|request| request.failed && request.extent.intersection(&extent).is_some());
        let lost = expected.bytes_within(extent);
        let in_trace = here.count() as u64;
        assert_eq!(number(&region["failed_requests"]), in_trace, "{region}");
        assert_eq!(number(&region["unreadable_bytes"]), lost, "{region}");
        assert_eq!(number(&region["unreadable_sectors"]), lost / 512, "{region}");
        println!("{} sectors lost, {in_trace} failed requests: {extent:?}", lost / 512);
        // A region's first failure, a few more on the way down from 1 MiB, and every bad sector twice (`--retries 1`).
        assert!(in_trace <= 2 * lost / 512 + 8 * (1 + lost / 512), "{region}: too many failed requests");
    }
}

/// One slow place: what follows it is skipped, and read only when the sweep is over.
#[test]
fn a_slow_neighbourhood_is_skipped_and_retried() {
    let bytes = fixture("ntfs-rich");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (file, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&file, &bytes).expect("room");
    cases::survey_and_plan(&file, &case, &[]);
    let files = inside_longest(&case, "files");
    let place = Extent::new((files.start.0 + files.bytes / 4) / 4096 * 4096, 4096).unwrap();

    let behaviour = Behaviour { sluggish: vec![(place, 0.6)], ..Behaviour::default() };
    let drive = WitnessedDevice::behaving(&bytes, &behaviour);
    let case = drive.file("case");
    ends_with(0, gleaner("survey", &case).arg(drive.path()));
    ends_with(0, &mut gleaner("plan", &case));
    let own = drive.file("copy.csv");
    let arguments = ["--slow", "0.5", "--request", "64", "--trace", own.to_str().unwrap()];
    let outcome = copy(0, drive.path(), &case, &arguments);
    assert_eq!((&outcome["end"]["why"], &outcome["failed_requests"]), (&"complete".into(), &0.into()));
    assert_eq!(outcome["slow_requests"], 1);

    let asked: Vec<Extent> = trace(&own).into_iter().map(|request| request.extent).collect();
    let slow = asked.iter().position(|extent| extent.intersection(&place).is_some()).expect("it is read");
    // What lies right behind a slow read is skipped at first (docs/copying.md).
    let skipped = Extent::new(asked[slow].end(), 64 << 10).unwrap();
    let retried = asked.iter().position(|extent| extent.intersection(&skipped).is_some()).expect("retried");
    let behind = asked[slow + 1..retried].iter().filter(|extent| extent.start.0 >= skipped.end()).count();
    assert!(behind > 10, "only {behind} requests were made before the slow neighbourhood was retried");
    assert_eq!(merged(&asked).1 / 512, 1, "the sector by which the drive is checked at the end");
    check_image(&case, &bytes, &planned(&case));
}

/// A drive of which every read is slow is copied all the same, in another order.
#[test]
fn a_drive_that_is_slow_everywhere_is_copied_whole() {
    let bytes = fixture("drive-mbr-extended");
    let delay = Some(Duration::from_millis(20));
    let drive = WitnessedDevice::behaving(&bytes, &Behaviour { delay, ..Behaviour::default() });
    let case = drive.file("case");
    let (survey, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    ends_with(0, &mut gleaner("plan", &case));
    let (copied, outcome) = drive.requests_during(|| copy(0, drive.path(), &case, &["--slow", "0.01"]));
    assert_eq!((&outcome["end"]["why"], &outcome["failed_requests"]), (&"complete".into(), &0.into()));
    assert_eq!(outcome["slow_requests"], outcome["requests"], "each took more than 10 ms");
    let copied = without_checks(&survey, &copied, &outcome);
    let all: Vec<Extent> = survey.into_iter().chain(copied).collect();
    assert_eq!(merged(&all), (planned(&case), 0), "asked for over all (left), planned (right)");
    check_image(&case, &bytes, &planned(&case));
}
