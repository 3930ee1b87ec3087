//! Progress of a copy: a screen on a terminal, plain lines elsewhere, JSON lines for programs.

use super::layout::{error_columns, wrap};
use super::output::{cursor_to_line_start, tell};
use crate::base::human;
use crate::base::text::{json, shown};
use crate::copy::reading::{Event, Progress};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// How often a plain line is written.
const LINE_EVERY: Duration = Duration::from_secs(10);

/// How often the screen looks at the time and at whether to stop: a read can take minutes.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// A read that takes longer is told of.
const LONG_READ: Duration = Duration::from_secs(2);

/// Shows events as they come, and meanwhile that it was asked to stop.
pub struct CopyProgress {
    shown: Arc<Mutex<Shown>>,
    /// Dropped, it ends the thread that looks at the time.
    done: Option<mpsc::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

struct Shown {
    way: Way,
    is_stopping: bool,
}

enum Way {
    Json,
    Nothing,
    Lines { last: Option<Instant> },
    Screen(Box<Screen>),
}

impl CopyProgress {
    /// JSON events on standard error, nothing, a screen, or lines, as asked and as standard error allows. `stop` is what asks
    /// the copy to stop.
    pub fn new(json: bool, quiet: bool, stop: Arc<AtomicBool>) -> CopyProgress {
        let way = match () {
            () if json => Way::Json,
            () if quiet => Way::Nothing,
            () if std::io::stderr().is_terminal() => Way::Screen(Box::new(Screen::new())),
            () => Way::Lines { last: None },
        };
        let shown = Arc::new(Mutex::new(Shown { way, is_stopping: false }));
        let (done, ended) = mpsc::channel();
        let looked_at = Arc::clone(&shown);
        let thread = thread::spawn(move || {
            while ended.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Timeout) {
                lock(&looked_at).look(stop.load(Ordering::Relaxed));
            }
        });
        CopyProgress { shown, done: Some(done), thread: Some(thread) }
    }

    /// Shows one event.
    pub fn event(&self, event: &Event) {
        lock(&self.shown).event(event);
    }
}

impl Drop for CopyProgress {
    /// Takes the screen away.
    fn drop(&mut self) {
        drop(self.done.take());
        let _ = self.thread.take().map(JoinHandle::join);
        if let Way::Screen(screen) = &lock(&self.shown).way {
            screen.bar.finish_and_clear();
        }
    }
}

/// A thread that panicked leaves nothing half done here.
fn lock(shown: &Mutex<Shown>) -> MutexGuard<'_, Shown> {
    shown.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

impl Shown {
    fn event(&mut self, event: &Event) {
        match (&mut self.way, event) {
            (Way::Nothing, _) => {}
            (Way::Json, event) => {
                if let Ok(line) = json(event) {
                    tell(&line);
                }
            }
            (Way::Screen(screen), event) => screen.event(event),
            (Way::Lines { last }, Event::Progress(progress)) => {
                if last.is_none_or(|last| last.elapsed() >= LINE_EVERY) {
                    *last = Some(Instant::now());
                    tell(&state(progress));
                }
            }
            (Way::Lines { .. }, event) => event.sentence().iter().for_each(|sentence| tell(sentence)),
        }
    }

    fn look(&mut self, stop: bool) {
        if stop && !self.is_stopping {
            self.is_stopping = true;
            self.event(&Event::Stopping);
        }
        if let Way::Screen(screen) = &self.way {
            screen.draw();
        }
    }
}

/// What stands below the events that have passed by.
struct Screen {
    bar: ProgressBar,
    progress: Option<Progress>,
    /// What is waited for while nothing is read.
    waits_for: Option<String>,
    /// The last line.
    last: String,
    heard: Instant,
}

impl Screen {
    fn new() -> Screen {
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr_with_hz(8));
        bar.set_style(ProgressStyle::with_template("COPY  {bar:24} {msg}").expect("a fixed template"));
        Screen {
            bar,
            progress: None,
            waits_for: None,
            last: "  Ctrl-C stops after the present read; the same command goes on".to_owned(),
            heard: Instant::now(),
        }
    }

    fn event(&mut self, event: &Event) {
        self.heard = Instant::now();
        match event {
            Event::Progress(progress) => {
                self.progress = Some(progress.clone());
                self.waits_for = None;
            }
            Event::Stopping => self.last = format!("  {}", event.sentence().unwrap_or_default()),
            other => {
                let sentence = other.sentence();
                if matches!(other, Event::Paused { .. } | Event::DriveAwaited) {
                    self.waits_for.clone_from(&sentence);
                }
                for line in sentence.iter().flat_map(|sentence| wrap("", sentence, error_columns() - 1)) {
                    self.bar.println(shown(&line));
                }
            }
        }
        self.draw();
    }

    fn draw(&self) {
        let Some(progress) = &self.progress else { return };
        let silence = Some(self.heard.elapsed()).filter(|silence| *silence >= LONG_READ);
        // A line that is filled to its end would be one with the next.
        let columns = error_columns() - 1;
        let lines = screen_lines(progress, self.waits_for.as_deref(), silence, &self.last, columns).join("\n");
        self.bar.set_length(progress.plan_bytes);
        self.bar.set_position(progress.copied_bytes);
        self.bar.set_message(lines);
        cursor_to_line_start();
    }
}

/// The lines of the screen; the first one stands behind the bar.
fn screen_lines(
    progress: &Progress,
    waits_for: Option<&str>,
    silence: Option<Duration>,
    last: &str,
    columns: usize,
) -> Vec<String> {
    let mut lines = vec![safe(progress)];
    let now = match (waits_for, silence) {
        (Some(what), _) => what.to_owned(),
        (None, Some(silence)) => {
            format!("{}; the present read takes {} so far", reading(progress), human::seconds(silence.as_secs_f64()))
        }
        (None, None) => reading(progress),
    };
    lines.extend(wrap("NOW  ", &now, columns));
    lines.extend(wrap("TIME LEFT  ", &progress.left.sentence(progress.deferred_bytes), columns));
    lines.extend(wrap("GO ON  ", &progress.health.sentence(), columns));
    lines.extend(difficult(progress).iter().flat_map(|difficult| wrap("DIFFICULT  ", difficult, columns)));
    lines.push(last.to_owned());
    lines
}

/// How much is safe.
fn safe(progress: &Progress) -> String {
    format!(
        "{} safe: {} of {}",
        human::share(part(progress.copied_bytes, progress.plan_bytes)),
        human::bytes(progress.copied_bytes),
        human::bytes(progress.plan_bytes)
    )
}

fn part(done: u64, all: u64) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = done as f64 / all.max(1) as f64;
    share
}

/// What is read, and how fast.
fn reading(progress: &Progress) -> String {
    let mut text = match &progress.pass {
        Some(pass) => format!(
            "pass {}, {}: {} of {} safe",
            pass.number,
            pass.class,
            human::bytes(pass.copied_bytes),
            human::bytes(pass.bytes)
        ),
        None => "retries of skipped ranges".to_owned(),
    };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
    let whole = |number: f64| number as u64;
    if let Some(next) = progress.next_hour_bytes {
        // An extent counts for more than its bytes; there is no more to bring than what is skipped.
        let next = whole(next).min(progress.deferred_bytes);
        text += &format!(", {} expected in the next hour", human::bytes(next));
    }
    if let Some(rate) = progress.rate {
        text += &format!(", {}/s", human::bytes(whole(rate)));
    }
    text + &format!(", at byte {}", human::count(progress.at))
}

/// What was not as it should be.
fn difficult(progress: &Progress) -> Option<String> {
    let amounts = [(progress.deferred_bytes, "skipped"), (progress.unreadable_bytes, "unreadable")];
    let failed = human::counted(progress.failed_requests, "read failed", "reads failed");
    let mut parts: Vec<String> = Some(failed).filter(|_| progress.failed_requests > 0).into_iter().collect();
    parts.extend(
        amounts.iter().filter(|(bytes, _)| *bytes > 0).map(|(bytes, what)| format!("{} {what}", human::bytes(*bytes))),
    );
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The same in one line.
fn state(progress: &Progress) -> String {
    let difficult = difficult(progress).map_or_else(String::new, |difficult| format!("; {difficult}"));
    format!(
        "{}; {}; time left: {}; go on: {}{difficult}",
        safe(progress),
        reading(progress),
        progress.left.sentence(progress.deferred_bytes),
        progress.health.sentence()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::copy::reading::{Health, PassProgress, TimeLeft};
    use crate::survey::allocation::Class;
    use unicode_width::UnicodeWidthStr;

    fn sick() -> Progress {
        let pass = PassProgress { number: 12, class: Class::Structure, bytes: 999_900_000, copied_bytes: 86_000_000 };
        Progress {
            pass: Some(pass),
            class: Class::Structure,
            at: 19_999_999_999_999,
            plan_bytes: 999_900_000_000,
            copied_bytes: 86_000_000_000,
            deferred_bytes: 224_000_000_000,
            unreadable_bytes: 123_400_000_000,
            arrived_bytes: 0,
            rate: Some(123_400_000.0),
            seconds: 86_000.0,
            left: TimeLeft { seconds_left: Some(180.0), difficult_seconds: None },
            next_hour_bytes: Some(123_400_000.0),
            failed_requests: 1_234_567,
            health: Health { failed_last_minute: 4096, failing_seconds: 60.0, ..Health::default() },
        }
    }

    /// Of what was only passed, skipped or unreadable, nothing shows as done.
    #[test]
    fn a_share_is_of_safe_bytes_alone() {
        assert_eq!(safe(&sick()), "8.6 % safe: 86.0 GB of 1.00 TB");
        assert!(reading(&sick()).starts_with("pass 12, structure: 86.0 MB of 1.00 GB safe, "), "{}", reading(&sick()));
        assert_eq!(difficult(&sick()).unwrap(), "1,234,567 reads failed, 224 GB skipped, 123 GB unreadable");
    }

    #[test]
    fn the_widest_figures_fit() {
        for columns in [60, 80, 120] {
            let silence = Some(Duration::from_secs(5000));
            let lines = screen_lines(&sick(), None, silence, "Stopping", columns);
            assert!("COPY  ".len() + 24 + 1 + lines[0].width() <= 80, "{lines:?}");
            assert!(lines[1..].iter().all(|line| line.width() <= columns), "{lines:?}");
            assert!(lines.len() < 14 && lines.last().unwrap() == "Stopping", "{lines:?}");
        }
        let waits = screen_lines(&sick(), Some("the drive is gone"), None, "", 80);
        assert_eq!(waits[1], "NOW  the drive is gone");
    }
}
