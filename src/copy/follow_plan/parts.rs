//! A plan followed in parts: structure alone at first, then all of it; after each part by a new plan when one is needed.

use super::revision::{Revised, revise};
use super::telling::Telling;
use super::wanted_counts::{CountingStore, WantedNews, shortened};
use super::{CaseCopyError, CaseCopyOutcome, Revision, case, current_plan, left_of, room_for};
use crate::base::extent::Extent;
use crate::case::Case;
use crate::copy::reading::{Controls, CopyOptions, CopyOutcome, End, Event, StopReason, copy};
use crate::copy::session::{Session, SessionError};
use crate::plan::Plan;
use crate::results::audit::WantedCount;
use crate::source::{CopyStore, SourceLost};
use crate::survey::allocation::Patterns;
use std::sync::mpsc::channel;
use std::time::Duration;

/// Requests for structure that may fail before anything else is read. The rest of it comes with all that is skipped.
const STRUCTURE_TRIES: u64 = 12;

/// What the parts so far have come to.
struct Parts {
    so_far: Option<CopyOutcome>,
    wanted: Vec<WantedCount>,
    news: WantedNews,
    revisions: Vec<Revision>,
    /// Only structure is read in the next part.
    structure_first: bool,
    /// Requests for structure that may still fail in such parts.
    structure_tries: u64,
    /// Structure may name lost folders that are wanted, and no plan was made since.
    names_lost: bool,
}

/// Follows the case's plan once, until the drive has given what it gives or something ends it.
pub(super) fn follow(
    session: &mut Session,
    options: &CopyOptions,
    controls: &mut Controls<'_>,
    telling: &mut Telling,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    let mut parts = Parts::begin(session)?;
    loop {
        let plan = current_plan(session)?;
        room_for(&plan, case(session).store().as_ref(), case(session).folder())?;
        let skipped_before = skipped(case(session));
        let outcome = parts.copy_part(session, &plan, options, controls, telling)?;
        let ended = !outcome.end.is_own();
        parts.add(outcome);
        let late = if ended { 0 } else { arrived_of(case(session), &skipped_before) };
        let names_are_due = !ended && std::mem::take(&mut parts.names_lost);
        let revised = if late > 0 || names_are_due { revise(session, &plan, late) } else { Ok(Revised::Same) };
        let revision = match revised {
            Err(CaseCopyError::Session(SessionError::Lost(SourceLost::Stopped))) => {
                parts.so_far.iter_mut().for_each(|copy| copy.end = End::Stopped { reason: StopReason::Asked });
                break;
            }
            revised => revised?,
        };
        let revised = matches!(revision, Revised::Now(_));
        match revision {
            Revised::Now(revision) => {
                telling.tell(&revision.event(), controls.events);
                parts.revisions.push(revision);
            }
            Revised::Closed { volume } => telling.tell(&Event::PlanKept { volume }, controls.events),
            Revised::Same => {}
        }
        if ended || !(revised || parts.structure_first) {
            break;
        }
        // A new plan may name structure that was not known before, and that may hold surprises of its own.
        parts.structure_first = revised && parts.structure_tries > 0 && !skipped(case(session)).is_empty();
    }
    let copy = parts.so_far.expect("the loop copied at least once");
    Ok(CaseCopyOutcome::new(copy, parts.wanted, parts.revisions))
}

impl Parts {
    /// Only structure at first when some of it did not answer before: what it tells comes before the files' turn, for a few
    /// tries. So does structure that may name lost folders which are wanted.
    fn begin(session: &mut Session) -> Result<Parts, CaseCopyError> {
        let names_lost = current_plan(session)?.header.wants_lost_folders();
        Ok(Parts {
            so_far: None,
            wanted: Vec::new(),
            news: WantedNews::default(),
            revisions: Vec::new(),
            structure_first: names_lost || !skipped(case(session)).is_empty(),
            structure_tries: STRUCTURE_TRIES,
            names_lost,
        })
    }

    /// Copies by the plan as it is now, and counts the wanted files meanwhile.
    fn copy_part(
        &mut self,
        session: &Session,
        plan: &Plan,
        options: &CopyOptions,
        controls: &mut Controls<'_>,
        telling: &mut Telling,
    ) -> Result<CopyOutcome, CaseCopyError> {
        let options = CopyOptions {
            structure_only: self.structure_first.then_some(self.structure_tries),
            stop_after: left_of(options.stop_after, self.so_far.as_ref()),
            ..options.clone()
        };
        // While only structure is read no file gets further. A pattern that cannot be used is no reason not to copy.
        let wants = if self.structure_first { &[] } else { plan.header.wants.as_slice() };
        let patterns = Patterns::new(wants).unwrap_or_default();
        let (store, sources) = CountingStore::new(case(session), patterns, &session.sources.keys);
        let Controls { stop, thermometer, request_log, events } = controls.again();
        let mut told = |event: &Event| {
            for event in self.news.before(event, &store).iter().chain([event]) {
                telling.tell(event, events);
            }
        };
        let next = Controls { stop, thermometer, request_log, events: &mut told };
        let outcome = std::thread::scope(|scope| {
            let (counting, counted) = channel::<()>();
            let thread = sources.map(|sources| {
                let store = &store;
                scope.spawn(move || {
                    store.begin(sources, &plan.ascending().collect());
                    drop(counting);
                })
            });
            let copied = copy(plan, &session.reader, &store, &options, next);
            if let Some(thread) = thread {
                store.wait(&counted, copied.as_ref().map_or(Some(Duration::ZERO), |outcome| patience(&outcome.end)));
                thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            }
            copied
        })?;
        store.count_names();
        if let Some(counts) = store.counts() {
            let event = Event::Wanted { class: None, patterns: shortened(counts.clone()) };
            telling.tell(&event, controls.events);
            self.wanted = counts;
        }
        telling.end_part(&outcome);
        Ok(outcome)
    }

    fn add(&mut self, outcome: CopyOutcome) {
        if self.structure_first {
            self.structure_tries = self.structure_tries.saturating_sub(outcome.failed_requests);
        }
        self.so_far = Some(match self.so_far.take() {
            Some(before) => outcome.following(before),
            None => outcome,
        });
    }
}

/// How long the end of a copy waits until the wanted files are counted, which may have just begun; `None` until they are. Where
/// something failed the end is told soon, and at once when the technician stops it.
fn patience(end: &End) -> Option<Duration> {
    match end {
        End::Stopped { reason: StopReason::Asked } => Some(Duration::ZERO),
        end => (!end.is_own()).then_some(Duration::from_secs(3)),
    }
}

/// The ranges that are skipped.
fn skipped(case: &Case) -> Vec<Extent> {
    case.store().skipped(Extent::between(0, case.file().source.bytes))
}

/// How much of some ranges is held by now.
fn arrived_of(case: &Case, places: &[Extent]) -> u64 {
    places.iter().flat_map(|place| case.store().held(*place)).map(|held| held.bytes).sum()
}
