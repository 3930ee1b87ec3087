//! What becomes of such a volume: the words of plan and audit, and a copy that the file system's own driver opens.

use super::common;
use std::fs;
use std::path::Path;
use std::process::Command;

fn gleaner(at: &Path, words: &[&str]) -> (i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_gleaner")).args(words).current_dir(at).output().unwrap();
    let text = [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    // Lines of text are wrapped.
    (output.status.code().unwrap(), text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// A drive with an MBR: NTFS, then ext4 from sector 100,000 on.
fn drive() -> Vec<u8> {
    let (ntfs, ext) = (common::fixture("ntfs-cluster-1k"), common::fixture("ext4-used"));
    let starts = [2048u32, 100_000];
    let mut bytes = vec![0; 100_000 * 512 + ext.len()];
    for (number, (start, content, kind)) in [(starts[0], &ntfs, 7), (starts[1], &ext, 0x83)].into_iter().enumerate() {
        let at = usize::try_from(start).unwrap() * 512;
        bytes[at..at + content.len()].copy_from_slice(content);
        let entry = 446 + 16 * number;
        bytes[entry + 4] = kind;
        bytes[entry + 8..entry + 12].copy_from_slice(&start.to_le_bytes());
        bytes[entry + 12..entry + 16].copy_from_slice(&u32::try_from(content.len() / 512).unwrap().to_le_bytes());
    }
    bytes[510..512].copy_from_slice(&[0x55, 0xAA]);
    bytes
}

#[test]
fn a_plan_says_where_no_folder_can_be_chosen() {
    let at = tempfile::tempdir().unwrap();
    fs::write(at.path().join("drive.img"), drive()).unwrap();
    let (code, text) = gleaner(at.path(), &["plan", "drive.img", "--want", "/*", "--output", "plan.jsonl"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("Volume 2 (ext4): its files are not read one by one, no pattern chooses there."), "{text}");
    let (_, text) = gleaner(at.path(), &["plan", "drive.img", "--output", "other.jsonl"]);
    assert!(!text.contains("no pattern chooses there"), "{text}");
    let (_, text) = gleaner(at.path(), &["survey", "drive.img", "--full"]);
    assert!(
        text.contains("34,816 blocks of 1 KiB · used by its allocation map: 16.6 MB (46 %) · free: 19.1 MB (54 %)"),
        "{text}"
    );
    assert!(text.contains("its files are not read one by one: no folders can be chosen there"), "{text}");
    // Where nothing else is there, a pattern is refused as one that matches nothing.
    fs::write(at.path().join("volume.img"), common::fixture("ext4-used")).unwrap();
    let (code, text) = gleaner(at.path(), &["plan", "volume.img", "--want", "/room 1", "--output", "third.jsonl"]);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("No volume of this drive is read file by file"), "{text}");
}

#[test]
fn the_json_of_a_survey_has_the_figures_of_dumpe2fs() {
    let at = tempfile::tempdir().unwrap();
    fs::write(at.path().join("volume.img"), common::fixture("ext4-used")).unwrap();
    let (_, text) = gleaner(at.path(), &["survey", "volume.img", "--json"]);
    let report: serde_json::Value = serde_json::from_str(&text).unwrap();
    let answers = common::answers("ext4-used");
    let used: u64 = answers["allocated"].as_array().unwrap().iter().map(|run| run[1].as_u64().unwrap()).sum();
    let space = &report["areas"][0]["space"];
    assert_eq!(
        (space["used"]["clusters"].as_u64(), &space["total"]["clusters"]),
        (Some(used), &answers["cluster_count"])
    );
    assert_eq!((&space["unknown"]["clusters"], &space["outside_bytes"]), (&0.into(), &0.into()));
    assert_eq!(report["advice"]["action"], "allocated");
    assert_eq!(report["coherence"]["verdict"], "sound");
}

/// The copy of what is in use is a sound file system: `e2fsck` finds nothing, and every file is there.
#[test]
fn a_copy_of_what_is_in_use_is_a_sound_volume() {
    let at = tempfile::tempdir().unwrap();
    fs::write(at.path().join("volume.img"), common::fixture("ext4-used")).unwrap();
    assert_eq!(gleaner(at.path(), &["plan", "volume.img", "--case", "case", "--bridge", "0"]).0, 0);
    let (_, text) = gleaner(at.path(), &["audit", "--case", "case"]);
    assert!(text.contains("ext4 at byte 0: its files are not read one by one. Of 16.6 MB in use, "), "{text}");
    assert!(!text.contains("16.6 MB are safe"), "{text}");
    assert_eq!(gleaner(at.path(), &["copy", "--case", "case", "volume.img"]).0, 0);
    let (_, text) = gleaner(at.path(), &["audit", "--case", "case"]);
    assert!(text.contains("Of 16.6 MB in use, 16.6 MB are safe and 0 B unreadable."), "{text}");
    let (code, text) = gleaner(at.path(), &["hand-over", "--case", "case", "--as", "raw", "--to", "out.img"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("16.6 MB are safe") && !text.contains("all files are complete"), "{text}");
    let run = |program: &str, words: &[&str]| {
        let output = Command::new(program).args(words).current_dir(at.path()).output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    assert_eq!(run("/usr/sbin/e2fsck", &["-fn", "out.img"]).0, Some(0));
    let dump = |image: &str| run("/usr/sbin/debugfs", &["-R", "cat \"/room 3/letter 10\"", image]).1;
    assert_eq!(dump("out.img"), dump("volume.img"));
    assert_eq!(dump("out.img").len(), (10 * 7919 % 61 + 1) * 1500);
}
