//! Containers that macOS made: the test data in the source package of dissect.apfs, which `scripts/setup` unpacks beside the reference
//! parsers. Only answers about them are in this repository.

use crate::common;
use crate::survey::survey_of;
use crate::{assert_as_answered, bytes_of, map_of, missing, pairs, told};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Severity;
use gleaner::filesystem::{Content, read_content};
use gleaner::source::{Reader, Window, open};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// File, and what is said of it beside notes.
///
/// An early and the final version of the format, both kinds of names, encrypted volumes, a container with thousands of transactions
/// and snapshots that is 82 % full, and two that were converted from HFS+, so that the container's areas lie behind the files.
const SAMPLES: [(&str, &[&str]); 8] = [
    ("case_insensitive_beta", &[]),
    ("case_insensitive", &[]),
    ("case_sensitive_beta", &[]),
    ("case_sensitive", &[]),
    ("encrypted", &["volume-encrypted-inside"]),
    ("snapshot", &[]),
    ("jhfs_converted", &[]),
    ("jhfs_encrypted", &["volume-encrypted-inside"]),
];

/// Its newest checkpoint's object map is damaged, and so is a superblock of four.
const DAMAGED: &str = "corrupt";

/// The folder with the samples; without one, says so in a line that is always seen.
fn folder() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(".venv/apfs-samples");
    if folder.is_dir() {
        return Some(folder);
    }
    let line = format!("containers of macOS: not run, there is no folder {}: scripts/setup\n", folder.display());
    std::io::stderr().write_all(line.as_bytes()).expect("standard error");
    None
}

/// Unpacks a sample with holes for zeros.
fn unpacked(folder: &Path, name: &str, into: &Path) -> PathBuf {
    let image = into.join(name);
    let packed = folder.join(format!("{name}.bin.gz"));
    let pipe = "set -o pipefail; gzip -dc \"$1\" | dd of=\"$2\" bs=64k conv=sparse status=none";
    let done = Command::new("bash").args(["-c", pipe, "unpack"]).arg(packed).arg(&image).status();
    assert!(done.expect("bash").success(), "{name}");
    image
}

/// Some images lack the last sector of the container: adds it.
fn completed(image: &Path) {
    let file = std::fs::OpenOptions::new().write(true).open(image).unwrap();
    file.set_len(file.metadata().unwrap().len().next_multiple_of(4096)).unwrap();
}

fn answers(name: &str) -> serde_json::Value {
    common::answers(&format!("sample-apfs-{}", name.replace('_', "-")))
}

#[test]
fn used_blocks_of_containers_of_macos_are_those_of_the_reference_parsers() {
    let Some(folder) = folder() else { return };
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    for (name, expected) in SAMPLES {
        let image = unpacked(&folder, name, temporary.path());
        completed(&image);
        let survey = survey_of(open(&image, None).unwrap());
        assert_as_answered(name, &survey, &answers(name));
        let said: Vec<&str> = told(&survey, Severity::Caution).iter().map(|finding| finding.0).collect();
        assert_eq!(said, expected, "{name}");
    }
}

/// A container longer than its place: the rest of it is known all the same.
#[test]
fn a_container_whose_end_is_missing_keeps_its_map() {
    let Some(folder) = folder() else { return };
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let image = unpacked(&folder, "jhfs_converted", temporary.path());
    let reader = Reader::new(open(&image, None).unwrap(), None);
    let drive = reader.identity().extent();
    assert_eq!(drive.bytes % 4096, 3584, "it lacks a sector");
    let content = read_content(&Window::new(&reader, drive)).unwrap();
    let Content::Mapped(map) = content else { panic!("{content:?}") };
    let used: Vec<(u64, u64)> = map.used.runs().iter().map(|run| (run.first.0, run.count)).collect();
    common::assert_same(&used, &pairs(&answers("jhfs_converted")["allocated"]), "jhfs_converted");
    assert_eq!(common::codes(&map.findings), ["volume-header-damaged", "volume-read-by-map"]);
}

/// Where the newest checkpoint's object map is damaged, another reader goes back to an older one. What either of them has in use is
/// planned.
#[test]
fn a_damaged_newest_checkpoint_adds_the_one_before() {
    let Some(folder) = folder() else { return };
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let survey = survey_of(open(&unpacked(&folder, DAMAGED, temporary.path()), None).unwrap());
    let map = map_of(&survey).expect("a map");
    assert!(map.unknown.is_empty());
    let answers = answers(DAMAGED);
    let drive = Extent::between(0, survey.drive.identity.bytes);
    let wanted = |key: &str| -> ExtentSet { bytes_of(&pairs(&answers[key]), 4096, drive) };
    assert_eq!(missing(&wanted("allocated"), &survey.planned), []);
    assert_eq!(missing(&wanted("reached"), &survey.planned), []);
    assert!(map.free().count() > 700, "{} blocks are free", map.free().count());
    let codes: Vec<&str> = told(&survey, Severity::Caution).iter().map(|finding| finding.0).collect();
    assert_eq!(codes, ["map-of-older-checkpoint"]);
}
