//! That the page follows the history, and what it makes of one that is missing, torn, or ends without an end.

use crate::watch::{DRIVE_BYTES, Served, new_case, serve};
use gleaner::base::human;
use gleaner::copy::history::{HISTORY_NAME, HistoryWriter};
use gleaner::copy::reading::{Difficulties, Event, Health, Progress, Stage, TimeLeft};
use gleaner::report::watch::WatchEnd;
use gleaner::results::audit::WantedCount;
use gleaner::survey::allocation::Class;
use std::fs::File;
use std::io::Write;
use std::path::Path;

const PLAN_BYTES: u64 = 32 << 20;

fn progress(seconds: f64, class: Class, copied_bytes: u64, celsius: Option<f64>) -> Event {
    Event::Progress(Progress {
        next_hour_bytes: None,
        pass: None,
        class,
        at: 123_456,
        plan_bytes: PLAN_BYTES,
        copied_bytes,
        deferred_bytes: 5000,
        unreadable_bytes: 512,
        arrived_bytes: copied_bytes,
        rate: Some(2e6),
        seconds,
        left: TimeLeft { seconds_left: Some(77.0), difficult_seconds: None },
        failed_requests: 1234,
        health: Health { failed_last_minute: 2, failing_seconds: 14.0, celsius, ..Health::default() },
    })
}

fn begin(case: &Path, held: u64) -> HistoryWriter {
    HistoryWriter::begin(&case.join(HISTORY_NAME), DRIVE_BYTES, PLAN_BYTES, held).unwrap()
}

fn append(case: &Path, bytes: &[u8]) {
    File::options().append(true).open(case.join(HISTORY_NAME)).unwrap().write_all(bytes).unwrap();
}

fn part(served: &Served, part: &str) -> String {
    served.state()["parts"][part].as_str().unwrap().to_owned()
}

#[test]
fn from_before_the_copy_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("case");
    let case = new_case(&path);
    let served = serve(&path);
    let second = serve(&path);
    let page = served.page();
    assert!(page.contains("No copy is running") && page.contains("None has run"), "{page}");
    assert!(page.contains("<noscript><meta http-equiv=\"refresh\""), "without script it loads itself anew");
    let mut history = begin(&path, 1_000_000);
    history.event(&Event::PassBegun { number: 1, class: Class::Files, pattern: None, bytes: 20_000_000 });
    history.event(&progress(0.0, Class::Tables, 1_000_512, None));
    history.event(&progress(5.0, Class::Files, 9_000_000, None));
    served.until("figures", "safe: 9.00 MB of 33.6 MB");
    let count = WantedCount { pattern: "<Fotos>".to_owned(), files: 5, safe: 3, to_read: 2, ..WantedCount::default() };
    history.event(&Event::Wanted { class: Some(Class::Files), patterns: vec![count] });
    served.until("figures", "&lt;Fotos&gt;: 3 of 5 files safe, 2 not read yet");
    let figures = part(&served, "figures");
    for (name, value) in [
        ("rate", "2.00 MB/s".to_owned()),
        ("running for", human::seconds(5.0)),
        ("failed reads", "1,234".to_owned()),
        ("skipped", "5.00 kB".to_owned()),
        ("unreadable", "512 B".to_owned()),
        ("temperature", "not available".to_owned()),
        ("last read at byte", "123,456".to_owned()),
    ] {
        assert!(figures.contains(&format!("<dt>{name}</dt><dd>{value}</dd>")), "{name}: {figures}");
    }
    for sentence in [
        "<strong>Time left</strong> about 77 s for what reads easily; skipped ranges (5.00 kB): not known</p>",
        "<strong>Go on</strong> yes, but the drive may not last: in the last minute 2 reads failed (14 s); resets, temperature not known</p>",
    ] {
        assert!(figures.contains(sentence), "{figures}");
    }
    let pictures = part(&served, "pictures");
    assert!(pictures.contains("Before this run 1.00 MB; in this run tables 512 B, files 8.00 MB."), "{pictures}");
    assert!(pictures.contains("Rate over time") && !pictures.contains("Temperature"), "{pictures}");
    assert!(part(&served, "notes").contains("pass 1: files, 20.0 MB"));
    // A drive that tells its temperature, and figures that move.
    history.event(&progress(9.0, Class::Files, 10_000_000, Some(44.4)));
    served.until("figures", "<dt>temperature</dt><dd>44 °C</dd>");
    assert!(part(&served, "pictures").contains("Temperature over time"));
    assert!(part(&second, "figures").contains("10.0 MB of"), "two may watch");
    assert_eq!(served.state()["title"], "30 % safe, copying · case");
    history.end(None).unwrap();
    drop(case);
    for one in [&served, &second] {
        let last = one.until("state", "<strong>Failed.</strong> This page changes no more.");
        assert_eq!(last["over"], true);
        assert!(!one.page().contains("http-equiv"), "nothing new comes");
    }
    for one in [served, second] {
        assert_eq!(one.thread.join().unwrap(), WatchEnd::Ended("Failed".to_owned()));
    }
}

#[test]
fn a_run_that_ended_before_ends_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("case");
    let _case = new_case(&path);
    let mut history = begin(&path, 0);
    history.event(&progress(1.0, Class::Files, 700, None));
    history.end(None).unwrap();
    let served = serve(&path);
    let state = served.state();
    assert_eq!(state["over"], false);
    assert!(state["parts"]["state"].as_str().unwrap().contains("ended: Failed"), "{state}");
    let mut history = begin(&path, 700);
    served.until("state", "The copy begins");
    history.event(&progress(1.0, Class::Files, 800, None));
    served.until("figures", "safe: 800 B");
    assert_eq!(served.stop(), WatchEnd::Asked);
    // The line torn by a power cut, one of a later program, one that is being written, and text that is no kind guest.
    append(&path, b"{\"kind\":\"poi\n{\"kind\":\"omen\"}\n\xff\xfe\n");
    append(&path, b"{\"kind\":\"note\",\"seconds\":2.0,\"text\":\"<img src=x onerror=alert(1)>\\u202e\"}\n");
    append(&path, b"{\"kind\":\"point\",\"seconds\":1e999,");
    let served = serve(&path);
    let notes = part(&served, "notes");
    assert!(notes.contains("&lt;img src=x onerror=alert(1)&gt;\\u{202e}"), "{notes}");
    assert!(part(&served, "figures").contains("safe: 800 B"));
    append(&path, b"\n");
    HistoryWriter::begin(&path.join(HISTORY_NAME), DRIVE_BYTES, PLAN_BYTES, 0).unwrap().end(None).unwrap();
    served.until("state", "<strong>Failed.</strong>");
    served.stop();
}

/// What passes by on the terminal stands on the page in the same words, the latest twelve.
#[test]
fn events_are_told_in_the_words_of_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("case");
    let _case = new_case(&path);
    let mut history = begin(&path, 0);
    history.event(&progress(1.0, Class::Files, 700, None));
    let difficult = Difficulties { failed_requests: 3, retries: 9, checks: 1, ..Difficulties::default() };
    let events = [
        Event::Difficult(difficult),
        Event::DriveAwaited,
        Event::DriveNotTaken { why: "another serial".to_owned() },
        Event::DriveBack { path: "/dev/sdq".into() },
        Event::StageBegun { stage: Stage::Worth },
    ];
    let served = serve(&path);
    for event in &events {
        history.event(event);
        served.until("notes", &event.sentence().expect("a person sees it"));
    }
    (0..50).for_each(|_| history.event(&events[0]));
    let notes = served.until("notes", "and 43 before these")["parts"]["notes"].as_str().unwrap().to_owned();
    assert_eq!(notes.matches("<li>").count(), 12, "{notes}");
    served.stop();
}

/// Figures that no copy writes draw a page all the same.
#[test]
fn senseless_figures_are_drawn_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("case");
    let _case = new_case(&path);
    drop(begin(&path, u64::MAX));
    for (seconds, bytes, rate) in [("-5.0", u64::MAX, "-1.0"), ("1e300", 0, "1e300"), ("0.0", 1, "0.0")] {
        let line = format!(
            "{{\"kind\":\"point\",\"seconds\":{seconds},\"class\":\"free\",\"at\":{bytes},\"copied_bytes\":{bytes},\
             \"plan_bytes\":{bytes},\"deferred_bytes\":{bytes},\"unreadable_bytes\":{bytes},\
             \"failed_requests\":{bytes},\"rate\":{rate},\"seconds_left\":{rate},\"celsius\":{rate}}}\n"
        );
        append(&path, line.as_bytes());
    }
    let served = serve(&path);
    let page = served.page();
    assert!(page.ends_with("</html>\n") && !page.contains("NaN") && !page.contains("\"inf"), "{page}");
    served.stop();
}

/// The process that copies is gone and wrote no end: its lock is no longer in the kernel's list.
#[test]
fn a_killed_copy_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("case");
    let case = new_case(&path);
    let mut history = begin(&path, 0);
    history.event(&progress(1.0, Class::Files, 700, None));
    let served = serve(&path);
    served.until("state", "Copying");
    history.event(&progress(3.0, Class::Files, 900, None));
    served.until("figures", "safe: 900 B");
    std::thread::sleep(std::time::Duration::from_millis(200));
    assert_eq!(served.state()["over"], false, "as long as the lock is held");
    drop((history, case));
    served.until("state", "gone");
    assert_eq!(served.thread.join().unwrap(), WatchEnd::Killed);
}
