//! One file for each command: options in, library call, answer shown.

pub mod demo;
pub mod export;
pub mod files;
pub mod folders;
pub mod plan;
pub mod survey;

use super::args::{BulkArguments, SourceArguments};
use super::progress;
use crate::allocation::{self, Choices, DEFAULT_BULK, DriveMap, PatternError, Patterns};
use crate::source::{self, Reader, Trace};
use crate::write_new::create_new;
use anyhow::Context;
use serde::Serialize;
use std::io::{self, BufWriter, Write};

/// Opens the source, with its trace if one is asked for.
fn open(arguments: &SourceArguments) -> anyhow::Result<Reader> {
    let source = source::open(&arguments.source, arguments.sector_size)?;
    let trace = match &arguments.trace {
        Some(path) => {
            let file = create_new(path)?;
            Some(Trace::new(Box::new(BufWriter::new(file))).with_context(|| format!("{}", path.display()))?)
        }
        None => None,
    };
    Ok(Reader::new(source, trace))
}

/// Opens the source and reads its tables and structure.
fn read(arguments: &SourceArguments) -> anyhow::Result<(Reader, DriveMap)> {
    let reader = open(arguments)?;
    let drive = progress::while_reading(&reader, arguments.quiet || arguments.json, || allocation::read_drive(&reader));
    reader.flush_trace()?;
    Ok((reader, drive?))
}

fn choices(wanted: &[String], bulk: &BulkArguments) -> Result<Choices, PatternError> {
    let default: &[&str] = if bulk.no_default_bulk { &[] } else { &DEFAULT_BULK };
    let list: Vec<&str> = default.iter().copied().chain(bulk.bulk.iter().map(String::as_str)).collect();
    Ok(Choices { wanted: Patterns::new(wanted)?, bulk: Patterns::new(&list)? })
}

/// Megabytes a second, as typed, in bytes a second.
fn bytes_per_second(megabytes: f64) -> f64 {
    megabytes * 1e6
}

fn print(text: &str) -> anyhow::Result<()> {
    io::stdout().lock().write_all(text.as_bytes())?;
    Ok(())
}

fn print_json(value: &impl Serialize) -> anyhow::Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    serde_json::to_writer_pretty(&mut out, value)?;
    out.write_all(b"\n")?;
    out.flush()?;
    Ok(())
}
