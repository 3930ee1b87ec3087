//! A case's record as text.

use super::line;
use crate::case::{Note, Record, RecordLine};
use crate::cli::table::{Column, table};
use crate::human;

/// A note in a line.
pub fn note(note: &Note) -> String {
    let mut parts: Vec<String> = note.fields.iter().map(|field| format!("{} {field}", field.name)).collect();
    parts.extend(note.health.as_ref().map(ToString::to_string));
    parts.extend(note.text.clone());
    format!("{}: {}", note.topic, parts.join("; "))
}

/// The record, an entry a row.
pub fn record(record: &Record) -> String {
    use Column::{Left, Right};
    let rows = record.lines.iter().map(|entry| {
        vec![
            entry.line.to_string(),
            entry.when.clone(),
            entry.who.clone().unwrap_or_default(),
            entry.command.clone(),
            what(entry),
            entry.outcome.clone(),
        ]
    });
    let columns = [Right(""), Left("when"), Left("who"), Left("command"), Left("what"), Left("outcome")];
    let mut text = table(&columns, rows);
    if record.personal_left_out > 0 {
        say!(
            &mut text,
            "  {} personal things were left out: fields marked as such, who did it, and the words typed",
            record.personal_left_out
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
pub fn record_check(record: &Record) -> String {
    let mut text = String::new();
    match &record.fault {
        None => say!(&mut text, "RECORD  {} lines, each follows the one before it", human::count(record.line_count)),
        Some(fault) => say!(&mut text, "RECORD  not as it was written: {fault}"),
    }
    for line in record.unread.iter().take(10) {
        say!(
            &mut text,
            "  line {line} cannot be read (power went while it was written?); what follows it confirms its bytes"
        );
    }
    if !record.sealed {
        say!(&mut text, "  there is no seal beside it: whether lines were removed from its end cannot be told");
    }
    say!(&mut text, "  SHA-256 of the last line: {}", record.last_sha256);
    say!(&mut text, "  (noted down elsewhere, it shows later that nothing up to here was changed)");
    text
}
