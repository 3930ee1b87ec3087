//! A case's record as CSV.

use crate::base::text::csv_field;
use crate::case::{CaseRecord, RecordLine};
use std::io::{self, Write};

/// Writes a line an entry: `line,when,who,command,arguments,outcome,topic,fields,text,figures`. Text fields are as [`csv_field`]
/// writes them; arguments and fields are separated by `; `, figures are JSON.
///
/// # Errors
/// What `out` gives.
pub fn record_csv(record: &CaseRecord, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "line,when,who,command,arguments,outcome,topic,fields,text,figures")?;
    record.lines.iter().try_for_each(|line| write_line(line, out))
}

fn write_line(line: &RecordLine, out: &mut impl Write) -> io::Result<()> {
    let note = line.note();
    let mut fields: Vec<String> =
        note.iter().flat_map(|note| &note.fields).map(|field| format!("{}={field}", field.name)).collect();
    fields.extend(note.iter().filter_map(|note| note.health.as_ref()).map(|reading| format!("health={reading}")));
    let figures = if note.is_some() || line.figures.is_null() { String::new() } else { line.figures.to_string() };
    let texts = [
        line.when.as_str(),
        line.who.as_deref().unwrap_or(""),
        &line.command,
        &line.arguments.join("; "),
        &line.outcome,
        note.as_ref().map_or("", |note| note.topic.name()),
        &fields.join("; "),
        note.as_ref().and_then(|note| note.text.as_deref()).unwrap_or(""),
        &figures,
    ];
    let texts: Vec<String> = texts.iter().map(|text| csv_field(text)).collect();
    writeln!(out, "{},{}", line.line, texts.join(","))
}
