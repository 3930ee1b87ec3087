//! Following a plan: every planned byte is read once, class by class, and then what is difficult.
//!
//! [`copy`] reads; a second thread keeps what arrived. What the store has copied, skipped or
//! found unreadable is not in a first reading again, so resuming is simply running once more. `docs/copying.md` tells the strategy with its reasons.

mod check;
mod difficult;
mod engine;
mod error;
mod event;
mod first;
mod halt;
mod known;
mod ladder;
mod last;
mod learned;
mod lengths;
mod options;
mod outcome;
mod pieces;
mod places;
mod progress;
mod regions;
mod run;
mod sentences;
mod stop;
mod tally;
mod worth;
mod writer;

pub use check::CheckFigures;
pub use error::CopyError;
pub use event::{Difficulties, Event, Health, PassProgress, Progress, Stage, TimeLeft, TroubleKind};
pub use options::{Controls, CopyOptions, RequestLog, StopAfter};
pub use outcome::{BadRegion, ClassOutcome, CopyOutcome, End, StopReason};

use crate::plan::Plan;
use crate::source::{Reader, Store};
use crate::survey::allocation::Class;
use difficult::Difficult;
use engine::Engine;
use first::{FirstReading, Limits, Reads, Sweep};
use halt::Halt;
use run::Run;
use tally::Tally;
use worth::LEAST_AN_HOUR;

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
    store: &'c dyn Store,
    options: &'c CopyOptions,
    controls: Controls<'c>,
) -> Result<CopyOutcome, CopyError> {
    options.check(reader.identity())?;
    let began = reader.clock().now();
    pieces::check(plan, reader.identity())?;
    let before = Tally::take(plan, store);
    let (ended, kept, figures) = std::thread::scope(|scope| {
        let (desk, writer) = writer::start(scope, store, options, reader.clock());
        let mut run = Run::new(reader, store, options, controls, desk, &before, began);
        let ended = follow_all(plan, &mut run, &before);
        let ended = run.settle_end(ended);
        // Leaving lets go of the channel, which is what tells the writer to commit and end.
        let figures = run.leave();
        let kept = writer.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (ended, kept, figures)
    });
    let after = Tally::take(plan, store);
    let outcome = |end| figures.into_outcome(end, &after, store, reader.clock().since(began));
    if let Err(fault) = kept {
        let outcome = outcome(End::Failed);
        return Err(CopyError::Store { doing: fault.doing, error: fault.error, outcome: Box::new(outcome) });
    }
    let end = match ended {
        Ok(Some(next_hour)) if after.whole().deferred_bytes > 0 => {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
            let next_hour_bytes = next_hour as u64;
            End::LittleLeft { next_hour_bytes }
        }
        Ok(_) => End::Complete,
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
        Err(Halt::WriterEnded) => unreachable!("a writer that ended early gave its error above"),
    };
    Ok(outcome(end))
}

/// Failed requests of a class before it can be left; twice as many each time.
const ENOUGH_FAILED: u64 = 6;

/// What is expected of a class counts as much as so many failed requests of it.
const EXPECTED_FAILURES: f64 = 2.0;

/// First reading, retries of skipped ranges, and the same for what lies outside of files. Gives what the next hour would bring when
/// something is left.
fn follow_all(plan: &Plan, run: &mut Run<'_>, before: &Tally) -> Result<Option<f64>, Halt> {
    run.announce_start(before);
    run.check_first()?;
    let options = run.options();
    let mut engine = Engine::new(plan, run);
    let mut first = FirstReading::new();
    let through = if options.structure_only.is_some() { Class::Structure } else { Class::Outside };
    let mut next_hour = 0.0;
    let parts = [Class::Tables..=Class::Unclaimed, Class::Deleted..=Class::Outside];
    for part in parts {
        let classes = Class::ALL.into_iter().filter(|class| part.contains(class) && *class <= through);
        let classes: Vec<Class> = classes.filter(|class| before.of(*class).planned_bytes > 0).collect();
        let Some(last) = classes.last() else { continue };
        engine.last = *last;
        read_first(plan, &mut engine, &mut first, &classes)?;
        next_hour = work(&mut engine, Stage::Worth, 0.0)?;
        if options.structure_only.is_none() && engine.has_difficult() {
            Difficult::new(&mut engine, false)?.settle()?;
        }
    }
    if options.structure_only.is_some() || !engine.has_difficult() {
        return Ok(None);
    }
    if options.to_the_end {
        engine.run.announce_stage(Stage::EverySector);
        last::every_sector(&mut engine, false)?;
        // What may have stopped the drive comes when nothing else is left to lose.
        last::every_sector(&mut engine, true)?;
    } else if engine.has_suspects() {
        next_hour = work(&mut engine, Stage::Suspects, 0.0)?;
        Difficult::new(&mut engine, true)?.settle()?;
    }
    Ok(Some(next_hour))
}

/// A class in first reading.
struct ToRead {
    class: Class,
    /// The worth that it brought and the seconds that it took, with what was expected of it before.
    brought: (f64, f64),
    begun: bool,
    /// Something was left only because it may lie under a bad head.
    left_risky: bool,
    /// Failed requests after which it may be left again.
    after: u64,
}

/// First reading of some classes in their order. One in which too much fails is left for the next; when all were begun,
/// whatever brings most for its time goes on, skipped ranges among them.
fn read_first(
    plan: &Plan,
    engine: &mut Engine<'_, '_>,
    first: &mut FirstReading,
    classes: &[Class],
) -> Result<(), Halt> {
    // Easily read structure first, for two in three of the tries.
    let most_failed = engine.run.options().structure_only.map(|most| most - most / 3);
    let mut open: Vec<ToRead> = classes
        .iter()
        .map(|class| ToRead {
            class: *class,
            brought: (0.0, 0.0),
            begun: false,
            left_risky: false,
            after: ENOUGH_FAILED,
        })
        .collect();
    while !open.is_empty() && most_failed.is_none_or(|most| engine.run.failed() < most) {
        let so_far = |read: &ToRead| {
            let (worth, seconds) = engine.expected(read.class, EXPECTED_FAILURES);
            (worth + read.brought.0, seconds + read.brought.1)
        };
        let rate = |read: &ToRead| {
            let (worth, seconds) = so_far(read);
            worth / seconds
        };
        let best = |one: &ToRead, other: &ToRead| rate(one).total_cmp(&rate(other));
        let next = open.iter().position(|read| !read.begun);
        let index = next.or((0..open.len()).max_by(|one, other| best(&open[*one], &open[*other]))).expect("not empty");
        let read = open.remove(index);
        let others = open.iter().map(rate).fold(0.0, f64::max);
        let (before, own) = (so_far(&read), rate(&read));
        if read.begun {
            work(engine, Stage::Worth, own)?;
        }
        let limits = Limits { before, rate: others, after: read.after, failed: most_failed };
        let mut sweep = Sweep::new(engine, first, read.class, Reads::New, limits);
        pieces::follow(plan, Some(read.class), &mut sweep)?;
        let (mut left, left_risky) = (sweep.left, sweep.left_risky || read.left_risky);
        if left.is_none() && left_risky {
            engine.run.settle()?;
            let mut sweep = Sweep::new(engine, first, read.class, Reads::Risky, limits);
            pieces::follow(plan, Some(read.class), &mut sweep)?;
            left = sweep.left;
        }
        if let Some((worth, seconds)) = left {
            let brought = (read.brought.0 + worth, read.brought.1 + seconds);
            open.insert(index, ToRead { brought, begun: true, left_risky, after: read.after * 2, ..read });
        }
    }
    // A place that an earlier run found unreadable has nothing to try, and gaps near it are left all the same.
    if !engine.has_difficult() && !first.left_a_gap {
        return Ok(());
    }
    // What was left of gaps is known to the store only now.
    engine.run.settle()?;
    for class in classes {
        let limits = Limits { failed: most_failed, ..Limits::default() };
        pieces::follow(plan, Some(*class), &mut Sweep::new(engine, first, *class, Reads::Gaps, limits))?;
    }
    Ok(())
}

/// Retries skipped ranges of the classes that are read by now, while they bring more than `least` worth a second.
fn work(engine: &mut Engine<'_, '_>, stage: Stage, least: f64) -> Result<f64, Halt> {
    if !engine.has_difficult() {
        return Ok(0.0);
    }
    engine.run.announce_stage(stage);
    let most_failed = engine.run.options().structure_only;
    Difficult::new(engine, stage == Stage::Suspects)?.work(least.max(LEAST_AN_HOUR / 3600.0), most_failed)
}
