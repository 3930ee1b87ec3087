//! One file for each command: options in, library call, answer shown.

pub mod audit;
pub mod copy;
pub mod demo;
pub mod drives;
pub mod export;
pub mod files;
pub mod folders;
pub mod hand_over;
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
use super::input::key_of;
use super::output::{print, tell, tell_lines};
use super::stop::stop_flag;
use super::{ending_of, is_broken_pipe, message_of, progress, show};
use crate::base::extent::ExtentSet;
use crate::base::text::of_os;
use crate::case::{Access, Case, CaseError, Entry, Word, leftovers};
use crate::copy::session::{Session, SessionError, Sources};
use crate::drive::model::{DriveModel, ModelChoice, ModelRequest};
use crate::plan::load_plan;
use crate::report::values::{Costs, Trouble};
use crate::source::{CopyStore, Keys, TroubleLimit};
use crate::store::image::ImageForm;
use crate::survey::allocation::{Choices, DEFAULT_BULK, DriveMap, PatternError, Patterns};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;

/// How a command's work ended, and what there is to say about it.
struct Done {
    ending: Ending,
    /// For the case's record.
    figures: Value,
    /// For standard output.
    text: String,
}

/// How a command opens what it works with.
#[derive(Default)]
struct Opening<'o> {
    access: Access,
    form: Option<ImageForm>,
    /// Files that will be written.
    outputs: &'o [&'o Option<PathBuf>],
    /// Whether a reading of the structure that is stopped answers with what it has.
    answers_when_stopped: bool,
}

impl Opening<'_> {
    /// To change the case, not only to look.
    fn to_work() -> Opening<'static> {
        Opening { access: Access::Work, ..Opening::default() }
    }
}

/// Opens the drive, the case, or both, works with it, and leaves the case in order however the work ends: with a last commit and a
/// line in its record.
fn in_session(
    arguments: &SourceArguments,
    opening: &Opening<'_>,
    work: impl FnOnce(&mut Session) -> anyhow::Result<Done>,
) -> anyhow::Result<Ending> {
    let stop = stop_flag()?;
    // Before anything is opened, so that nothing is on record of a key that cannot be read.
    let keys = arguments.keys.key.iter().map(|path| key_of(path, &stop)).collect::<Result<Vec<_>, _>>()?;
    let mut session = Session::open(&Sources {
        source: arguments.source.clone(),
        case: arguments.case.clone(),
        sector_size: arguments.sector_size,
        trace: arguments.trace.clone(),
        form: opening.form,
        access: opening.access,
        mounted: arguments.mounted,
        elsewhere: arguments.case_is_elsewhere,
        word: Word { same_drive: arguments.same_drive, source_changed: arguments.source_changed },
        outputs: opening.outputs.iter().filter_map(|path| (*path).clone()).collect(),
        stop,
        answers_when_stopped: opening.answers_when_stopped,
        trouble_limit: arguments.trouble_limit.map_or_else(TroubleLimit::default, |limit| limit.0),
        keys: Arc::new(Keys::new(keys)),
        key_files: arguments.keys.key.clone(),
    })?;
    if let Some(case) = session.case.as_ref().filter(|case| !case.is_only_looked_at() && !arguments.quiet) {
        tell_lines(&show::leftovers(&leftovers(case.folder(), case.file())?));
    }
    work_in(&mut session, &typed(), work)
}

/// Works in a session that is open, for the command line `typed`; leaves the case in order as [`in_session`] does.
fn work_in(
    session: &mut Session,
    typed: &[String],
    work: impl FnOnce(&mut Session) -> anyhow::Result<Done>,
) -> anyhow::Result<Ending> {
    let done = work(session);
    let traced = session.reader.flush_trace();
    let Done { ending, figures, text } = done.or_else(|error| ended_early(session, typed, error))?;
    // Before anything is printed: what was done is on record in any case.
    let recorded = record(session, typed, ending, figures);
    print(&text)?;
    recorded?;
    traced?;
    Ok(ending)
}

/// What is left to do when the work failed, or the reader of its output is gone.
fn ended_early(session: &Session, typed: &[String], error: anyhow::Error) -> anyhow::Result<Done> {
    if is_broken_pipe(&error) {
        let figures = json!({ "output": "closed by its reader before its end" });
        return Ok(Done { ending: Ending::Done, figures, text: String::new() });
    }
    // The first failure is told; it may well be the reason for another here.
    let _ = session.commit();
    let _ = record(session, typed, ending_of(&error), json!({ "error": message_of(&error) }));
    Err(error)
}

/// Reads tables and structure of what is open.
fn read(session: &mut Session, quiet: bool) -> anyhow::Result<DriveMap> {
    let reader = Arc::clone(&session.reader);
    Ok(progress::while_reading(&reader, quiet, || session.read_drive())?)
}

/// Writes to the case's record what was done. A case that is only looked at may lie where nothing can be written; then that
/// is said, and the command is done all the same.
fn record(session: &Session, typed: &[String], outcome: Ending, figures: Value) -> Result<(), CaseError> {
    match session.record(&command_entry(typed, outcome, figures)) {
        Err(error) if session.case.as_ref().is_some_and(Case::is_only_looked_at) => {
            tell(&format!("gleaner: the record has no line of this: {error}"));
            Ok(())
        }
        other => other,
    }
}

/// The command and its arguments, as typed.
fn typed() -> Vec<String> {
    std::env::args_os().skip(1).map(|word| of_os(&word)).collect()
}

/// The record's line of a command.
fn command_entry(typed: &[String], outcome: Ending, figures: Value) -> Entry {
    let (command, arguments) =
        typed.split_first().map(|(first, rest)| (first.clone(), rest.to_vec())).unwrap_or_default();
    Entry { command, arguments, outcome: format!("exit code {}", outcome as u8), figures }
}

/// What the case's plan reads, and the files that it wants first. Nothing without a plan.
fn planned(case: &Case) -> anyhow::Result<(ExtentSet, Patterns)> {
    let Some(path) = case.plan_path() else { return Ok(Default::default()) };
    let plan = load_plan(&path)?;
    // A pattern that cannot be used is no reason not to tell of the files.
    Ok((plan.ascending().collect(), Patterns::new(&plan.header.wants).unwrap_or_default()))
}

/// Refuses to begin without a case, before anything is read.
fn require_case(arguments: &SourceArguments) -> Result<(), SessionError> {
    if arguments.case.is_some() { Ok(()) } else { Err(SessionError::NoCase) }
}

fn choices(wanted: &[String], bulk: &BulkArguments) -> Result<Choices, PatternError> {
    Ok(Choices { wanted: Patterns::new(wanted)?, bulk: Patterns::new(&bulk_patterns(bulk))?, ..Choices::default() })
}

fn bulk_patterns(bulk: &BulkArguments) -> Vec<String> {
    let default: &[&str] = if bulk.no_default_bulk { &[] } else { &DEFAULT_BULK };
    default.iter().map(|text| (*text).to_owned()).chain(bulk.bulk.iter().cloned()).collect()
}

/// The model that times are calculated by.
fn drive_model(arguments: &ModelArguments, case: Option<&Case>) -> anyhow::Result<ModelChoice> {
    let request = ModelRequest {
        drive: arguments.drive.clone(),
        rate: arguments.rate.map(bytes_per_second),
        reposition_ms: arguments.reposition,
    };
    let measured = || case.map_or(Ok(None), Case::model);
    Ok(ModelChoice::of(&request, measured, case.and_then(|case| case.file().chosen_model.as_ref()))?)
}

/// The costs that times are calculated by, the same in every command.
fn costs(arguments: &ModelArguments, session: &Session) -> anyhow::Result<Costs> {
    let choice = drive_model(arguments, session.case.as_ref())?;
    Ok(Costs::new(&choice, session.known_rate(), session.reader.identity().bytes))
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
    Trouble::of(&session.reader, session.case.as_ref().map(|case| case.store().as_ref() as &dyn CopyStore))
}

/// Megabytes a second, as typed, in bytes a second.
fn bytes_per_second(megabytes: f64) -> f64 {
    megabytes * 1e6
}
