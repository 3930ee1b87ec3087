//! One file for each command: options in, library call, answer shown.

pub mod audit;
pub mod copy;
pub mod demo;
pub mod export;
pub mod files;
pub mod folders;
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
use super::progress;
use crate::allocation::{Choices, DEFAULT_BULK, DriveMap, PatternError, Patterns};
use crate::case::{Case, Entry};
use crate::image::ImageForm;
use crate::model::{DriveModel, UNKNOWN_DRIVE, preset};
use crate::report::{RateOrigin, Reckoning, Trouble};
use crate::session::{Session, SessionError, Sources};
use crate::source::Store;
use serde::Serialize;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::sync::Arc;

/// Opens the drive, the case, or both; `outputs` are the files that will be written.
fn open(
    arguments: &SourceArguments,
    form: Option<ImageForm>,
    outputs: &[&Option<PathBuf>],
) -> Result<Session, SessionError> {
    Session::open(&Sources {
        source: arguments.source.clone(),
        case: arguments.case.clone(),
        sector_size: arguments.sector_size,
        trace: arguments.trace.clone(),
        form,
        mounted: arguments.mounted,
        outputs: outputs.iter().filter_map(|path| (*path).clone()).collect(),
    })
}

/// Opens the drive or the case and reads its tables and structure.
fn read(arguments: &SourceArguments, outputs: &[&Option<PathBuf>]) -> anyhow::Result<(Session, DriveMap)> {
    let mut session = open(arguments, None, outputs)?;
    let drive = read_open(&mut session, arguments.quiet || arguments.json)?;
    Ok((session, drive))
}

/// Reads tables and structure of what is open.
fn read_open(session: &mut Session, quiet: bool) -> anyhow::Result<DriveMap> {
    let reader = Arc::clone(&session.reader);
    Ok(progress::while_reading(&reader, quiet, || session.read_drive())?)
}

/// Notes in the case's record what was done.
fn record(session: &Session, outcome: Ending, figures: serde_json::Value) -> anyhow::Result<()> {
    let mut words = std::env::args().skip(1);
    let command = words.next().unwrap_or_default();
    let outcome = format!("exit code {}", outcome as u8);
    session.record(&Entry { command, arguments: words.collect(), outcome, figures })?;
    Ok(())
}

fn choices(wanted: &[String], bulk: &BulkArguments) -> Result<Choices, PatternError> {
    Ok(Choices { wanted: Patterns::new(wanted)?, bulk: Patterns::new(&bulk_patterns(bulk))?, ..Choices::default() })
}

fn bulk_patterns(bulk: &BulkArguments) -> Vec<String> {
    let default: &[&str] = if bulk.no_default_bulk { &[] } else { &DEFAULT_BULK };
    default.iter().map(|text| (*text).to_owned()).chain(bulk.bulk.iter().cloned()).collect()
}

/// The model that was chosen, else the one that was measured for the case, else the one that was chosen for it before,
/// else that of an unknown drive; with the figures that were given in place of its own.
fn drive_model(arguments: &ModelArguments, case: Option<&Case>) -> anyhow::Result<Reckoning> {
    let measured = if arguments.drive.is_some() { None } else { case.map(Case::model).transpose()?.flatten() };
    let chosen_before = case.and_then(|case| case.file().chosen_model.clone());
    let (mut model, mut origin) = match (&arguments.drive, measured, chosen_before) {
        (Some(chosen), _, _) => (DriveModel::of_kind_or_file(chosen)?, RateOrigin::Chosen),
        (None, Some(measured), _) => (measured, RateOrigin::Paced),
        (None, None, Some(chosen)) => (chosen, RateOrigin::Chosen),
        (None, None, None) => (preset(UNKNOWN_DRIVE).expect("one of the presets").model(), RateOrigin::Assumed),
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

/// Keeps the kind of drive or the model that was chosen, so that it need not be chosen again.
fn remember_chosen_drive(arguments: &ModelArguments, case: Option<&mut Case>) -> anyhow::Result<()> {
    if let (Some(chosen), Some(case)) = (&arguments.drive, case) {
        case.set_chosen_model(DriveModel::of_kind_or_file(chosen)?)?;
    }
    Ok(())
}

/// What has failed in this run and, by the case, before.
fn trouble(session: &Session) -> Trouble {
    Trouble::of(&session.reader, session.case.as_ref().map(|case| case.store().as_ref() as &dyn Store))
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
