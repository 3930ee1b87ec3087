//! Following a plan: every planned byte is read once, class by class, and what resists is come back to.
//!
//! [`copy`] reads; a second thread keeps what arrived. What is already kept, deferred or given up in the store is not
//! swept again, so resuming is simply running once more. `docs/copying.md` tells the strategy with its reasons.

mod check;
mod error;
mod event;
mod halt;
mod known;
mod nearby;
mod options;
mod outcome;
mod pieces;
mod progress;
mod regions;
mod run;
mod sweep;
mod tally;
mod trouble;
mod writer;

pub use check::CheckFigures;
pub use error::CopyError;
pub use event::{Event, PassProgress, Progress, Round, TroubleKind};
pub use options::{Controls, CopyOptions, StopAfter};
pub use outcome::{BadRegion, ClassOutcome, CopyOutcome, End, StopReason};

use crate::allocation::Class;
use crate::plan::Plan;
use crate::source::{Reader, Store};
use halt::Halt;
use pieces::Kind;
use run::Run;
use std::io::Read;
use std::time::Duration;
use sweep::Sweep;
use tally::Tally;
use trouble::Suspects;

/// Follows a plan: reads from `reader` what `store` does not have yet and keeps it there.
///
/// Nothing is read from the drive before the whole plan was found sound. The plan is held, at 16 bytes an extent.
///
/// However it ends, everything that arrived is committed if the store lets it be, and `store` alone says what is left:
/// the next call goes on from there.
///
/// # Errors
/// [`CopyError`]; what was kept before is safe. A vanished drive and a stop are no errors: see [`CopyOutcome::end`].
pub fn copy<'c>(
    plan: impl Read,
    reader: &'c Reader,
    store: &'c dyn Store,
    options: &'c CopyOptions,
    controls: Controls<'c>,
) -> Result<CopyOutcome, CopyError> {
    options.check(reader.identity())?;
    let began = reader.clock().now();
    let plan = pieces::load(plan, reader.identity())?;
    let before = Tally::take(&plan, store);
    let (ended, kept, figures) = std::thread::scope(|scope| {
        let (desk, writer) = writer::start(scope, store, options, reader.clock());
        let mut run = Run::new(reader, store, options, controls, desk, &before, began);
        let ended = follow_all(&plan, &mut run, &before);
        let ended = run.settle_end(ended);
        // Leaving lets go of the channel, which is what tells the writer to commit and end.
        let figures = run.leave();
        let kept = writer.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (ended, kept, figures)
    });
    let after = Tally::take(&plan, store);
    let outcome = |end| figures.into_outcome(end, &after, store, reader.clock().since(began));
    if let Err(fault) = kept {
        let outcome = outcome(End::Failed);
        return Err(CopyError::Store { doing: fault.doing, error: fault.error, outcome: Box::new(outcome) });
    }
    let end = match ended {
        Ok(()) => End::Complete,
        Err(Halt::Stopped(reason)) => End::Stopped { reason },
        Err(Halt::Gone { extent, message }) => End::Gone { extent, message },
        Err(Halt::Silent { extent, failed_in_a_row, .. }) => End::Silent { extent, failed_in_a_row },
        Err(Halt::Changed { byte, marks }) => {
            End::Changed { byte, withdrawn_bytes: marks.iter().map(|mark| mark.extent().bytes).sum() }
        }
        Err(Halt::NoRoom { room }) => End::NoRoom { room },
        Err(Halt::Source(error)) => {
            let outcome = outcome(End::Failed);
            return Err(CopyError::Source { error, outcome: Box::new(outcome) });
        }
        Err(Halt::WriterEnded | Halt::ShareUsedUp) => {
            unreachable!("a writer that ended early gave its error above; the others are dealt with where they arise")
        }
    };
    Ok(outcome(end))
}

/// Every class with its deferred places, then what was put off beyond that.
fn follow_all(plan: &Plan, run: &mut Run<'_>, before: &Tally) -> Result<(), Halt> {
    run.announce_start(before);
    run.check_first()?;
    let mut cut_short = Vec::new();
    let through = run.options().through;
    let planned = |class: &Class| before.of(*class).planned_bytes > 0;
    for class in Class::ALL.into_iter().filter(planned).filter(|class| through.is_none_or(|last| *class <= last)) {
        run.begin_class(class, before.of(class).deferred_bytes > 0);
        let sweep_began = run.working_time();
        pieces::follow(plan, Some(class), &mut Sweep::new(run))?;
        let sweep_took = run.working_time().saturating_sub(sweep_began);
        if !run.class_has_trouble() {
            continue;
        }
        run.limit_trouble(Some(share(run.options(), sweep_took)));
        match trouble::rounds(plan, run, Some(class), Kind::Wanted, Suspects::Left) {
            Err(Halt::ShareUsedUp) => {
                run.announce_share_used_up(class);
                cut_short.push(class);
            }
            other => other?,
        }
        run.limit_trouble(None);
    }
    for class in cut_short {
        run.begin_class(class, true);
        trouble::rounds(plan, run, Some(class), Kind::Wanted, Suspects::Left)?;
    }
    if run.any_trouble() && through.is_none() {
        trouble::rounds(plan, run, None, Kind::Gap, Suspects::Left)?;
        // What may have stopped the drive comes when nothing else is left to lose.
        trouble::rounds(plan, run, None, Kind::Wanted, Suspects::Alone)?;
        trouble::rounds(plan, run, None, Kind::Gap, Suspects::Alone)?;
    }
    Ok(())
}

/// How long a class may spend on its deferred places before the next class has its turn.
fn share(options: &CopyOptions, sweep: Duration) -> Duration {
    let of_sweep = Duration::try_from_secs_f64(sweep.as_secs_f64() * options.trouble_share).unwrap_or(Duration::MAX);
    of_sweep.max(options.trouble_minimum)
}
