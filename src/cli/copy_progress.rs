//! Progress of a copy: a bar on a terminal, plain lines elsewhere, JSON lines for programs.

use super::output::tell;
use crate::copy::{Event, Progress, Stage};
use crate::human;
use crate::text::{json, shown};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// Shows events as they come.
pub struct CopyProgress {
    way: Way,
    last_line: Option<Instant>,
}

enum Way {
    Json,
    Nothing,
    Lines,
    Bar(ProgressBar),
}

/// How many patterns are in the line at a class's end.
const PATTERNS_SHOWN: usize = 8;

/// How often a plain line is written.
const LINE_EVERY: Duration = Duration::from_secs(10);

impl CopyProgress {
    /// JSON events on standard error, nothing, a bar, or lines, as asked and as standard error allows.
    pub fn new(json: bool, quiet: bool) -> CopyProgress {
        let way = match () {
            () if json => Way::Json,
            () if quiet => Way::Nothing,
            () if std::io::stderr().is_terminal() => Way::Bar(bar()),
            () => Way::Lines,
        };
        CopyProgress { way, last_line: None }
    }

    /// Shows one event.
    pub fn event(&mut self, event: &Event) {
        match &self.way {
            Way::Nothing => {}
            Way::Json => {
                if let Ok(line) = json(event) {
                    tell(&line);
                }
            }
            Way::Bar(bar) => match event {
                Event::Progress(progress) => show_on_bar(bar, progress),
                other => {
                    if let Some(line) = sentence(other) {
                        bar.println(shown(&line));
                    }
                }
            },
            Way::Lines => match event {
                Event::Progress(progress) => {
                    if self.last_line.is_none_or(|last| last.elapsed() >= LINE_EVERY) {
                        self.last_line = Some(Instant::now());
                        tell(&state(progress));
                    }
                }
                other => {
                    if let Some(line) = sentence(other) {
                        tell(&line);
                    }
                }
            },
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        if let Way::Bar(bar) = &self.way {
            bar.finish_and_clear();
        }
    }
}

fn bar() -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr_with_hz(8));
    let style = "{prefix:20} whole {bar:28} {percent:>3} %  {msg}";
    bar.set_style(ProgressStyle::with_template(style).expect("a fixed template"));
    bar
}

fn show_on_bar(bar: &ProgressBar, progress: &Progress) {
    bar.set_length(progress.plan_bytes);
    bar.set_position(progress.copied_bytes + progress.unreadable_bytes);
    bar.set_prefix(match &progress.pass {
        Some(pass) => {
            format!("pass {} {} {}", pass.number, pass.class, human::share(part(pass.done_bytes, pass.bytes)))
        }
        None => "difficult places".to_owned(),
    });
    bar.set_message(details(progress));
}

fn part(done: u64, all: u64) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = done as f64 / all.max(1) as f64;
    share
}

/// Rate, time left, and what is not as it should be.
fn details(progress: &Progress) -> String {
    let mut parts = Vec::new();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a rate, not negative; saturates")]
    parts.extend(progress.rate.map(|rate| format!("{}/s", human::bytes(rate as u64))));
    // Over difficult places no rate tells when it ends.
    let seconds_left = progress.seconds_left.filter(|_| progress.next_hour_bytes.is_none());
    parts.extend(seconds_left.map(|left| format!("{} left", human::seconds(left))));
    if progress.failed_requests > 0 {
        parts.push(format!("{} reads failed", human::count(progress.failed_requests)));
    }
    if progress.deferred_bytes > 0 {
        parts.push(format!("{} skipped", human::bytes(progress.deferred_bytes)));
    }
    if progress.unreadable_bytes > 0 {
        parts.push(format!("{} unreadable", human::bytes(progress.unreadable_bytes)));
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
    parts.extend(
        progress.next_hour_bytes.map(|next| format!("worth {} expected in the next hour", human::bytes(next as u64))),
    );
    parts.extend(progress.celsius.map(|celsius| format!("{celsius:.0} °C")));
    parts.join(" · ")
}

fn state(progress: &Progress) -> String {
    let pass = match &progress.pass {
        Some(pass) => format!("pass {} ({})", pass.number, pass.class),
        None => "difficult places".to_owned(),
    };
    format!(
        "{pass}: {} of {} safe ({}) · {}",
        human::bytes(progress.copied_bytes),
        human::bytes(progress.plan_bytes),
        human::share(part(progress.copied_bytes, progress.plan_bytes)),
        details(progress)
    )
}

/// The events that a person should see pass by.
fn sentence(event: &Event) -> Option<String> {
    Some(match event {
        Event::PassBegun { number, class, pattern, bytes } => {
            let pattern = pattern.as_ref().map_or(String::new(), |p| format!(" {}", p));
            format!("pass {number}: {class}{pattern}, {}", human::bytes(*bytes))
        }
        Event::Paused { celsius, until_celsius } => {
            format!("the drive is at {celsius:.0} °C: reading pauses until it has cooled to {until_celsius:.0} °C")
        }
        Event::Resumed { celsius, seconds } => {
            let now = celsius.map_or("the sensor no longer answers".to_owned(), |c| format!("at {c:.0} °C"));
            format!("{now} after {}: reading goes on", human::seconds(*seconds))
        }
        Event::PlanRevised { late_bytes, bytes_before, bytes_now } => format!(
            "{} of structure arrived that could not be read before: the plan was made anew, {} instead of {}",
            human::bytes(*late_bytes),
            human::bytes(*bytes_now),
            human::bytes(*bytes_before)
        ),
        Event::Wanted { class: Some(class), patterns } if !patterns.is_empty() => {
            let counts: Vec<String> = patterns.iter().take(PATTERNS_SHOWN).map(|count| count.sentence()).collect();
            let more = patterns.len().saturating_sub(PATTERNS_SHOWN);
            let more = if more > 0 { format!("; and {more} more patterns") } else { String::new() };
            format!("end of class {class}: {}{more}", counts.join("; "))
        }
        Event::StageBegun { stage } => match stage {
            Stage::Worth => "what reads easily is copied: difficult places, those that are worth most for their time first",
            Stage::Suspects => "places that may have stopped the drive",
            Stage::EverySector => "every sector that is still skipped, alone",
        }
        .to_owned(),
        Event::DriveAwaited => "the drive is gone or no longer answers: what was read is safe. Switch it off, let it rest, check power and cable, \
                                switch it on; copying goes on when it is back. Ctrl-C ends it"
            .to_owned(),
        Event::DriveNotTaken { why } => format!("not taken for the drive: {why}"),
        Event::DriveBack { path } => format!("the drive is back at {}: copying goes on", path.display()),
        _ => return None,
    })
}
