//! The demo as a new user runs it, and what it says at its end counted once more: byte by byte, from the images that it leaves.

use gleaner::demo::{compare, failing_drive, read_front_to_back};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

const MIB: usize = 1 << 20;

fn gleaner(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gleaner")).args(arguments).current_dir(folder).output().unwrap()
}

/// A file's places on the drive, its own record among them.
type Places = Vec<(usize, usize)>;

/// Every file of the client by volume and path, from the file list of the whole drive.
fn files(list: &str) -> BTreeMap<(u64, String), Places> {
    let lines: Vec<Value> = list.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let number = |value: &Value| usize::try_from(value.as_u64().unwrap()).unwrap();
    let places = |line: &Value| -> Places {
        line["extents"].as_array().unwrap().iter().map(|place| (number(&place[0]), number(&place[1]))).collect()
    };
    let table = lines.iter().find(|line| line["path"] == "/$MFT" && line.get("attribute").is_none()).unwrap();
    // File records have 1024 bytes (the volume's boot sector, byte 64: 0xF6 is 2^10).
    let record = |record: usize| {
        let mut at = record * 1024;
        for (start, bytes) in places(table) {
            if at < bytes {
                return (start + at, 1024);
            }
            at -= bytes;
        }
        panic!("record {record} lies behind the table's end")
    };
    let mut files: BTreeMap<(u64, String), Places> = BTreeMap::new();
    for line in &lines {
        let path = line["path"].as_str().unwrap();
        // Records 12 to 15 are reserved and have no name.
        let is_clients =
            (!path.starts_with("/$") || path.starts_with("/$Recycle.Bin/")) && !path.starts_with("/<orphans>");
        if line["kind"] != "file" || line["deleted"] == true || line.get("attribute").is_some() || !is_clients {
            continue;
        }
        let file = files.entry((line["volume"].as_u64().unwrap(), path.to_owned())).or_default();
        file.extend(line.get("record").map(|found| record(number(found))));
        file.extend(places(line));
    }
    files
}

/// Files whose bytes an image has as the drive has them: those in the wanted folder, and all.
fn safe(files: &BTreeMap<(u64, String), Places>, drive: &[u8], image: &Path) -> [u64; 2] {
    let image = fs::read(image).unwrap();
    let mut counts = [0; 2];
    for ((_, path), places) in files {
        if places.iter().all(|(start, bytes)| image[*start..start + bytes] == drive[*start..start + bytes]) {
            counts[0] += u64::from(path.starts_with("/Surveys/"));
            counts[1] += 1;
        }
    }
    counts
}

#[test]
fn the_demo_ends_with_a_report_and_a_comparison_that_the_images_bear_out() {
    let folder = tempfile::tempdir().unwrap();
    let output = gleaner(folder.path(), &["demo"]);
    let shown = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{shown}{}", String::from_utf8_lossy(&output.stderr));
    for command in ["survey", "plan", "copy", "audit", "report"] {
        assert!(shown.contains(&format!("\n$ gleaner {command} ")), "{command} is missing in:\n{shown}");
    }
    assert!(shown.contains("The drive is gone"), "{shown}");
    let report = shown.lines().last().unwrap().strip_prefix("report ").unwrap().trim();
    assert!(fs::read_to_string(folder.path().join(report)).unwrap().contains("</html>"));

    // The list is of the whole drive, without its faults.
    let demo = folder.path().join("gleaner-demo");
    let list = gleaner(&demo, &["files", "demo-drive.img"]);
    let files = files(&String::from_utf8(list.stdout).unwrap());
    let drive = fs::read(demo.join("demo-drive.img")).unwrap();
    let planned = safe(&files, &drive, &demo.join("case/image.raw"));
    let front_to_back = safe(&files, &drive, &demo.join("front-to-back/image.raw"));
    let all = files.len() as u64;
    let wanted = files.keys().filter(|(_, path)| path.starts_with("/Surveys/")).count() as u64;
    assert!(planned[0] > front_to_back[0] && planned[1] > front_to_back[1], "{planned:?} {front_to_back:?}");
    assert!(planned[0] < wanted, "the copy met no failure in a wanted file");

    // The reader without a plan passed the first damaged place, read on behind it, and has nothing of it.
    let image = fs::read(demo.join("front-to-back/image.raw")).unwrap();
    let (damaged, behind) = (2 * MIB..9 * MIB, 9 * MIB..12 * MIB);
    assert!(image[..damaged.start] == drive[..damaged.start] && image[behind.clone()] == drive[behind]);
    assert!(image[damaged].iter().all(|byte| *byte == 0));

    // The same to the figure, in a second run.
    let json = gleaner(folder.path(), &["demo", "--json", "--keep", "again"]);
    let json = String::from_utf8(json.stdout).unwrap();
    let last = &json[json.rfind("\n{\n").unwrap()..];
    let counted = &serde_json::from_str::<Value>(last).unwrap()["safe_when_the_drive_died"];
    let figures = |of: &str| ["wanted", "all"].map(|which| counted[of][which].as_u64().unwrap());
    assert_eq!(figures("files"), [wanted, all]);
    assert_eq!(figures("planned"), planned);
    assert_eq!(figures("front_to_back"), front_to_back);
    let plain = shown.replace(',', "");
    let line = format!(
        "{} of {wanted} wanted files {} of {all} files in all; front to back {} and {}",
        planned[0], planned[1], front_to_back[0], front_to_back[1]
    );
    assert!(plain.contains(&line), "`{line}` is missing in:\n{shown}");

    // A reader that leaves out less around each failure is no better.
    let failing = failing_drive(&demo.join("demo-drive.img")).unwrap();
    let small = folder.path().join("small");
    read_front_to_back(&failing, &small, 64 << 10).unwrap();
    let counted = compare(&demo.join("demo-drive.img"), &demo.join("case"), &small).unwrap();
    assert!(counted.front_to_back.wanted < planned[0] && counted.front_to_back.all < planned[1], "{counted:?}");
}

#[test]
fn an_existing_folder_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("gleaner-demo")).unwrap();
    let output = gleaner(folder.path(), &["demo"]);
    assert_eq!(output.status.code(), Some(5));
    assert!(String::from_utf8(output.stderr).unwrap().contains("--keep"));
    assert_eq!(fs::read_dir(folder.path().join("gleaner-demo")).unwrap().count(), 0);
}

#[test]
fn the_readme_opens_with_two_commands() {
    let read = |name: &str| fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(name)).unwrap();
    let readme = read("README.md");
    let (before, rest) = readme.split_once("```").unwrap();
    assert!(before.lines().count() <= 4, "the commands stand at the top");
    let block: Vec<&str> = rest.split("```").next().unwrap().lines().skip(1).collect();
    assert_eq!(block, ["cargo run --release -- demo", "scripts/test"]);
    let manifest = read("Cargo.toml");
    let version = manifest.lines().find_map(|line| line.strip_prefix("rust-version = ")).unwrap().trim_matches('"');
    assert!(readme.contains(&format!("Rust {version} or later")));
}
