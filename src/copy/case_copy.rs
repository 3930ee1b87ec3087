//! Copying in a case: the case's plan is followed, and made anew when structure that the survey could not read arrives
//! late.
//!
//! A survey that meets unreadable ranges goes on without what they hold, and its plan widens accordingly. Copying tries those
//! ranges first, a few times, and again with all difficult ones. Once one of them answers, more is known: files that were not known, clusters that turn
//! out to be free. The plan is then made again with the same request, and followed in place of the old one; what is held
//! already is not read again.

mod room;
mod telling;
mod wanted;

pub use room::RoomError;

use crate::base::ending::{Ending, Ends};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::new_file::{NewFileError, Readers, write_new};
use crate::case::{Case, CaseError};
use crate::copy::reading::{Controls, CopyError, CopyOptions, CopyOutcome, End, Event, StopAfter, StopReason, copy};
use crate::copy::session::{Session, SessionError};
use crate::plan::{MakeError, Plan, PlanReadError, make_again, write_plan};
use crate::results::audit::{Truth, WantedCount, audit};
use crate::source::{Mark, Reader, SourceLost, Store};
use crate::survey::allocation::{Choices, Class, Patterns, classify, read_drive};
use room::room_for;
use serde::Serialize;
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use telling::Telling;
use wanted::{CountingStore, WantedNews, shortened};

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
    Write(#[from] NewFileError),
    /// Nothing by that name has clusters of its own.
    #[error(
        "{path}: no file or folder by this name has clusters on the drive; `gleaner files --case` lists all there are"
    )]
    NoSuchFile {
        /// What was requested.
        path: String,
    },
    /// The plan's drive cannot be told from another.
    #[error(
        "this plan was made before anything of its drive could be read, and no serial number tells that this is its drive; if you know \
         that it is, say --same-drive"
    )]
    PlanOfUnknownDrive,
}

/// A plan made anew while copying.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Revision {
    /// The new plan's file.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub plan: PathBuf,
    /// Bytes that arrived late and led to it; 0 where the names of lost folders did.
    pub late_bytes: u64,
    /// Bytes that the plan before read.
    pub bytes_before: u64,
    /// Bytes that the new one reads.
    pub bytes_now: u64,
}

/// Which unreadable ranges are to be tried again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Again {
    /// All of them.
    Unreadable,
    /// Those in a range of the drive.
    Range(Extent),
    /// Those of a file, or of all below a folder, by its path or a pattern.
    Path(String),
}

impl FromStr for Again {
    type Err = String;

    fn from_str(text: &str) -> Result<Again, String> {
        let range = |(start, bytes): (&str, &str)| Extent::new(start.parse().ok()?, bytes.parse().ok()?);
        match text.split_once(':').and_then(range) {
            Some(range) if range.is_empty() => Err("a range has at least one byte".to_owned()),
            Some(range) => Ok(Again::Range(range)),
            None if text == "unreadable" => Ok(Again::Unreadable),
            None => Ok(Again::Path(text.to_owned())),
        }
    }
}

/// Lets the next copy try unreadable ranges again: from now on they are skipped. Gives their bytes.
///
/// # Errors
/// [`CaseCopyError`]; [`CaseCopyError::NoSuchFile`] when a path names nothing.
///
/// # Panics
/// When the session has no case.
pub fn try_again(session: &mut Session, what: &[Again]) -> Result<u64, CaseCopyError> {
    let mut places = ExtentSet::new();
    for again in what {
        match again {
            Again::Unreadable => places.insert(Extent::between(0, case(session).file().source.bytes)),
            Again::Range(range) => places.insert(*range),
            Again::Path(path) => places.extend(places_of(session, path)?),
        }
    }
    let store = case(session).store();
    let unreadable: Vec<Extent> = places.extents().iter().flat_map(|place| store.unreadable(*place)).collect();
    let retried = unreadable.iter().try_for_each(|extent| store.mark(Mark::Retry { extent: *extent }));
    retried.and_then(|()| store.commit()).map_err(|error| CaseCopyError::Session(SourceLost::Store(error).into()))?;
    Ok(unreadable.iter().map(|extent| extent.bytes).sum())
}

/// Where the files lie that a path or pattern names.
fn places_of(session: &mut Session, path: &str) -> Result<Vec<Extent>, CaseCopyError> {
    let wanted = Patterns::new(&[path]).map_err(MakeError::from)?;
    let drive = session.read_drive()?;
    let map = classify(&drive, &Choices { wanted, ..Choices::default() });
    let places: Vec<Extent> =
        map.runs().iter().filter(|run| run.class == Class::Wanted).map(|run| run.extent).collect();
    if places.is_empty() { Err(CaseCopyError::NoSuchFile { path: path.to_owned() }) } else { Ok(places) }
}

/// How copying in a case ended.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CaseCopyOutcome {
    /// The copy, over all plans that were followed.
    #[serde(flatten)]
    pub copy: CopyOutcome,
    /// The files that the plan wants first, by pattern; empty when nothing is wanted, or the copy ended before they were counted.
    pub wanted: Vec<WantedCount>,
    /// The plans made anew, in order; mostly none.
    pub revisions: Vec<Revision>,
    /// Where all of the plan was read: existing files that are damaged or lost all the same. An audit names them.
    pub damaged_files: DamagedFiles,
}

/// Files that are not complete although everything that was requested was read: what the drive gave of their records is damaged.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct DamagedFiles {
    /// Part of the run list is missing, or names no place of the volume.
    pub damaged: u64,
    /// Only the folder's entry is left.
    pub lost: u64,
}

impl DamagedFiles {
    /// Whether there are any.
    pub fn is_none(self) -> bool {
        self == DamagedFiles::default()
    }

    /// Counts them as an audit does. None while structure cannot be read from the case, and once `session` was stopped.
    fn of(session: &Session) -> DamagedFiles {
        let store = Arc::clone(case(session).store());
        let reader = Reader::new(case(session).without_drive(), None)
            .with_store(Arc::clone(&store) as Arc<dyn Store>)
            .with_stop(Arc::clone(&session.stop));
        let Ok(drive) = read_drive(&reader) else { return DamagedFiles::default() };
        let (planned, wanted) = (ExtentSet::new(), Patterns::default());
        let truth = Truth { store: store.as_ref(), planned: &planned, wanted: &wanted };
        let stopped = || session.stop.load(Ordering::Relaxed);
        let counted = audit(&drive, &truth, &Patterns::default(), |_| if stopped() { Err(()) } else { Ok(()) });
        counted.map_or_else(
            |()| DamagedFiles::default(),
            |summary| DamagedFiles { damaged: summary.totals.damaged, lost: summary.totals.lost },
        )
    }
}

impl CaseCopyOutcome {
    fn new(copy: CopyOutcome, wanted: Vec<WantedCount>, revisions: Vec<Revision>) -> CaseCopyOutcome {
        CaseCopyOutcome { copy, wanted, revisions, damaged_files: DamagedFiles::default() }
    }

    fn following(mut self, before: CaseCopyOutcome) -> CaseCopyOutcome {
        self.copy = self.copy.following(before.copy);
        if self.wanted.is_empty() {
            self.wanted = before.wanted;
        }
        self.revisions.splice(0..0, before.revisions);
        self
    }
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

/// Requests for structure that may fail before anything else is read. The rest of it comes with all that is skipped.
const STRUCTURE_TRIES: u64 = 12;

fn follow(
    session: &mut Session,
    options: &CopyOptions,
    controls: &mut Controls<'_>,
    telling: &mut Telling,
) -> Result<CaseCopyOutcome, CaseCopyError> {
    let mut revisions = Vec::new();
    let mut so_far: Option<CopyOutcome> = None;
    let mut wanted = Vec::new();
    let mut news = WantedNews::default();
    // Only structure at first when some of it did not answer before: what it tells comes before the files' turn, for a few
    // tries.
    let mut structure_tries = STRUCTURE_TRIES;
    // So does structure that may name lost folders which are wanted.
    let mut names_lost = current_plan(session)?.header.wants_lost_folders();
    let mut structure_first = names_lost || !pending(case(session)).is_empty();
    loop {
        let plan = current_plan(session)?;
        room_for(&plan, case(session).store().as_ref(), case(session).folder())?;
        let pending_before = pending(case(session));
        let options = CopyOptions {
            structure_only: structure_first.then_some(structure_tries),
            stop_after: left_of(options.stop_after, so_far.as_ref()),
            ..options.clone()
        };
        // While only structure is read no file gets further. A pattern that cannot be used is no reason not to copy.
        let wants = if structure_first { &[] } else { plan.header.wants.as_slice() };
        let patterns = Patterns::new(wants).unwrap_or_default();
        let (store, sources) = CountingStore::new(case(session), patterns);
        let Controls { stop, thermometer, request_log, events } = controls.again();
        let mut told = |event: &Event| {
            for event in news.before(event, &store).iter().chain([event]) {
                telling.tell(event, events);
            }
        };
        let next = Controls { stop, thermometer, request_log, events: &mut told };
        let outcome = std::thread::scope(|scope| {
            let counting = sources.map(|sources| scope.spawn(|| store.begin(sources, &plan.ascending().collect())));
            let copied = copy(&plan, &session.reader, &store, &options, next);
            if !copied.as_ref().is_ok_and(|outcome| waits_for_counts(&outcome.end)) {
                store.give_up();
            }
            if let Some(thread) = counting {
                thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            }
            copied
        })?;
        store.count_names();
        if let Some(counts) = store.counts() {
            let event = Event::Wanted { class: None, patterns: shortened(counts.clone()) };
            telling.tell(&event, controls.events);
            wanted = counts;
        }
        drop(store);
        telling.end_part(&outcome);
        let ended = !outcome.end.is_own();
        if structure_first {
            structure_tries = structure_tries.saturating_sub(outcome.failed_requests);
        }
        so_far = Some(match so_far.take() {
            Some(before) => outcome.following(before),
            None => outcome,
        });
        let late = if ended { 0 } else { arrived_of(case(session), &pending_before) };
        let is_due = late > 0 || !ended && std::mem::take(&mut names_lost);
        let revised = if is_due { revise(session, &plan, late) } else { Ok(None) };
        let revision = match revised {
            Err(CaseCopyError::Session(SessionError::Lost(SourceLost::Stopped))) => {
                so_far.iter_mut().for_each(|copy| copy.end = End::Stopped { reason: StopReason::Asked });
                break;
            }
            revised => revised?,
        };
        let revised = revision.is_some();
        if let Some(revision) = revision {
            let event = Event::PlanRevised {
                late_bytes: revision.late_bytes,
                bytes_before: revision.bytes_before,
                bytes_now: revision.bytes_now,
            };
            telling.tell(&event, controls.events);
            revisions.push(revision);
        }
        if ended || !(revised || structure_first) {
            break;
        }
        // A new plan may name structure that was not known before, and that may hold surprises of its own.
        structure_first = revised && structure_tries > 0 && !pending(case(session)).is_empty();
    }
    Ok(CaseCopyOutcome::new(so_far.expect("the loop copied at least once"), wanted, revisions))
}

/// Whether the end of a copy waits until the wanted files are counted, which may have just begun. Where something failed or the
/// technician stops it, the end is told at once.
fn waits_for_counts(end: &End) -> bool {
    match end {
        End::Stopped { reason } => *reason != StopReason::Asked,
        end => end.is_own(),
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

/// The ranges that are skipped.
fn pending(case: &Case) -> Vec<Extent> {
    case.store().skipped(Extent::between(0, case.file().source.bytes))
}

/// How much of some ranges is held by now.
fn arrived_of(case: &Case, places: &[Extent]) -> u64 {
    places.iter().flat_map(|place| case.store().held(*place)).map(|held| held.bytes).sum()
}

/// Makes the plan again; `None` when it would read the same.
fn revise(session: &mut Session, before: &Plan, late_bytes: u64) -> Result<Option<Revision>, CaseCopyError> {
    session.reader.forget();
    let drive = session.read_drive()?;
    let now = make_again(&session.reader, &drive, &before.header)?;
    if same_reads(before, &now) {
        return Ok(None);
    }
    let path = case(session).next_plan_path();
    write_new(&path, Readers::OwnerOnly, |out| -> Result<(), NewFileError> {
        write_plan(&now, out).map_err(|error| NewFileError::Io { path: path.clone(), error })
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
        resets: limits.resets.map(|resets| resets.saturating_sub(so_far.resets)),
        ..limits
    }
}

impl Ends for CaseCopyError {
    fn ending(&self) -> Ending {
        match self {
            CaseCopyError::Case(error) => error.ending(),
            CaseCopyError::Room(error) => error.ending(),
            CaseCopyError::Copy(error) => error.ending(),
            CaseCopyError::Session(error) => error.ending(),
            CaseCopyError::Make(error) => error.ending(),
            CaseCopyError::Plan(error) => error.ending(),
            CaseCopyError::Write(error) => error.ending(),
            CaseCopyError::NoSuchFile { .. } => Ending::Usage,
            CaseCopyError::PlanOfUnknownDrive => Ending::Case,
        }
    }
}
