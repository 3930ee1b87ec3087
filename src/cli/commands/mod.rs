//! One file for each command: options in, library call, answer shown.

pub mod audit;
pub mod copy;
pub mod demo;
pub mod export;
pub mod files;
pub mod folders;
pub mod mend;
pub mod note;
pub mod pace;
pub mod plan;
pub mod record;
pub mod report;
pub mod simulate;
pub mod survey;
pub mod take;
pub mod verify;
pub mod watch;

use super::args::{BulkArguments, ModelArguments, SourceArguments};
use super::exit::Ending;
use super::{progress, show};
use crate::allocation::{Choices, DEFAULT_BULK, DriveMap, PatternError, Patterns};
use crate::case::{Access, Case, Entry, Word, leftovers};
use crate::image::ImageForm;
use crate::model::{DriveModel, UNKNOWN_DRIVE, preset};
use crate::report::{RateOrigin, Reckoning};
use crate::session::{Session, SessionError, Sources};
use serde::Serialize;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::sync::Arc;

/// Opens the drive, the case, or both; `outputs` are the files that will be written.
fn open(
    arguments: &SourceArguments,
    access: Access,
    form: Option<ImageForm>,
    outputs: &[&Option<PathBuf>],
) -> Result<Session, SessionError> {
    let session = Session::open(&Sources {
        source: arguments.source.clone(),
        case: arguments.case.clone(),
        sector_size: arguments.sector_size,
        trace: arguments.trace.clone(),
        form,
        access,
        mounted: arguments.mounted,
        word: Word { same_drive: arguments.same_drive, source_changed: arguments.source_changed },
        outputs: outputs.iter().filter_map(|path| (*path).clone()).collect(),
    })?;
    if let Some(case) = session.case.as_ref().filter(|case| !case.is_only_looked_at() && !arguments.quiet) {
        eprint!("{}", show::leftovers(&leftovers(case.folder(), case.file())?));
    }
    Ok(session)
}

/// Opens the drive or the case and reads its tables and structure.
fn read(
    arguments: &SourceArguments,
    access: Access,
    outputs: &[&Option<PathBuf>],
) -> anyhow::Result<(Session, DriveMap)> {
    let mut session = open(arguments, access, None, outputs)?;
    let drive = read_open(&mut session, arguments.quiet || arguments.json)?;
    Ok((session, drive))
}

/// Reads tables and structure of what is open.
fn read_open(session: &mut Session, quiet: bool) -> anyhow::Result<DriveMap> {
    let reader = Arc::clone(&session.reader);
    Ok(progress::while_reading(&reader, quiet, || session.read_drive())?)
}

/// Writes to the case's record what was done. A case that is only looked at may lie where nothing can be written; then that
/// is said, and what was asked for is done all the same.
fn record(session: &Session, outcome: Ending, figures: serde_json::Value) -> anyhow::Result<()> {
    let recorded = session.record(&command_entry(outcome, figures));
    match recorded {
        Err(error) if session.case.as_ref().is_some_and(Case::is_only_looked_at) => {
            eprintln!("gleaner: the record has no line of this: {error}");
            Ok(())
        }
        other => Ok(other?),
    }
}

/// The record's line of the command that was typed.
fn command_entry(outcome: Ending, figures: serde_json::Value) -> Entry {
    let mut words = std::env::args_os().skip(1).map(|word| word.to_string_lossy().into_owned());
    let command = words.next().unwrap_or_default();
    Entry { command, arguments: words.collect(), outcome: format!("exit code {}", outcome as u8), figures }
}

fn choices(wanted: &[String], bulk: &BulkArguments) -> Result<Choices, PatternError> {
    Ok(Choices { wanted: Patterns::new(wanted)?, bulk: Patterns::new(&bulk_patterns(bulk))?, ..Choices::default() })
}

fn bulk_patterns(bulk: &BulkArguments) -> Vec<String> {
    let default: &[&str] = if bulk.no_default_bulk { &[] } else { &DEFAULT_BULK };
    default.iter().map(|text| (*text).to_owned()).chain(bulk.bulk.iter().cloned()).collect()
}

/// The model that was asked for, else the case's own, else that of an unknown drive; with the figures that were given in
/// place of its own.
fn drive_model(arguments: &ModelArguments, case: Option<&Case>) -> anyhow::Result<Reckoning> {
    let of_case = if arguments.drive.is_some() { None } else { case.map(Case::model).transpose()?.flatten() };
    let (mut model, mut origin) = match (&arguments.drive, of_case) {
        (Some(asked), _) => (DriveModel::of_kind_or_file(asked)?, RateOrigin::Chosen),
        (None, Some(measured)) => (measured, RateOrigin::Paced),
        (None, None) => (preset(UNKNOWN_DRIVE).expect("one of the presets").model(), RateOrigin::Assumed),
    };
    if let Some(rate) = arguments.rate {
        model = model.at_one_rate(bytes_per_second(rate));
        origin = RateOrigin::Given;
    }
    if let Some(milliseconds) = arguments.reposition {
        model = model.with_reposition(milliseconds);
    }
    model.check()?;
    Ok(Reckoning { model, origin })
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
