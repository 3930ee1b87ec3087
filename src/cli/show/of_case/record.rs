//! A case's record as text.

use crate::base::human;
use crate::case::{CaseRecord, Note, RecordLine};
use crate::cli::show::{line, wrapped};

/// A note that was added.
pub fn added_note(added: &Note) -> String {
    let mut text = String::new();
    wrapped(&mut text, "noted: ", &note(added));
    text
}

/// A note as a sentence.
fn note(note: &Note) -> String {
    let mut parts: Vec<String> = note.fields.iter().map(|field| format!("{} {field}", field.name)).collect();
    parts.extend(note.health.as_ref().map(ToString::to_string));
    parts.extend(note.text.clone());
    format!("{}: {}", note.topic, parts.join("; "))
}

/// The record: of each entry its number, time, command and outcome, then what was typed or noted.
pub fn record(record: &CaseRecord) -> String {
    let mut text = String::new();
    for entry in &record.lines {
        let who = entry.who.as_ref().map_or(String::new(), |who| format!(" (by {who})"));
        say!(&mut text, "{:>4}  {}  {}: {}{who}", entry.line, entry.when, entry.command, entry.outcome);
        let what = what(entry);
        if !what.is_empty() {
            wrapped(&mut text, "        ", &what);
        }
    }
    if record.personal_left_out > 0 {
        say!(
            &mut text,
            "  {} left out: marked fields, names of people, words typed",
            human::counted(record.personal_left_out, "personal detail", "personal details")
        );
    }
    if let Some(fault) = &record.fault {
        say!(&mut text, "  NOT AS IT WAS WRITTEN: {fault}");
    }
    text
}

fn what(entry: &RecordLine) -> String {
    match entry.note() {
        Some(of_bench) => note(&of_bench),
        None => entry.arguments.join(" "),
    }
}

/// What following the chain gave.
pub fn record_check(record: &CaseRecord) -> String {
    let mut text = String::new();
    match &record.fault {
        None => say!(
            &mut text,
            "RECORD  {}, each follows the one before it",
            human::counted(record.line_count, "line", "lines")
        ),
        Some(fault) => say!(&mut text, "RECORD  not as it was written: {fault}"),
    }
    for line in record.unread.iter().take(10) {
        say!(
            &mut text,
            "  line {line} cannot be read (power went while it was written?); what follows it confirms its bytes"
        );
    }
    if !record.sealed {
        say!(&mut text, "  it has no seal, so that a removal of its last lines would not show");
    }
    say!(&mut text, "  last SHA-256: {}", record.last_sha256);
    say!(&mut text, "  Write it down elsewhere: it shows later that nothing up to here was changed.");
    text
}
