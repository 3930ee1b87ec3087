//! However a run is cut short from outside - a signal, a closed terminal, output that nobody reads, a clock that has stopped, names
//! that are not UTF-8 - what was read is kept and the case's record says what was done. Needs root, FUSE and loop devices.

#[path = "support/cases.rs"]
mod cases;
#[path = "support/common/mod.rs"]
mod common;
#[path = "support/witness.rs"]
mod witness;

use cases::{check_claims, check_image, complains_with, copy, ends_with, gleaner, planned, survey_and_plan};
use common::fixture;
use gleaner::base::extent::Extent;
use serde_json::Value;
use std::ffi::OsString;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use witness::{Behaviour, WitnessedDevice, merged, run};

fn slow(bytes: &[u8], milliseconds: u64) -> WitnessedDevice {
    let delay = Some(Duration::from_millis(milliseconds));
    WitnessedDevice::behaving(bytes, &Behaviour { delay, ..Behaviour::default() })
}

fn signal(child: &Child, name: &str) {
    run(Command::new("kill").arg(name).arg(child.id().to_string()));
}

/// The last line of a case's record.
fn last_line(case: &Path) -> Value {
    let text = fs::read_to_string(case.join("record.jsonl")).expect("a record");
    serde_json::from_str(text.lines().last().expect("a line")).expect("JSON")
}

/// Waits until the server has had so many requests more.
fn wait_for_requests(drive: &WitnessedDevice, count: usize) {
    let log = || fs::read_to_string(drive.file("requests.log")).map_or(0, |log| log.matches(" Read id=").count());
    let (before, began) = (log(), Instant::now());
    while log() < before + count {
        assert!(began.elapsed() < Duration::from_secs(60), "nothing is read");
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn a_survey_is_ended_in_good_order_by(name: &str) {
    let bytes = fixture("ntfs-rich");
    let drive = slow(&bytes, 40);
    let case = drive.file("case");
    let (first, ended) = drive.requests_during(|| {
        let mut survey = gleaner("survey", &case);
        let running = survey.arg(drive.path()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("gleaner");
        wait_for_requests(&drive, 10);
        signal(&running, name);
        running.wait_with_output().expect("its end")
    });
    let told = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(9), "{name}: {}: {told}", ended.status);
    // What was read by then is judged, and what was not is not called bad.
    let answer = String::from_utf8_lossy(&ended.stdout);
    assert!(answer.contains("VERDICT  so far: ") && answer.contains("not read yet"), "{answer}{told}");
    assert!(!answer.contains("not readable") && !answer.contains("could not be read"), "{answer}");
    let line = last_line(&case);
    assert_eq!((&line["command"], &line["outcome"]), (&"survey".into(), &"exit code 9".into()));
    // All that was read is safe, and is not read again.
    let (first, _) = merged(&first);
    let held = check_claims(&case, &bytes);
    assert!(
        first.bytes() > 0 && held.copied_bytes() == first.bytes(),
        "{} read, {}",
        first.bytes(),
        held.copied_bytes()
    );
    let (second, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    let again: u64 = merged(&second).0.extents().iter().map(|extent| first.bytes_within(*extent)).sum();
    // The drive was not detached, so its identity is not read again either.
    assert_eq!(again, 0, "bytes that the first survey had read");
    assert_eq!(last_line(&case)["outcome"], "exit code 0");
}

#[test]
fn ctrl_c_ends_a_survey_in_good_order() {
    a_survey_is_ended_in_good_order_by("-INT");
}

#[test]
fn a_shutdown_ends_a_survey_in_good_order() {
    a_survey_is_ended_in_good_order_by("-TERM");
}

#[test]
fn a_hangup_ends_a_survey_in_good_order() {
    a_survey_is_ended_in_good_order_by("-HUP");
}

/// What `copy`'s own tests do not have: SIGHUP, and SIGHUP where it was ignored at the start.
#[test]
fn a_hangup_ends_a_copy_unless_it_was_ignored() {
    let bytes = fixture("drive-gpt");
    let drive = slow(&bytes, 4);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut program = gleaner("copy", &case);
    program.arg(drive.path()).args(["--request", "256"]).stdout(Stdio::null()).stderr(Stdio::piped());
    let running = program.spawn().expect("gleaner");
    wait_for_requests(&drive, 20);
    signal(&running, "-HUP");
    let ended = running.wait_with_output().expect("its end");
    assert_eq!(ended.status.code(), Some(9), "{}", String::from_utf8_lossy(&ended.stderr));
    let line = last_line(&case);
    assert_eq!((&line["outcome"], &line["figures"]["end"]["reason"]), (&"exit code 9".into(), &"asked".into()));

    // nohup(1) ignores the signal in the program that it starts.
    let mut program = Command::new("nohup");
    program.args([env!("CARGO_BIN_EXE_gleaner"), "copy", "--quiet", "--case"]).arg(&case).arg(drive.path());
    let running = program.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("nohup");
    wait_for_requests(&drive, 20);
    signal(&running, "-HUP");
    let ended = running.wait_with_output().expect("its end");
    assert_eq!(ended.status.code(), Some(0), "{}", String::from_utf8_lossy(&ended.stderr));
    check_image(&case, &bytes, &planned(&case));
}

/// The read hangs in the server. From a file the process can be ended meanwhile; a read of a block device that hangs in the
/// kernel would delay that (docs/exit-codes.md).
#[test]
fn a_second_ctrl_c_ends_a_hanging_copy_at_once() {
    let bytes = fixture("fat16");
    let sluggish = vec![(Extent::new(bytes.len() as u64 / 2, 512).unwrap(), 10.0)];
    let drive = WitnessedDevice::behaving(&bytes, &Behaviour { sluggish, ..Behaviour::default() });
    let (source, case) = (drive.file("shown.img"), drive.file("case"));
    survey_and_plan(&source, &case, &["--scope", "whole"]);
    let mut program = gleaner("copy", &case);
    program.arg(&source).arg("--json").stdout(Stdio::null()).stderr(Stdio::piped());
    let mut running = program.spawn().expect("gleaner");
    let mut events = BufReader::new(running.stderr.take().expect("standard error"));
    let mut line = String::new();
    // Nothing is told while a read hangs.
    let (sender, told) = std::sync::mpsc::channel();
    std::thread::spawn(
        move || while events.read_line(&mut line).is_ok_and(|count| count > 0 && sender.send(()).is_ok()) {},
    );
    while told.recv_timeout(Duration::from_secs(4)).is_ok() {}
    assert!(running.try_wait().expect("its state").is_none(), "the copy ended before the read that hangs");
    let before = check_claims(&case, &bytes).copied_bytes();
    signal(&running, "-INT");
    std::thread::sleep(Duration::from_millis(300));
    assert!(running.try_wait().expect("its state").is_none(), "the first one waits for the read");
    let began = Instant::now();
    signal(&running, "-INT");
    let status = running.wait().expect("its end");
    assert_eq!(status.code(), Some(130), "{status}");
    assert!(began.elapsed() < Duration::from_secs(3), "ended after {:?}", began.elapsed());
    // What was committed stays so.
    assert!(check_claims(&case, &bytes).copied_bytes() >= before);
    copy(0, &source, &case, &["--slow", "60"]);
    check_image(&case, &bytes, &planned(&case));
}

/// Runs gleaner on a terminal of its own and closes that after a second; how it ended. `-N` is a signal that ended it.
fn on_a_terminal_that_closes(arguments: &[&OsString], ignore_hangup: bool) -> i32 {
    let script = "import os, pty, select, signal, sys, time\n\
        pid, terminal = pty.fork()\n\
        if pid == 0:\n    \
            if sys.argv[1] == 'True': signal.signal(signal.SIGHUP, signal.SIG_IGN)\n    \
            os.execv(sys.argv[2], sys.argv[2:])\n\
        end = time.time() + 1\n\
        while time.time() < end:\n    \
            if select.select([terminal], [], [], 0.1)[0]: os.read(terminal, 65536)\n\
        os.close(terminal)\n\
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))";
    let mut python = Command::new("python3");
    let ignore = if ignore_hangup { "True" } else { "False" };
    python.args(["-c", script, ignore, env!("CARGO_BIN_EXE_gleaner")]).args(arguments);
    run(&mut python).trim().parse().expect("a number")
}

#[test]
fn a_terminal_that_is_closed_ends_a_copy_in_good_order_or_not_at_all() {
    let bytes = fixture("drive-gpt");
    let drive = slow(&bytes, 20);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let words = ["copy", "--case", case.to_str().unwrap(), drive.path().to_str().unwrap()].map(OsString::from);
    let words: Vec<&OsString> = words.iter().collect();
    assert_eq!(on_a_terminal_that_closes(&words, false), 9);
    let first = last_line(&case);
    assert_eq!((&first["outcome"], &first["figures"]["end"]["reason"]), (&"exit code 9".into(), &"asked".into()));
    assert!(check_claims(&case, &bytes).copied_bytes() >= first["figures"]["arrived_bytes"].as_u64().unwrap());
    assert_eq!(on_a_terminal_that_closes(&words, true), 0);
    assert_eq!(last_line(&case)["figures"]["end"]["why"], "complete");
    check_image(&case, &bytes, &planned(&case));
}

#[test]
fn output_that_nobody_reads_stops_no_copy() {
    let bytes = fixture("drive-gpt");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(&drive, &case, &[]);
    // Standard error is closed after its first bytes, standard output at once.
    let mut program = gleaner("copy", &case);
    program.arg(&drive).args(["--json", "--request", "64"]).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut running = program.spawn().expect("gleaner");
    drop(running.stdout.take());
    let mut first = [0];
    running.stderr.take().expect("standard error").read_exact(&mut first).expect("an event");
    let status = running.wait().expect("its end");
    assert_eq!(status.code(), Some(0), "{status}");
    let line = last_line(&case);
    assert_eq!((&line["outcome"], &line["figures"]["end"]["why"]), (&"exit code 0".into(), &"complete".into()));
    check_image(&case, &bytes, &planned(&case));
    // A list that is cut off is no failure either, and is on record.
    let mut program = gleaner("files", &case);
    let mut running = program.stdout(Stdio::piped()).spawn().expect("gleaner");
    drop(running.stdout.take());
    assert_eq!(running.wait().expect("its end").code(), Some(0));
    assert_eq!(last_line(&case)["command"], "files");
    // A full disk is one; what was done is on record all the same.
    let full = fs::File::options().write(true).open("/dev/full").expect("/dev/full");
    let mut program = gleaner("survey", &case);
    let ended = program.stdout(full).stderr(Stdio::piped()).output().expect("gleaner");
    let told = String::from_utf8_lossy(&ended.stderr);
    assert!(ended.status.code() == Some(1) && told.contains("standard output cannot be written"), "{told}");
    assert_eq!((&last_line(&case)["command"], &last_line(&case)["outcome"]), (&"survey".into(), &"exit code 0".into()));
}

/// A name in Latin-1, as an old system may have it: no UTF-8.
#[test]
fn names_that_are_not_utf8_are_worked_with_and_marked() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &[u8]| folder.path().join(OsString::from_vec(name.to_vec()));
    let (drive, case, plan) = (at(b"dr\xFCcke.img"), at(b"f\xE4lle"), at(b"pl\xE4ne"));
    fs::write(&drive, fixture("fat16")).expect("room");
    let json = |text: String| serde_json::from_str::<Value>(&text).expect("JSON");
    let survey = json(ends_with(0, gleaner("survey", &case).arg(&drive).arg("--json")));
    // The bytes in hexadecimal, as `xxd -p` prints them.
    let mark = "(not UTF-8: ";
    let path = survey["source"]["path"].as_str().expect("a path");
    assert!(path.contains(mark) && path.contains("6472fc636b652e696d67"), "{path}");
    let made = json(ends_with(0, gleaner("plan", &case).arg("--json")));
    assert!(made["plan"].as_str().is_some_and(|path| path.contains(mark)), "{made}");
    ends_with(0, gleaner("plan", &case).arg("--output").arg(&plan));
    ends_with(0, gleaner("copy", &case).arg(&drive));
    ends_with(0, gleaner("report", &case).arg("--json"));
    let line = last_line(&case);
    let arguments: Vec<&str> = line["arguments"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    let bytes = hex::encode(case.as_os_str().as_bytes());
    assert!(arguments.iter().any(|word| word.ends_with(&format!("{mark}{bytes})"))), "{arguments:?}");
    // Lines end between words.
    let record = ends_with(0, &mut gleaner_without_quiet("record", &case));
    assert!(record.split_whitespace().collect::<Vec<_>>().join(" ").contains(mark), "{record}");
}

fn gleaner_without_quiet(command: &str, case: &Path) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    program.arg(command).arg("--case").arg(case);
    program
}

/// A machine whose clock stands before 1970 or far ahead, by faketime(1).
#[test]
fn a_wrong_clock_stops_nothing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let drive = folder.path().join("drive.img");
    fs::write(&drive, fixture("fat16")).expect("room");
    for (number, (clock, written)) in
        [("1960-05-01 00:00:00", "1970-01-01T00:00:00Z"), ("2150-01-01 00:00:00", "2150-01-01T00:00:0")]
            .iter()
            .enumerate()
    {
        let case = folder.path().join(format!("case{number}"));
        let faked = |words: &[&str]| {
            let mut program = Command::new("faketime");
            program.args(["-f", clock, env!("CARGO_BIN_EXE_gleaner")]).args(words).arg("--case").arg(&case);
            program.env("TZ", "UTC");
            ends_with(0, &mut program)
        };
        faked(&["survey", "--quiet", drive.to_str().unwrap()]);
        faked(&["plan", "--quiet"]);
        faked(&["copy", "--quiet", drive.to_str().unwrap()]);
        faked(&["note", "the clock is wrong"]);
        faked(&["report"]);
        let line = last_line(&case);
        assert!(line["when"].as_str().unwrap().starts_with(written), "{clock}: {}", line["when"]);
        let page = fs::read_to_string(case.join("report.html")).expect("the report");
        assert!(page.contains(&written.replace('T', " ")[..15]), "{clock}");
    }
}

#[test]
fn what_needs_a_case_is_refused_before_anything_is_read() {
    let drive = WitnessedDevice::new(&fixture("fat16"));
    for words in [&["audit"][..], &["verify"], &["verify", "--read-again", "1"], &["copy"], &["pace"]] {
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        program.args(words).arg(drive.path());
        let (seen, complaint) = drive.requests_during(|| complains_with(2, &mut program));
        assert!(complaint.contains("works in a case"), "{words:?}: {complaint}");
        assert_eq!(seen, [], "{words:?}");
    }
}
