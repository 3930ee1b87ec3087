//! Data flows one way: a module may use only those before it in this list, and within a room no two files use each other.

use std::collections::{BTreeMap, BTreeSet};
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
    place(&module_of(path, src))
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

/// The path of the module in a file: `store::journal::writer`.
fn module_of(path: &Path, src: &Path) -> String {
    let within = path.strip_prefix(src).unwrap().with_extension("");
    let parts: Vec<&str> = within.iter().map(|part| part.to_str().unwrap()).filter(|part| *part != "mod").collect();
    parts.join("::")
}

/// A file's code without comments and without its unit tests.
fn code_of(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]\nmod ").next().unwrap();
    code.lines().map(|line| line.split("//").next().unwrap()).collect::<Vec<_>>().join("\n")
}

/// The paths that begin with `before`, spelt out where braces give several: `a::{b, c::D}` is `a::b` and `a::c::D`.
fn spelt_out(before: &str, text: &str, found: &mut Vec<String>) -> usize {
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    let mut path = before.to_owned();
    let mut at = 0;
    loop {
        let name = text[at..].len() - text[at..].trim_start_matches(is_name).len();
        path.push_str(&text[at..at + name]);
        at += name;
        if !text[at..].starts_with("::") {
            found.push(path);
            return at;
        }
        path.push_str("::");
        at += 2;
        if text[at..].starts_with('{') {
            at += 1;
            while !text[at..].starts_with('}') {
                at += text[at..].len() - text[at..].trim_start_matches([' ', '\n', ',']).len();
                if !text[at..].starts_with('}') {
                    at += spelt_out(&path, &text[at..], found);
                    // Another name for it.
                    at += text[at..].find([',', '}']).unwrap();
                }
            }
            return at + 1;
        }
    }
}

/// What a module names of this crate, as paths from its root; `only_given_on` leaves out what it does not export again.
fn named_by(module: &str, code: &str, only_given_on: bool) -> Vec<String> {
    let mut found = Vec::new();
    for start in ["crate::", "super::", "self::", "use "] {
        for (at, _) in code.match_indices(start) {
            let is_inside = code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':');
            let line = code[code[..at].rfind('\n').map_or(0, |n| n + 1)..at].trim_start();
            let in_a_use = line.contains("use ");
            if is_inside || only_given_on && !(line.starts_with("pub") && (start == "use " || in_a_use)) {
                continue;
            }
            let begin = if start == "use " { at + start.len() } else { at };
            let mut paths = Vec::new();
            spelt_out("", &code[begin..], &mut paths);
            // After `use` alone: a module below this one.
            found.extend(paths.into_iter().filter_map(|path| {
                let mut from: Vec<&str> = module.split("::").collect();
                let mut rest = path.as_str();
                if let Some(behind) = rest.strip_prefix("crate::") {
                    (from, rest) = (Vec::new(), behind);
                }
                rest = rest.strip_prefix("self::").unwrap_or(rest);
                while let Some(behind) = rest.strip_prefix("super::") {
                    from.pop()?;
                    rest = behind;
                }
                from.push(rest);
                Some(from.join("::"))
            }));
        }
    }
    found
}

/// Each file with those whose names it uses; a folder's own file and the files below it count as one.
fn uses_between_files(src: &Path) -> BTreeMap<String, BTreeSet<String>> {
    let files = sources(src);
    let code: BTreeMap<String, String> = files.iter().map(|path| (module_of(path, src), code_of(path))).collect();
    let given_on: BTreeMap<&String, Vec<String>> =
        code.iter().map(|(module, code)| (module, named_by(module, code, true))).collect();
    let home = |path: &str| {
        let mut path = path.to_owned();
        // A name may be exported from folder to folder.
        for _ in 0..6 {
            let begins = |module: &&String| path == **module || path.starts_with(&format!("{module}::"));
            let module = code.keys().filter(begins).max_by_key(|module| module.len())?;
            let name = path[module.len()..].trim_start_matches("::").split("::").next().unwrap();
            let from =
                given_on[module].iter().find(|other| !name.is_empty() && other.rsplit("::").next() == Some(name));
            match from {
                Some(from) if *from != path => path.clone_from(from),
                _ => return Some(module.clone()),
            }
        }
        None
    };
    let is_below = |a: &str, b: &str| a == b || a.starts_with(&format!("{b}::"));
    let used = |module: &String, code: &String| {
        let homes = named_by(module, code, false).into_iter().filter_map(|path| home(&path));
        homes.filter(|other| !is_below(other, module) && !is_below(module, other)).collect()
    };
    let modules = code.iter().filter(|(module, _)| !["lib", "main"].contains(&module.as_str()));
    modules.map(|(module, code)| (module.clone(), used(module, code))).collect()
}

/// A way from a file back to itself.
fn circle(from: &str, uses: &BTreeMap<String, BTreeSet<String>>) -> Option<Vec<String>> {
    let mut ways = vec![vec![from.to_owned()]];
    let mut seen = BTreeSet::new();
    while let Some(way) = ways.pop() {
        for next in uses.get(way.last()?).into_iter().flatten() {
            if next == from {
                return Some(way);
            }
            if seen.insert(next.clone()) {
                ways.push([way.clone(), vec![next.clone()]].concat());
            }
        }
    }
    None
}

#[test]
fn files_do_not_use_each_other_in_a_circle() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let uses = uses_between_files(&src);
    let count: usize = uses.values().map(BTreeSet::len).sum();
    assert!(count > 1000, "only {count} uses found: this test no longer sees the code");
    // Through the names that a folder exports, and through braces.
    for (from, to) in
        [("copy::follow_plan::parts", "copy::reading::told::outcome"), ("plan::making::sweep", "base::extent")]
    {
        assert!(uses[from].contains(to), "{from}: {:?}", uses[from]);
    }
    let circles: BTreeSet<String> =
        uses.keys().filter_map(|from| circle(from, &uses)).map(|way| way.join(" -> ")).collect();
    assert!(circles.is_empty(), "{circles:#?}");
}

/// What waits for a person, the destination or the system, and not for the drive.
const ON_THE_MACHINES_TIME: [&str; 9] = [
    "case/store/journal_file.rs",
    "case/store/commit_rule.rs",
    "case/store/mod.rs",
    "source/host/mod.rs",
    "copy/session/wait.rs",
    "source/open/mod.rs",
    "source/temperature/command.rs",
    "results/verify/duration.rs",
    "copy/follow_plan/wanted_counts.rs",
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
