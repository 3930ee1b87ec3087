//! Reports as tables and pictures for a terminal.

macro_rules! say {
    ($text:expr, $($arguments:tt)*) => { line($text, format_args!($($arguments)*)) };
}

mod copy;
mod folders;
mod of_case;
mod pace;
mod plan;
mod simulated;
mod surveyed;
mod written;

pub use copy::copy;
pub use folders::{folders, numbered_folders};
pub use of_case::audit::{AuditView, audit};
pub use of_case::hand_over::{checked, missing, written_drive, written_image};
pub use of_case::mended::{leftovers, mended};
pub use of_case::record::{added_note, record, record_check};
pub use of_case::taken::{TAKEN_SHOWN, taken};
pub use of_case::verify::{verify, verify_begins};
pub use pace::pace;
pub use plan::plan;
pub use simulated::simulated;
pub use surveyed::drives::drives;
pub use surveyed::survey::survey;
pub use surveyed::survey_full::survey_full;
pub use written::{exported, published};

use super::layout::{self, columns, shell_lines, wrap};
use crate::base::human;
use crate::base::text::shown;
use unicode_width::UnicodeWidthStr;

/// A line, continued under its own beginning where the terminal is too narrow. A line break in a drive's names shows as an escape.
fn line(text: &mut String, content: std::fmt::Arguments<'_>) {
    let content = content.to_string();
    if shown(&content).width() <= columns() {
        return verbatim(text, &content);
    }
    let sentence = content.trim_start();
    wrapped(text, &content[..content.len() - sentence.len()], sentence);
}

/// A line as it is, however long: a command, or what is laid out already.
fn verbatim(text: &mut String, line: &str) {
    text.push_str(&shown(line));
    text.push('\n');
}

/// A time that is known to lie between two.
pub fn time_range(least: f64, most: f64) -> String {
    let (least, most) = (human::seconds(least), human::seconds(most));
    if least == most { least } else { format!("{least} to {most}") }
}

/// What to type next, ready to paste.
fn next(text: &mut String, heading: &str, commands: &[String]) {
    if !commands.is_empty() {
        say!(text, "");
        say!(text, "{heading}");
    }
    commands.iter().for_each(|command| self::command(text, command));
}

/// A command, ready to paste.
fn command(text: &mut String, command: &str) {
    shell_lines(&format!("  {command}"), columns()).iter().for_each(|part| verbatim(text, part));
}

/// A sentence behind `start`, on as many lines as it needs; the later ones stand two columns in from the first.
fn wrapped(text: &mut String, start: &str, sentence: &str) {
    wrap(start, sentence, columns()).iter().for_each(|part| verbatim(text, part));
}
