//! Data flows one way: a module may use only those before it in this list.

use std::fs;
use std::path::{Path, PathBuf};

const ORDER: [&str; 45] = [
    "base::text",
    "base::units",
    "base::extent",
    "base::fields",
    "base::finding",
    "base::human",
    "base::clock",
    "base::ending",
    "base::chance",
    "base::regular_file",
    "base::new_file",
    "source",
    "source::host",
    "drive::model",
    "drive::sick",
    "drive::heads",
    "store::durable_file",
    "store::image",
    "store::journal",
    "case",
    "partition::signature",
    "partition",
    "filesystem",
    "survey::allocation",
    "survey::coherence",
    "plan",
    "plan::export",
    "simulate",
    "results::audit",
    "results::content",
    "results::verify",
    "results::take",
    "results::hand_over",
    "copy::session",
    "copy::mend",
    "copy::pace",
    "copy::reading",
    "copy::history",
    "copy::follow_plan",
    "report::picture",
    "report::values",
    "report::document",
    "report::watch",
    "demo",
    "cli",
];

/// The place in [`ORDER`] of a path such as `store::journal::writer`: that of the longest entry it begins with.
fn place(path: &str) -> Option<usize> {
    let begins =
        |entry: &&&str| path == **entry || path.strip_prefix(**entry).is_some_and(|rest| rest.starts_with("::"));
    let longest = ORDER.iter().filter(begins).max_by_key(|entry| entry.len())?;
    ORDER.iter().position(|entry| entry == longest)
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn layer_of(path: &Path, src: &Path) -> Option<usize> {
    let within = path.strip_prefix(src).unwrap().with_extension("");
    let parts: Vec<&str> = within.iter().map(|part| part.to_str().unwrap()).filter(|part| *part != "mod").collect();
    place(&parts.join("::"))
}

#[test]
fn no_module_uses_one_above_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut wrong = Vec::new();
    let mut uses = 0;
    for path in sources(&src) {
        let Some(own) = layer_of(&path, &src) else {
            let name = path.file_name().unwrap().to_str().unwrap();
            let is_room = name == "mod.rs" && path.parent().unwrap().parent() == Some(src.as_path());
            assert!(is_room || ["lib.rs", "main.rs"].contains(&name), "{}: add it to the list", path.display());
            continue;
        };
        let text = fs::read_to_string(&path).unwrap();
        for (number, line) in text.lines().enumerate() {
            for (at, _) in line.match_indices("crate::") {
                let is_path = |c: &char| c.is_alphanumeric() || *c == '_' || *c == ':';
                let name: String = line[at + 7..].chars().take_while(is_path).collect();
                let Some(used) = place(&name) else { continue };
                uses += 1;
                if used > own {
                    wrong.push(format!("{}:{}: {} uses {name}", path.display(), number + 1, ORDER[own]));
                }
            }
        }
    }
    assert!(uses > 50, "only {uses} uses found: this test no longer sees the code");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What waits for a person, the destination or the system, and not for the drive.
const ON_THE_MACHINES_TIME: [&str; 8] = [
    "case/store/journal_file.rs",
    "case/store/commit_rule.rs",
    "case/store/mod.rs",
    "source/host/mod.rs",
    "copy/session/wait.rs",
    "source/open/mod.rs",
    "source/temperature/command.rs",
    "results/verify/duration.rs",
];

/// A drive in a simulation has its own clock, so only what shows a person something may look at the machine's.
#[test]
fn what_reads_a_drive_is_timed_by_its_clock() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let shows = ["base::clock", "report::watch", "cli"].map(place);
    let timed = |text: &str| ["Instant", "thread::sleep", "recv_timeout("].iter().any(|word| text.contains(word));
    let waits = |path: &PathBuf| ON_THE_MACHINES_TIME.iter().any(|name| *path == src.join(name));
    let other = |path: &PathBuf| {
        !waits(path) && !shows.contains(&layer_of(path, &src)) && timed(&fs::read_to_string(path).unwrap())
    };
    let wrong: Vec<PathBuf> = sources(&src).into_iter().filter(other).collect();
    assert!(wrong.is_empty(), "use the clock of the source (gleaner::base::clock) here: {wrong:?}");
    assert!(timed(&fs::read_to_string(src.join("base/clock.rs")).unwrap()), "this test no longer sees the code");
}

#[test]
fn files_stay_small_enough_to_read() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for path in sources(&src) {
        let lines = fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 700, "{} has {lines} lines: a file an idea", path.display());
    }
}

#[test]
fn folders_stay_small_enough_to_survey() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let files = sources(&src);
    // Each command is a file.
    for folder in files.iter().filter_map(|file| file.parent()).filter(|folder| !folder.ends_with("cli/commands")) {
        let count = files.iter().filter(|file| file.parent() == Some(folder)).count();
        assert!(count <= 12, "{} has {count} files: a folder an idea", folder.display());
    }
}
