//! Data flows one way: a module may use only those before it in this list.

use std::fs;
use std::path::{Path, PathBuf};

const ORDER: [&str; 44] = [
    "text",
    "units",
    "extent",
    "fields",
    "finding",
    "human",
    "picture",
    "clock",
    "chance",
    "regular_file",
    "model",
    "new_file",
    "storage",
    "source",
    "sick",
    "heads",
    "host",
    "image",
    "journal",
    "case",
    "signs",
    "partition",
    "fs",
    "allocation",
    "coherence",
    "plan",
    "simulate",
    "session",
    "mend",
    "pace",
    "audit",
    "copy",
    "history",
    "content",
    "verify",
    "take",
    "hand_over",
    "export",
    "report",
    "dossier",
    "watch",
    "case_copy",
    "demo",
    "cli",
];

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
    let first = path.strip_prefix(src).unwrap().components().next().unwrap();
    let name = Path::new(first.as_os_str()).file_stem().unwrap().to_str().unwrap();
    ORDER.iter().position(|layer| *layer == name)
}

#[test]
fn no_module_uses_one_above_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut wrong = Vec::new();
    let mut uses = 0;
    for path in sources(&src) {
        let Some(own) = layer_of(&path, &src) else {
            let name = path.file_name().unwrap().to_str().unwrap();
            assert!(["lib.rs", "main.rs"].contains(&name), "{} is in no layer: add it to the list", path.display());
            continue;
        };
        let text = fs::read_to_string(&path).unwrap();
        for (number, line) in text.lines().enumerate() {
            for (at, _) in line.match_indices("crate::") {
                let name: String = line[at + 7..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                let Some(used) = ORDER.iter().position(|layer| *layer == name) else { continue };
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
const ON_THE_MACHINES_TIME: [&str; 7] = [
    "case/journal_file.rs",
    "case/store.rs",
    "host/mod.rs",
    "session/wait.rs",
    "source/open.rs",
    "source/temperature/command.rs",
    "verify/duration.rs",
];

/// A drive in a simulation has its own clock, so only what shows a person something may look at the machine's.
#[test]
fn what_reads_a_drive_is_timed_by_its_clock() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let shows = ["clock", "watch", "cli"].map(|layer| ORDER.iter().position(|other| *other == layer));
    let timed = |text: &str| ["Instant", "thread::sleep", "recv_timeout("].iter().any(|word| text.contains(word));
    let waits = |path: &PathBuf| ON_THE_MACHINES_TIME.iter().any(|name| *path == src.join(name));
    let other = |path: &PathBuf| {
        !waits(path) && !shows.contains(&layer_of(path, &src)) && timed(&fs::read_to_string(path).unwrap())
    };
    let wrong: Vec<PathBuf> = sources(&src).into_iter().filter(other).collect();
    assert!(wrong.is_empty(), "use the clock of the source (gleaner::clock) here: {wrong:?}");
    assert!(timed(&fs::read_to_string(src.join("clock.rs")).unwrap()), "this test no longer sees the code");
}

#[test]
fn files_stay_small_enough_to_read() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for path in sources(&src) {
        let lines = fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 700, "{} has {lines} lines: a file an idea", path.display());
    }
}
