//! Used space of APFS containers, held against independent readers: `scripts/reference/apfs_answers.py` (dissect.apfs, libfsapfs).

#[path = "../support/common/mod.rs"]
mod common;
#[path = "../damage/harm.rs"]
mod harm;
#[allow(dead_code, reason = "tests/damage takes whole images")]
#[path = "../damage/overlay.rs"]
mod overlay;
#[allow(dead_code, reason = "tests/damage looks at more")]
#[path = "../damage/survey.rs"]
mod survey;

mod built;
mod damaged;
mod fixture;
mod formatted;
mod samples;
mod shapes;

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Severity;
use gleaner::filesystem::{Content, SpaceMap};
use serde_json::Value;
use std::path::Path;
use std::process::Command;
use survey::Survey;

/// The one container of a drive.
fn map_of(survey: &Survey) -> Option<&SpaceMap> {
    survey.drive.areas.iter().find_map(|area| match &area.content {
        Some(Content::Mapped(map)) => Some(map.as_ref()),
        _ => None,
    })
}

fn told(survey: &Survey, least: Severity) -> Vec<(&'static str, String)> {
    let all = survey.drive.all_findings();
    let told = all.kept().iter().filter(|finding| finding.code.severity >= least);
    told.map(|finding| (finding.code.id, finding.sentence.clone())).collect()
}

fn pairs(value: &Value) -> Vec<(u64, u64)> {
    let pair = |pair: &Value| (pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap());
    value.as_array().expect("a list").iter().map(pair).collect()
}

/// The bytes of runs of blocks, cut to the drive.
fn bytes_of(runs: &[(u64, u64)], block: u64, drive: Extent) -> ExtentSet {
    let extent = |run: &(u64, u64)| Extent::between(run.0 * block, (run.0 + run.1) * block).intersection(&drive);
    runs.iter().filter_map(extent).collect()
}

/// What the reference parsers say of an image.
fn answers_of(image: &Path) -> Value {
    let bytes = std::fs::metadata(image).expect("an image").len();
    serde_json::from_str(&answers_of_volume(image, 0, bytes)).expect("JSON")
}

/// As [`answers_of`], of a part of it and as text.
fn answers_of_volume(image: &Path, start: u64, bytes: u64) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = folder.join(".venv/bin/python");
    let script = folder.join("scripts/reference/apfs_answers.py");
    let place = ["--offset".to_owned(), start.to_string(), "--size".to_owned(), bytes.to_string()];
    let output = Command::new(&python).arg("-B").arg(script).args(place).arg(image).output();
    let output = output.unwrap_or_else(|error| panic!("{}: {error}; scripts/setup makes it", python.display()));
    assert!(output.status.success(), "{}: {}", image.display(), String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The first 68 KiB, which every volume is recognised by, and the drive's last sector.
const ALWAYS_READ: u64 = (68 << 10) + 512;

/// Holds a survey of a healthy container that is all of a drive against the reference parsers' answers: the same blocks in use, just
/// these planned when gaps are not read through, and little more read than is needed to tell it.
fn assert_as_answered(name: &str, survey: &Survey, answers: &Value) {
    let map = map_of(survey).unwrap_or_else(|| panic!("{name}: no map: {:#?}", told(survey, Severity::Note)));
    let drive = survey.drive.identity.extent();
    let block = answers["cluster_bytes"].as_u64().unwrap();
    let blocks = answers["cluster_count"].as_u64().unwrap();
    assert_eq!((map.geometry.cluster_bytes, map.geometry.cluster_count), (block, blocks), "{name}");
    let allocated = pairs(&answers["allocated"]);
    let used: Vec<(u64, u64)> = map.used.runs().iter().map(|run| (run.first.0, run.count)).collect();
    common::assert_same(&used, &allocated, name);
    assert!(map.unknown.is_empty(), "{name}: {:?}", map.unknown);
    assert_eq!(map.free().count(), answers["free"].as_u64().unwrap(), "{name}");
    assert_planned(name, survey, &bytes_of(&allocated, block, drive), blocks * block);
    let reached = bytes_of(&pairs(&answers["reached"]), block, drive);
    assert_eq!(missing(&reached, &survey.planned), [], "{name}: read by another reader, and not planned");
    let needed = needed_blocks(answers) * block;
    assert!(survey.asked.bytes() * 2 <= needed * 3 + ALWAYS_READ * 2, "{name}: {} for {needed}", survey.asked.bytes());
    assert_eq!((survey.totals.repeated_bytes, survey.totals.failed_requests), (0, 0), "{name}");
    // A later plan reads no more for having been surveyed, but for what tells a volume's kind and the search for a table at the end.
    let (head, end) = (Extent::between(0, 68 << 10), Extent::between(drive.bytes - 4096, drive.bytes));
    let elsewhere = |extent: &Extent| !head.contains(extent) && !end.contains(extent);
    let more: Vec<Extent> = missing(&survey.asked, &survey.planned).into_iter().filter(elsewhere).collect();
    assert_eq!(more, [], "{name}: read, and not planned");
    println!(
        "{name}: {} of {blocks} blocks used, {} bytes read, {needed} needed",
        map.used.count(),
        survey.asked.bytes()
    );
}

/// How many blocks tell what is in use: block zero, the descriptor area, the object map, the space manager, chunk information, bitmaps.
fn needed_blocks(answers: &Value) -> u64 {
    let lists = ["space_manager", "chunk_information", "bitmaps"];
    let listed: usize = lists.iter().map(|key| answers[*key].as_array().expect("a list").len()).sum();
    2 + answers["descriptors"][1].as_u64().unwrap() + listed as u64
}

/// What of `wanted` is not in `there`.
fn missing(wanted: &ExtentSet, there: &ExtentSet) -> Vec<Extent> {
    wanted.extents().iter().flat_map(|extent| there.missing_from(*extent)).collect()
}

/// Of the container, its first `bytes` bytes, the plan takes just what is in use, and the drive's last sector.
fn assert_planned(name: &str, survey: &Survey, in_use: &ExtentSet, bytes: u64) {
    assert_eq!(missing(in_use, &survey.planned), [], "{name}: in use, and not planned");
    let identity = &survey.drive.identity;
    let always: ExtentSet = identity.last_sector().into_iter().chain(in_use.extents().iter().copied()).collect();
    let container: ExtentSet = identity.extent().intersection(&Extent::between(0, bytes)).into_iter().collect();
    let planned: ExtentSet =
        container.extents().iter().flat_map(|extent| survey.planned.intersection(*extent)).collect();
    assert_eq!(missing(&planned, &always), [], "{name}: planned, and not in use");
}
