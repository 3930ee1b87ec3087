//! Copying in a case: the case's plan is followed, and made anew when structure that the survey could not read arrives
//! late.
//!
//! A survey that meets unreadable places goes on without what they hold, and its plan widens accordingly. Copying comes
//! back to those places first. Once one of them answers, more is known: files that nobody had heard of, clusters that turn
//! out to be free. The plan is then made again, asked for the same, and followed in place of the old one; what is held
//! already is not read again.

use crate::allocation::Class;
use crate::case::{Case, CaseError};
use crate::copy::{Controls, CopyError, CopyOptions, CopyOutcome, End, Event, StopAfter, copy};
use crate::extent::Extent;
use crate::history::{HISTORY_NAME, HistoryWriter};
use crate::plan::{MakeError, Plan, PlanReadError, make_again, open_plan, read_plan, read_plan_header, write_plan};
use crate::report::{RoomError, room_for};
use crate::session::{Session, SessionError};
use crate::source::Store;
use crate::write_new::{WriteNewError, write_new};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Why copying in a case failed. What was kept before is safe.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaseCopyError {
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// There is no room for what the plan brings.
    #[error(transparent)]
    Room(#[from] RoomError),
    /// Copying.
    #[error(transparent)]
    Copy(#[from] CopyError),
    /// Reading the structure again.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// Making the plan again.
    #[error(transparent)]
    Make(#[from] MakeError),
    /// Reading the plan.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
    /// Writing the new plan.
    #[error(transparent)]
    Write(#[from] WriteNewError),
}

/// A plan made anew while copying.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Revision {
    /// The new plan's file.
    #[serde(serialize_with = "crate::text::serialize_path")]
    pub plan: PathBuf,
    /// Bytes that arrived late and led to it.
    pub late_bytes: u64,
    /// Bytes that the plan before read.
    pub bytes_before: u64,
    /// Bytes that the new one reads.
    pub bytes_now: u64,
}

/// How copying in a case ended.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CaseCopyOutcome {
    /// The copy, over all plans that were followed.
    #[serde(flatten)]
    pub copy: CopyOutcome,
    /// The plans made anew, in order; mostly none.
    pub revisions: Vec<Revision>,
}

/// Follows the case's plan to its end, by a new plan whenever one is needed.
///
/// # Errors
/// [`CaseCopyError`]; [`CaseError::NoPlan`] when the case has no plan.
///
/// # Panics
/// When the session has no case.
pub fn copy_case(
    session: &mut Session,
    options: &CopyOptions,
    mut controls: Controls<'_>,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    let mut history = history_of(case(session))?;
    let outcome = follow(session, options, &mut controls, &mut history);
    let copy = outcome.as_ref().ok().map(|outcome| &outcome.copy);
    let path = case(session).folder().join(HISTORY_NAME);
    let ended = history.end(copy).map_err(|error| WriteNewError::Io { path, error });
    let outcome = outcome?;
    ended?;
    Ok(outcome)
}

fn history_of(case: &Case) -> Result<HistoryWriter, CaseCopyError> {
    let before = read_plan_header(open_plan(&plan_path(case)?)?)?;
    let path = case.folder().join(HISTORY_NAME);
    let [held, ..] = case.store().totals();
    HistoryWriter::begin(&path, case.file().source.bytes, before.bytes(), held)
        .map_err(|error| WriteNewError::Io { path, error }.into())
}

fn follow(
    session: &mut Session,
    options: &CopyOptions,
    controls: &mut Controls<'_>,
    history: &mut HistoryWriter,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    let mut revisions = Vec::new();
    let mut so_far: Option<CopyOutcome> = None;
    // Only structure at first when some of it did not answer before: what it tells comes before the files' turn.
    let mut structure_first = !pending(case(session)).is_empty();
    loop {
        let plan = plan_path(case(session))?;
        room_for(&plan, case(session).store().as_ref(), case(session).folder())?;
        let pending_before = pending(case(session));
        let options = CopyOptions {
            through: if structure_first { Some(Class::Structure) } else { None },
            stop_after: left_of(options.stop_after, so_far.as_ref()),
            ..options.clone()
        };
        let next = Controls {
            stop: controls.stop,
            thermometer: controls.thermometer.as_mut().map(|ask| &mut **ask as _),
            events: &mut |event| {
                history.event(event);
                (controls.events)(event);
            },
        };
        let outcome = copy(open_plan(&plan)?, &session.reader, case(session).store().as_ref(), &options, next)?;
        let ended = outcome.end != End::Complete;
        so_far = Some(match so_far.take() {
            Some(before) => outcome.following(before),
            None => outcome,
        });
        let late = if ended { 0 } else { arrived_of(case(session), &pending_before) };
        let revision = if late > 0 { revise(session, &plan, late)? } else { None };
        let revised = revision.is_some();
        if let Some(revision) = revision {
            let event = Event::PlanRevised {
                late_bytes: revision.late_bytes,
                bytes_before: revision.bytes_before,
                bytes_now: revision.bytes_now,
            };
            history.event(&event);
            (controls.events)(&event);
            revisions.push(revision);
        }
        if ended || !(revised || structure_first) {
            break;
        }
        // A new plan may name structure that nobody knew of, and that may hold surprises of its own.
        structure_first = revised && !pending(case(session)).is_empty();
    }
    Ok(CaseCopyOutcome { copy: so_far.expect("the loop copied at least once"), revisions })
}

fn case(session: &Session) -> &Case {
    session.case.as_ref().expect("copying needs a case")
}

fn plan_path(case: &Case) -> Result<PathBuf, CaseError> {
    case.plan_path().ok_or_else(|| CaseError::NoPlan { folder: case.folder().into() })
}

/// The places that were put off and have not been come back to.
fn pending(case: &Case) -> Vec<Extent> {
    case.store().deferred(Extent::between(0, case.file().source.bytes))
}

/// How much of some places is held by now.
fn arrived_of(case: &Case, places: &[Extent]) -> u64 {
    places.iter().flat_map(|place| case.store().held(*place)).map(|held| held.bytes).sum()
}

/// Makes the plan again; `None` when it would read the same.
fn revise(session: &mut Session, old: &Path, late_bytes: u64) -> Result<Option<Revision>, CaseCopyError> {
    let before = read_plan(open_plan(old)?)?;
    session.reader.forget();
    let drive = session.read_drive()?;
    let now = make_again(&session.reader, &drive, &before.header)?;
    if same_reads(&before, &now) {
        return Ok(None);
    }
    let path = case(session).next_plan_path();
    write_new(&path, |out| -> Result<(), WriteNewError> {
        write_plan(&now, out).map_err(|error| WriteNewError::Io { path: path.clone(), error })
    })?;
    if let Some(case) = &mut session.case {
        case.set_plan(&path)?;
    }
    Ok(Some(Revision { plan: path, late_bytes, bytes_before: before.bytes(), bytes_now: now.bytes() }))
}

/// Whether two plans read the same bytes in the same order.
fn same_reads(one: &Plan, other: &Plan) -> bool {
    one.passes.len() == other.passes.len()
        && one.passes.iter().zip(&other.passes).all(|(a, b)| {
            (a.header.class, a.header.lane) == (b.header.class, b.header.lane) && a.extents() == b.extents()
        })
}

/// What is left of the limits after an earlier part.
fn left_of(limits: StopAfter, so_far: Option<&CopyOutcome>) -> StopAfter {
    let Some(so_far) = so_far else { return limits };
    let spent = std::time::Duration::try_from_secs_f64(so_far.seconds).unwrap_or_default();
    StopAfter {
        time: limits.time.map(|time| time.saturating_sub(spent)),
        bytes: limits.bytes.map(|bytes| bytes.saturating_sub(so_far.arrived_bytes)),
        errors: limits.errors.map(|errors| errors.saturating_sub(so_far.failed_requests)),
    }
}
