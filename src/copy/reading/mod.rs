//! Reading what a plan wants: every planned byte is read once, class by class, and then the skipped ranges.
//!
//! Who decides the next read: `next_read`, whose first lines say by which steps. It knows from `observed` what this drive has
//! told so far, and has each read made by `requests`, which checks heat, room and all limits before it and keeps what arrived. `told` has what
//! people and programs are told of it. `docs/copying.md` tells the strategy with its reasons.
//!
//! What the store has copied, skipped or found unreadable is not in a first reading again, so resuming is simply running once
//! more.

mod early_end;
mod error;
mod next_read;
mod observed;
mod options;
mod plan_walk;
mod requests;
mod told;

pub use early_end::StopReason;
pub use error::CopyError;
pub use observed::check::CheckFigures;
pub use options::{Controls, CopyOptions, RequestLog, StopAfter};
pub use told::event::{Difficulties, Event, Health, PassProgress, Progress, Stage, TimeLeft, TroubleKind};
pub use told::outcome::{BadRegion, ClassOutcome, CopyOutcome, End};

use crate::plan::Plan;
use crate::source::{CopyStore, Reader};
use early_end::EarlyEnd;
use next_read::follow_all;
use requests::reading_side::{CopyTask, ReadingSide};
use requests::writer;
use told::plan_counts::PlanCounts;

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
    plan: &Plan,
    reader: &'c Reader,
    store: &'c dyn CopyStore,
    options: &'c CopyOptions,
    controls: Controls<'c>,
) -> Result<CopyOutcome, CopyError> {
    options.check(reader.identity())?;
    let began = reader.clock().now();
    plan_walk::check(plan, reader.identity())?;
    let task = CopyTask { reader, store, options, began };
    let before = PlanCounts::count(plan, store);
    let (ended, kept, figures) = std::thread::scope(|scope| {
        let (handle, writer) = writer::start(scope, store, options, reader.clock());
        let mut reading = ReadingSide::new(task, controls, handle, &before);
        let ended = follow_all(plan, &mut reading, &before);
        let ended = reading.settle_end(ended);
        // Leaving lets go of the channel, which is what tells the writer to commit and end.
        let figures = reading.leave();
        let kept = writer.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (ended, kept, figures)
    });
    let after = PlanCounts::count(plan, store);
    let outcome = |end| figures.into_outcome(end, &after, store, reader.clock().since(began));
    if let Err(fault) = kept {
        let outcome = outcome(End::Failed);
        return Err(CopyError::Store { doing: fault.doing, error: fault.error, outcome: Box::new(outcome) });
    }
    let end = match ended {
        Ok(Some(next_hour)) if after.whole().skipped_bytes > 0 => {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
            let next_hour_bytes = next_hour as u64;
            End::LittleLeft { next_hour_bytes }
        }
        Ok(_) => End::Complete,
        Err(EarlyEnd::Stopped(reason)) => End::Stopped { reason },
        Err(EarlyEnd::Gone { extent, message }) => End::Gone { extent, message },
        Err(EarlyEnd::Silent { extent, failed_in_a_row, .. }) => End::Silent { extent, failed_in_a_row },
        Err(EarlyEnd::Changed { byte, marks }) => {
            End::Changed { byte, withdrawn_bytes: marks.iter().map(|mark| mark.extent().bytes).sum() }
        }
        Err(EarlyEnd::NoRoom { room }) => End::NoRoom { room },
        Err(EarlyEnd::Source(error)) => {
            let outcome = outcome(End::Failed);
            return Err(CopyError::Source { error, outcome: Box::new(outcome) });
        }
        Err(EarlyEnd::WriterEnded) => unreachable!("a writer that ended early gave its error above"),
    };
    Ok(outcome(end))
}
