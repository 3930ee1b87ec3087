//! The program itself: beside a real copy, and alone.

use crate::cases::{copy, ends_with, gleaner, survey_and_plan};
use crate::watch::{get, place, state_of, until};
use gleaner::base::human;
use gleaner::demo::make_drive;
use rustix::process::{Pid, Signal, kill_process};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

fn start(case: &Path) -> (Child, BufReader<ChildStdout>, u16, String) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    program.args(["watch", "--json", "--case"]).arg(case).stdout(Stdio::piped());
    let mut child = program.spawn().unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    out.read_line(&mut line).unwrap();
    let line: serde_json::Value = serde_json::from_str(&line).unwrap();
    let (port, token) = place(line["address"].as_str().unwrap());
    (child, out, port, token)
}

fn rest(mut out: BufReader<ChildStdout>) -> serde_json::Value {
    let mut text = String::new();
    out.read_to_string(&mut text).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// Names, times and contents of a folder's files.
fn everything(folder: &Path) -> BTreeMap<std::path::PathBuf, (SystemTime, Vec<u8>)> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let content = |path: &Path| {
        let big = path.metadata().unwrap().len() > 1 << 24;
        if big { Vec::new() } else { std::fs::read(path).unwrap() }
    };
    entries.map(|path| (path.clone(), (path.metadata().unwrap().modified().unwrap(), content(&path)))).collect()
}

#[test]
fn a_real_copy_is_shown_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    make_drive(&drive).unwrap();
    survey_and_plan(&drive, &case, &[]);
    let before = everything(&case);
    let (mut child, out, port, token) = start(&case);
    until(port, &token, "state", "No copy is running");
    assert_eq!(get(port, &format!("/{token}/")).status, 200);
    std::thread::sleep(Duration::from_millis(1500));
    assert_eq!(everything(&case), before, "watching changes nothing");
    let outcome = copy(0, &drive, &case, &[]);
    let last = until(port, &token, "state", "<strong>Complete: all ");
    let classes = outcome["classes"].as_array().unwrap();
    let planned: u64 = classes.iter().map(|class| class["planned_bytes"].as_u64().unwrap()).sum();
    let safe = format!("<strong>100 %</strong> safe: {0} of {0}", human::bytes(planned));
    assert!(last["parts"]["figures"].as_str().unwrap().contains(&safe), "{safe}: {last}");
    assert_eq!(state_of(port, &token)["over"], true);
    let ended = rest(out);
    assert_eq!(
        (&ended["ended"], &ended["how"]),
        (&"copy ended".into(), &format!("Complete: all {} of the plan are safe", human::bytes(planned)).into())
    );
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn it_ends_with_ctrl_c_and_needs_a_case() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    ends_with(8, &mut watch_once(&case));
    std::fs::create_dir(&case).unwrap();
    ends_with(8, &mut watch_once(&case));
    std::fs::write(case.join("case.json"), b"{").unwrap();
    ends_with(8, &mut watch_once(&case));
    std::fs::remove_dir_all(&case).unwrap();
    make_drive(&drive).unwrap();
    ends_with(0, gleaner("survey", &case).arg(&drive));
    for signal in [Signal::INT, Signal::TERM] {
        let (mut child, out, port, token) = start(&case);
        until(port, &token, "state", "No copy is running");
        let start = Instant::now();
        kill_process(Pid::from_child(&child), signal).unwrap();
        assert_eq!(rest(out)["ended"], "asked");
        assert_eq!(child.wait().unwrap().code(), Some(0));
        assert!(start.elapsed() < Duration::from_secs(3), "{:?}", start.elapsed());
    }
}

fn watch_once(case: &Path) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    program.args(["watch", "--case"]).arg(case);
    program
}

/// In a real browser, with script and without: figures move, the page ends with the copy, the content policy blocks
/// nothing of its own, and axe-core finds nothing wrong, light, dark and as wide as a phone.
#[test]
fn seen_in_a_browser() {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/check-watch");
    let output = Command::new(script).env("GLEANER", env!("CARGO_BIN_EXE_gleaner")).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(text.matches("nothing wrong").count(), 9, "{text}");
}
