//! The record of who did what when.

use super::{count, heads, moment, shown, table, things};
use crate::case::{Note, RecordLine};
use crate::report::document::Document;
use maud::{Markup, html};

/// Entries shown in the page, the latest of all.
const LISTED: usize = 2000;

pub(super) fn section(document: &Document) -> Markup {
    let record = &document.record;
    let first = record.lines.len().saturating_sub(LISTED);
    let columns =
        [("line", true), ("when", false), ("who", false), ("command", false), ("what", false), ("outcome", false)];
    html! {
        @match &record.fault {
            Some(fault) => p { strong { "Not as it was written: " } (fault.to_string()) "." },
            None => p { (things(record.line_count, "entry", "entries")) "; each names the one before it, and none was changed." },
        }
        @if !record.sealed { p { "It has no seal, so that a removal of its last lines would not show." } }
        @if first > 0 { p { "The first " (count(first as u64)) " entries are not shown here." } }
        (table("The record, the oldest first", html! {
            (heads(&columns))
            tbody { @for line in &record.lines[first..] { (row(line)) } }
        }))
    }
}

fn row(line: &RecordLine) -> Markup {
    html! {
        tr {
            th.n scope="row" { (line.line) }
            td.when { (moment(&line.when)) }
            td { (shown(line.who.as_deref().unwrap_or(""))) }
            td { (shown(&line.command)) }
            td { @match line.note() {
                Some(written) => (note(&written)),
                None => @if !line.arguments.is_empty() { code.words { (shown(&line.arguments.join(" "))) } },
            } }
            td { (shown(&line.outcome)) }
        }
    }
}

fn note(note: &Note) -> Markup {
    html! {
        strong { (note.topic.name()) }
        @for field in &note.fields { " · " (field.name) " " (shown(&field.to_string())) }
        @if let Some(reading) = &note.health { " · " (shown(&reading.to_string())) }
        @if let Some(text) = &note.text { @if !note.fields.is_empty() { br; } @else { ": " } (long(text)) }
    }
}

/// A note's text in full: people wrote it for this.
fn long(text: &str) -> Markup {
    html! { @for (i, line) in text.lines().enumerate() { @if i > 0 { br; } (line) } }
}
