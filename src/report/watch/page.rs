//! The page: what the board says, as HTML.

use super::WatchEnd;
use super::board::{Board, Standing};
use super::pictures::{human_rate, pictures};
use crate::base::human;
use crate::base::text::shown;
use crate::copy::history::CopyRun;
use crate::report::picture::{escape, style};
use serde::Serialize;
use std::fmt::Write;

/// Notes shown, the latest first.
const NOTES: usize = 12;

/// The parts of the page that change, as they are now. As JSON it is what the page's script asks for.
#[derive(Serialize)]
pub(super) struct Parts {
    /// Whether nothing will change any more.
    over: bool,
    /// Title of the window.
    title: String,
    /// HTML by the `id` of the element it goes into.
    parts: Inner,
}

#[derive(Serialize)]
struct Inner {
    state: String,
    figures: String,
    pictures: String,
    notes: String,
}

/// Makes the parts.
pub(super) fn parts(board: &Board) -> Parts {
    let share = share(board);
    let word = match board.standing() {
        Standing::Waiting => "waiting",
        Standing::Running => "copying",
        Standing::Over(_) => "over",
    };
    let title = share.map_or_else(|| word.to_owned(), |share| format!("{} safe, {word}", human::share(share)));
    Parts {
        over: matches!(board.standing(), Standing::Over(_)),
        title: format!("{title} · {}", case_name(board)),
        parts: Inner { state: state(board), figures: figures(board), pictures: pictures(board), notes: notes(board) },
    }
}

/// The whole page. `nonce` marks the style and the script that are its own.
pub(super) fn page(board: &Board, parts: &Parts, nonce: &str) -> String {
    let source = &board.file().source;
    let names = [source.model.as_deref(), source.serial.as_deref()];
    let names: Vec<String> = names.into_iter().flatten().map(escape).collect();
    let file = || source.path.file_name().map_or("Drive".to_owned(), |name| escape(&name.to_string_lossy()));
    let drive = if names.is_empty() { file() } else { names.join(", ") };
    // Without script the page loads itself anew, until there is nothing new to come.
    let reload = if parts.over { "" } else { "<noscript><meta http-equiv=\"refresh\" content=\"5\"></noscript>" };
    let Inner { state, figures, pictures, notes } = &parts.parts;
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{title}</title>\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">{reload}\
         <style nonce=\"{nonce}\">{style}{own_style}</style></head>\n<body><header><p class=\"faint\">Case {case}</p>\
         <h1>{drive}, {bytes}</h1></header>\n<main><div id=\"state\" role=\"status\">{state}</div>\n\
         <section id=\"figures\" aria-label=\"Figures\">{figures}</section>\n<div id=\"pictures\">{pictures}</div>\n\
         <section aria-labelledby=\"happened\"><h2 id=\"happened\">What happened</h2><div id=\"notes\">{notes}</div></section>\
         </main>\n<footer><p>This page only shows. The copy is stopped with Ctrl-C in the window where it runs, and goes on \
         with the same command.</p></footer>\n<script nonce=\"{nonce}\">{script}</script></body></html>\n",
        title = escape(&parts.title),
        style = style(),
        own_style = include_str!("page.css"),
        case = escape(&board.folder().display().to_string()),
        bytes = human::bytes(source.bytes),
        script = include_str!("page.js"),
    )
}

fn case_name(board: &Board) -> String {
    let folder = board.folder();
    let name = folder.file_name().unwrap_or(folder.as_os_str()).to_string_lossy();
    shown(&name).into_owned()
}

/// How much of what is planned is safe, 0 to 1.
#[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
fn share(board: &Board) -> Option<f64> {
    let point = board.run()?.points.last()?;
    (point.plan_bytes > 0).then(|| (point.copied_bytes as f64 / point.plan_bytes as f64).min(1.0))
}

/// One or two sentences: they change seldom, and are read aloud when they do.
fn state(board: &Board) -> String {
    let last = board.run().and_then(|run| run.points.last());
    let mut out = match board.standing() {
        Standing::Waiting => waiting(board),
        Standing::Running => match (board.silence(), last) {
            (Some(silence), _) => {
                let last = board.run().and_then(|run| run.notes.last());
                let last = last.map_or_else(String::new, |(_, note)| format!(" What happened last: {}.", escape(note)));
                format!(
                    "<p class=\"alert\"><strong>No news for {}.</strong> The drive may be busy with a failing read, pause to \
                     cool or be gone, or the copy may have been killed: look at its own window.{last}</p>",
                    coarse(silence.as_secs_f64())
                )
            }
            (None, Some(point)) => format!("<p><strong>Copying.</strong> Now: {}.</p>", point.class),
            (None, None) => "<p><strong>The copy begins.</strong></p>".to_owned(),
        },
        Standing::Over(WatchEnd::Ended(how)) => {
            format!("<p><strong>{}.</strong> This page changes no more.</p>", escape(how))
        }
        Standing::Over(WatchEnd::Killed | WatchEnd::Asked) => {
            "<p class=\"alert\"><strong>The process that copied is gone \
             and wrote no end:</strong> it was killed, or crashed. What was safe is safe; the same command goes on.</p>"
                .to_owned()
        }
    };
    for trouble in board.trouble().map(str::to_owned).into_iter().chain(board.held().caution()) {
        let _ = write!(out, "<p class=\"faint\">{}</p>", escape(&trouble));
    }
    out
}

/// A time that does not change every second, for a sentence that is read aloud when it changes.
fn coarse(seconds: f64) -> String {
    let step = if seconds < 120.0 { 10.0 } else { 60.0 };
    human::seconds((seconds / step).floor() * step)
}

fn waiting(board: &Board) -> String {
    let before = match board.run() {
        Some(run) => format!(
            "The last one, begun at {}, ended: {}. What is shown is how it ended. ",
            escape(&run.began),
            escape(run.ended.as_ref().map_or("", |(_, how)| how))
        ),
        None => "None has run in this case. ".to_owned(),
    };
    format!("<p><strong>No copy is running.</strong> {before}This page waits for the next to begin.</p>")
}

fn figures(board: &Board) -> String {
    let Some(run) = board.run() else { return String::new() };
    let Some(point) = run.points.last() else { return String::new() };
    let running = *board.standing() == Standing::Running;
    let share = share(board).unwrap_or(0.0);
    let mut out = wanted(run);
    let _ = write!(
        out,
        "<p class=\"share\"><strong>{percent}</strong> safe: {safe} of {planned}</p><progress max=\"1\" value=\"{share:.4}\" \
         aria-label=\"safe of what is planned\">{percent}</progress>",
        percent = human::share(share),
        safe = human::bytes(point.copied_bytes),
        planned = human::bytes(point.plan_bytes),
    );
    if running {
        let sentences = [("Time left", point.left.sentence(point.deferred_bytes)), ("Go on", point.health.sentence())];
        sentences.iter().for_each(|(name, sentence)| {
            let _ = write!(out, "<p><strong>{name}</strong> {sentence}</p>");
        });
    }
    out.push_str("<dl>");
    let mut say = |name: &str, value: &str| {
        let _ = write!(out, "<div><dt>{name}</dt><dd>{value}</dd></div>");
    };
    let unknown = || "not known yet".to_owned();
    if running {
        say("rate", &point.rate.map_or_else(unknown, human_rate));
    }
    let ran = run.ended.as_ref().map_or(point.seconds, |ended| ended.0.max(point.seconds));
    say(if running { "running for" } else { "ran for" }, &human::seconds(ran));
    say("failed reads", &human::count(point.failed_requests));
    say("skipped", &human::bytes(point.deferred_bytes));
    say("unreadable", &human::bytes(point.unreadable_bytes));
    let celsius = point.health.celsius.map_or_else(|| "not available".to_owned(), |celsius| format!("{celsius:.0} °C"));
    say("temperature", &celsius);
    if running {
        say("last read at byte", &human::count(point.at));
    }
    out.push_str("</dl>");
    out
}

/// The wanted files, a line for each pattern.
fn wanted(run: &CopyRun) -> String {
    let lines: String = run.wanted.iter().map(|count| format!("<li>{}</li>", escape(&count.sentence()))).collect();
    if lines.is_empty() { lines } else { format!("<ul class=\"wanted\" aria-label=\"Wanted files\">{lines}</ul>") }
}

fn notes(board: &Board) -> String {
    let notes = board.run().map_or(&[][..], |run| &run.notes);
    if notes.is_empty() {
        return "<p class=\"faint\">Nothing to tell yet.</p>".to_owned();
    }
    let mut out = "<ol reversed>".to_owned();
    for (seconds, note) in notes.iter().rev().take(NOTES) {
        let _ =
            write!(out, "<li><span class=\"faint\">after {}</span> {}</li>", human::seconds(*seconds), escape(note));
    }
    out.push_str("</ol>");
    if notes.len() > NOTES {
        let _ = write!(out, "<p class=\"faint\">and {} before these</p>", notes.len() - NOTES);
    }
    out
}
