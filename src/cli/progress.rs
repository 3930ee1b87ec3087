//! Progress of long reading: a bar on a terminal, a plain line now and then elsewhere, nothing when asked.

use super::output::{cursor_to_line_start, tell};
use crate::base::human;
use crate::copy::reading::Event;
use crate::source::Reader;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

/// Does `work` while showing how far the reading has come.
pub fn while_reading<T>(reader: &Reader, quiet: bool, work: impl FnOnce() -> T) -> T {
    if quiet {
        return work();
    }
    let (done, finished) = mpsc::channel::<()>();
    thread::scope(|scope| {
        scope.spawn(move || {
            if std::io::stderr().is_terminal() {
                show_bar(reader, &finished);
            } else {
                show_lines(reader, &finished);
            }
        });
        let result = work();
        drop(done);
        result
    })
}

/// A bar over a known number of bytes on a terminal; nothing elsewhere or when quiet.
pub fn bytes_bar(what: &'static str, bytes: u64, quiet: bool) -> ProgressBar {
    if quiet || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(bytes), ProgressDrawTarget::stderr_with_hz(8));
    bar.set_style(bytes_style("{eta} left {prefix}"));
    bar.set_message(what);
    bar
}

/// A line that fits in 80 columns, with what stands behind or below it.
fn bytes_style(behind: &str) -> ProgressStyle {
    let style = "{msg:24!} {bar:14} {decimal_bytes:>9} of {decimal_total_bytes:9} ".to_owned() + behind;
    ProgressStyle::with_template(&style).expect("a fixed template")
}

fn show_bar(reader: &Reader, finished: &mpsc::Receiver<()>) {
    // Most surveys take less than this; a bar that only flashes up is worse than none.
    if finished.recv_timeout(Duration::from_millis(400)) != Err(RecvTimeoutError::Timeout) {
        return;
    }
    let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr_with_hz(8));
    // How long it takes is not known where reads fail.
    bar.set_style(bytes_style("{prefix}"));
    while finished.recv_timeout(Duration::from_millis(120)) == Err(RecvTimeoutError::Timeout) {
        let (totals, activity) = (reader.totals(), reader.activity());
        bar.set_message(activity.what);
        bar.set_length(activity.announced_bytes.max(totals.bytes));
        bar.set_position(totals.bytes);
        let failed =
            Some(human::counted(totals.failed_requests, "read", "reads")).filter(|_| totals.failed_requests > 0);
        let stopping = Event::Stopping.sentence().filter(|_| reader.is_asked_to_stop());
        let below = failed
            .map(|reads| format!("\n  {reads} failed"))
            .into_iter()
            .chain(stopping.map(|text| format!("\n  {text}")));
        bar.set_prefix(below.collect::<String>());
        cursor_to_line_start();
    }
    bar.finish_and_clear();
}

fn show_lines(reader: &Reader, finished: &mpsc::Receiver<()>) {
    let began = Instant::now();
    while finished.recv_timeout(Duration::from_secs(10)) == Err(RecvTimeoutError::Timeout) {
        let (totals, activity) = (reader.totals(), reader.activity());
        tell(&format!(
            "{}: {} of {} read in {}, {} reads failed",
            activity.what,
            human::bytes(totals.bytes),
            human::bytes(activity.announced_bytes.max(totals.bytes)),
            human::seconds(began.elapsed().as_secs_f64()),
            totals.failed_requests
        ));
    }
}
