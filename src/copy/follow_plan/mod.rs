//! Following the case's plan to its end, and its revision when structure that the survey could not read arrives late.
//!
//! A survey that meets unreadable ranges goes on without what they hold, and its plan widens accordingly. Copying tries those
//! ranges first, a few times, and again with all difficult ones. Once one of them answers, more is known: files that were not known, clusters that turn
//! out to be free. The plan is then made again with the same request, and followed in place of the old one; what is held
//! already is not read again.

mod again;
mod error;
mod outcome;
mod parts;
mod revision;
mod room;
mod telling;
mod wanted_counts;

pub use again::{Again, try_again};
pub use error::CaseCopyError;
pub use outcome::{CaseCopyOutcome, DamagedFiles};
pub use revision::Revision;
pub use room::RoomError;

use crate::case::{Case, CaseError};
use crate::copy::reading::{Controls, CopyOptions, CopyOutcome, End, Event, StopAfter};
use crate::copy::session::{Session, SessionError};
use crate::plan::Plan;
use crate::source::SourceLost;
use parts::follow;
use room::room_for;
use std::sync::Arc;
use telling::Telling;

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
    in_history(session, |session, telling| follow(session, options, &mut controls, telling))
}

/// Copies, with one run in the history for all of it.
fn in_history(
    session: &mut Session,
    work: impl FnOnce(&mut Session, &mut Telling) -> Result<CaseCopyOutcome, CaseCopyError>,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    check_plan_source(session)?;
    let plan = current_plan(session)?;
    let mut telling = Telling::begin(case(session), plan.bytes())?;
    let outcome = work(session, &mut telling);
    let ended = telling.end(outcome.as_ref().ok().map(|outcome| &outcome.copy));
    let mut outcome = outcome?;
    ended?;
    if outcome.copy.has_all() {
        outcome.damaged_files = DamagedFiles::of(session);
    }
    Ok(outcome)
}

/// A plan with a fingerprint is its drive's as much as the case is. One without is followed only where a serial number, or
/// the technician's word, says that it is.
fn check_plan_source(session: &mut Session) -> Result<(), CaseCopyError> {
    let plan = current_plan(session)?;
    let source = &plan.header.source;
    let same_serial = source.serial.is_some() && source.serial == session.reader.identity().serial;
    if source.fingerprint.bytes > 0 || same_serial || session.sources.word.same_drive {
        return Ok(());
    }
    Err(CaseCopyError::PlanOfUnknownDrive)
}

/// Returns of a drive without a single new byte after which it is no longer waited for.
const FRUITLESS_RETURNS: u32 = 3;

/// As [`copy_case`]; when the drive vanishes, or no longer answers, waits until it is back under whatever name and goes on.
/// Ends after three returns without a new byte.
///
/// # Errors
/// As [`copy_case`].
///
/// # Panics
/// As [`copy_case`].
pub fn copy_case_and_wait(
    session: &mut Session,
    options: &CopyOptions,
    mut controls: Controls<'_>,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    in_history(session, |session, telling| follow_and_wait(session, options, &mut controls, telling))
}

fn follow_and_wait(
    session: &mut Session,
    options: &CopyOptions,
    controls: &mut Controls<'_>,
    telling: &mut Telling,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    let mut so_far: Option<CaseCopyOutcome> = None;
    let mut fruitless = 0;
    loop {
        let options = CopyOptions {
            stop_after: left_of(options.stop_after, so_far.as_ref().map(|outcome| &outcome.copy)),
            ..options.clone()
        };
        let outcome = match follow(session, &options, controls, telling) {
            Ok(outcome) => outcome,
            // The structure was being read again when the drive went away.
            Err(CaseCopyError::Session(SessionError::Lost(SourceLost::Gone { .. }))) if so_far.is_some() => {
                let before = so_far.clone().expect("checked");
                CaseCopyOutcome::new(before.copy.with_nothing_new(), before.wanted, Vec::new())
            }
            Err(error) => return Err(error),
        };
        let is_return = so_far.is_some();
        fruitless = if is_return && outcome.copy.arrived_bytes == 0 { fruitless + 1 } else { 0 };
        let is_gone = matches!(outcome.copy.end, End::Gone { .. } | End::Silent { .. });
        let outcome = match so_far.take() {
            Some(before) => outcome.following(before),
            None => outcome,
        };
        if !is_gone || fruitless >= FRUITLESS_RETURNS {
            return Ok(outcome);
        }
        telling.tell(&Event::DriveAwaited, controls.events);
        let mut not_taken = |why: &str| telling.tell(&Event::DriveNotTaken { why: why.to_owned() }, controls.events);
        match session.wait_for_drive(&mut not_taken) {
            Ok(path) => telling.tell(&Event::DriveBack { path }, controls.events),
            // What was copied so far stands as it ended.
            Err(SessionError::Lost(SourceLost::Stopped)) => return Ok(outcome),
            Err(error) => return Err(error.into()),
        }
        so_far = Some(outcome);
    }
}

fn case(session: &Session) -> &Case {
    session.case.as_ref().expect("copying needs a case")
}

/// The case's plan, which is loaded once.
fn current_plan(session: &mut Session) -> Result<Arc<Plan>, CaseCopyError> {
    let case = case(session);
    let path = case.plan_path().ok_or_else(|| CaseError::NoPlan { folder: case.folder().into() })?;
    Ok(session.load_plan(&path)?)
}

/// What is left of the limits after an earlier part.
fn left_of(limits: StopAfter, so_far: Option<&CopyOutcome>) -> StopAfter {
    let Some(so_far) = so_far else { return limits };
    let spent = std::time::Duration::try_from_secs_f64(so_far.seconds).unwrap_or_default();
    StopAfter {
        time: limits.time.map(|time| time.saturating_sub(spent)),
        bytes: limits.bytes.map(|bytes| bytes.saturating_sub(so_far.arrived_bytes)),
        errors: limits.errors.map(|errors| errors.saturating_sub(so_far.failed_requests)),
        resets: limits.resets.map(|resets| resets.saturating_sub(so_far.resets)),
        ..limits
    }
}
