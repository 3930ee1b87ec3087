//! What every command that reads a drive does first and last: open it, alone, with a case, or from a case alone; and leave the
//! case in order.

mod drives;
mod wait;

pub use drives::{KnowingCase, KnownDrive, known_drives};
pub use wait::Attached;

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::base::new_file::{NewFileError, create_new};
use crate::case::{
    Access, Attachment, Case, CaseError, Entry, Word, check_unlocked, commit_after, refuse_source_in_case,
};
use crate::plan::{Plan, PlanReadError, load_plan};
use crate::source::host::{Host, HostError};
use crate::source::kernel::{KernelPlaces, can_be_the_drives};
use crate::source::{
    self, CopyStore, Keys, OpenError, Reader, Source, SourceIdentity, SourceKind, SourceLost, Trace, TroubleLimit,
};
use crate::store::image::ImageForm;
use crate::survey::allocation::{Choices, ClassMap, DriveMap, KeyError, classify, read_drive, tables};
use crate::survey::coherence::{self, Coherence};
use std::collections::BTreeSet;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Where a drive's bytes come from, and where they are kept.
#[derive(Clone, Debug, Default)]
pub struct Sources {
    /// The drive, as an image file or block device.
    pub source: Option<PathBuf>,
    /// Its case.
    pub case: Option<PathBuf>,
    /// Logical sector size of an image file, in bytes.
    pub sector_size: Option<u64>,
    /// Where every request is written.
    pub trace: Option<PathBuf>,
    /// Form of the image when the case is made.
    pub form: Option<ImageForm>,
    /// What a case without its drive is opened for; with its drive it is always worked on.
    pub access: Access,
    /// Whether a drive is accepted that is mounted or in use otherwise.
    pub mounted: bool,
    /// Whether places are accepted to write at of which it cannot be told that they do not lie on the drive.
    pub elsewhere: bool,
    /// What the technician answers for.
    pub word: Word,
    /// Files that the command is going to write.
    pub outputs: Vec<PathBuf>,
    /// Set from outside to stop reading.
    pub stop: Arc<AtomicBool>,
    /// Whether what was read by then is answer enough.
    pub answers_when_stopped: bool,
    /// How much trouble reading the structure may cost the drive.
    pub trouble_limit: TroubleLimit,
    /// The client's keys for encrypted volumes. In memory only.
    pub keys: Arc<Keys>,
    /// The files that they came from.
    pub key_files: Vec<PathBuf>,
}

/// Where work goes on: what commands name.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Workplace {
    /// The drive, by the path it was opened by last.
    pub drive: PathBuf,
    /// Its case.
    pub case: Option<PathBuf>,
    /// Files with the client's keys, where some were given.
    pub key_files: Vec<PathBuf>,
}

/// Why a session cannot begin or go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// Neither a drive nor a case was given.
    #[error("give a drive to read, or a case with --case, or both")]
    Nothing,
    /// No case was given where one is needed.
    #[error("this command works in a case: give it with --case")]
    NoCase,
    /// The drive.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// What this machine does with the drive, or where something is to be written.
    #[error(transparent)]
    Host(#[from] HostError),
    /// A key opens nothing.
    #[error(transparent)]
    Key(#[from] KeyError),
    /// Reading.
    #[error(transparent)]
    Lost(#[from] SourceLost),
    /// The trace.
    #[error(transparent)]
    Trace(#[from] NewFileError),
}

/// An open drive, case, or both.
pub struct Session {
    /// Reads from the drive or the case.
    pub reader: Arc<Reader>,
    /// The case.
    pub case: Option<Case>,
    /// Whether there is a drive at all, or only what the case holds.
    pub has_drive: bool,
    /// What it was opened with.
    pub sources: Sources,
    /// Drives that were attached when it was opened.
    pub attached: BTreeSet<Attached>,
    /// Set from outside to stop: reading then ends with [`SourceLost::Stopped`].
    pub stop: Arc<AtomicBool>,
    /// The plan that was loaded last, with its file.
    plan: Option<(PathBuf, Arc<Plan>)>,
}

impl Session {
    /// Opens what was requested, with all refusals before the first read.
    ///
    /// # Errors
    /// [`SessionError`].
    pub fn open(sources: &Sources) -> Result<Session, SessionError> {
        let trace = |sources: &Sources| -> Result<Option<Trace>, SessionError> {
            let Some(path) = &sources.trace else { return Ok(None) };
            let file = create_new(path)?;
            let trace = Trace::new(Box::new(BufWriter::new(file)));
            Ok(Some(trace.map_err(|error| NewFileError::Io { path: path.clone(), error })?))
        };
        let stop = Arc::clone(&sources.stop);
        let reader = |source: Box<dyn Source>| -> Result<Reader, SessionError> {
            let reader = Reader::new(source, trace(sources)?).with_stop(Arc::clone(&stop));
            let reader = reader.with_trouble_limit(sources.trouble_limit).with_keys(Arc::clone(&sources.keys));
            Ok(if sources.answers_when_stopped { reader.answering_when_stopped() } else { reader })
        };
        let (reader, case, has_drive) = match (&sources.source, &sources.case) {
            (None, None) => return Err(SessionError::Nothing),
            (Some(path), None) => (reader(open_safely(path, sources)?)?, None, true),
            (None, Some(folder)) => {
                let case = Case::open(folder, sources.access)?;
                refuse_outputs_on_drive(&case, sources)?;
                let reader = reader(case.without_drive())?.with_store(Arc::clone(case.store()) as _);
                (reader, Some(case), false)
            }
            (Some(path), Some(folder)) => {
                check_unlocked(folder)?;
                let source = open_safely(path, sources)?;
                let form = sources.form.unwrap_or(ImageForm::Raw);
                refuse_source_in_case(folder, source.identity())?;
                let mut case = Case::open_or_create(folder, source.identity(), form)?;
                if let Some(form) = sources.form {
                    case = case.change_form(form)?;
                }
                let reader = reader(source)?.with_store(Arc::clone(case.store()) as _);
                case.confirm(&reader, sources.word)?;
                (reader, Some(case), true)
            }
        };
        Ok(Session {
            reader: Arc::new(reader),
            case,
            has_drive,
            sources: sources.clone(),
            attached: wait::attached(),
            stop,
            plan: None,
        })
    }

    /// A session over a drive and its case that are open already.
    pub fn over(reader: Arc<Reader>, case: Case) -> Session {
        Session {
            reader,
            sources: Sources { case: Some(case.folder().into()), ..Sources::default() },
            case: Some(case),
            has_drive: true,
            attached: wait::attached(),
            stop: Arc::default(),
            plan: None,
        }
    }

    /// A plan of the case, read and checked once however often it is needed: its file never changes.
    ///
    /// # Errors
    /// [`PlanReadError`].
    pub fn load_plan(&mut self, path: &Path) -> Result<Arc<Plan>, PlanReadError> {
        if let Some((_, plan)) = self.plan.as_ref().filter(|(loaded, _)| loaded == path) {
            return Ok(Arc::clone(plan));
        }
        // Two plans are not held at once.
        self.plan = None;
        let plan = Arc::new(load_plan(path)?);
        self.plan = Some((path.to_path_buf(), Arc::clone(&plan)));
        Ok(plan)
    }

    /// Reads tables and structure; with a case, everything read is durable afterwards.
    ///
    /// # Errors
    /// [`SessionError::Lost`] when the drive is gone; what had arrived is then kept all the same. [`SessionError::Key`] for a key
    /// that opens nothing, unless reading was stopped.
    pub fn read_drive(&mut self) -> Result<DriveMap, SessionError> {
        let read = self.commit_after(read_drive(&self.reader));
        self.reader.flush_trace()?;
        let drive = read?;
        if let Some(case) = self.case.as_mut().filter(|_| self.has_drive) {
            let tables = tables(&drive);
            let places: Vec<Extent> = tables.extents().iter().flat_map(|extent| case.store().held(*extent)).collect();
            case.set_identity_places(places)?;
            case.remember_reading(self.reader.identity(), self.reader.left_off().is_some())?;
        }
        if !self.reader.is_let_go() {
            drive.check_keys(&self.sources.keys)?;
        }
        Ok(drive)
    }

    /// Whether each key opens a volume, as far as the case alone can tell: before a drive is read on.
    ///
    /// # Errors
    /// [`SessionError::Key`].
    pub fn check_keys(&self) -> Result<(), SessionError> {
        let Some(case) = self.case.as_ref().filter(|_| !self.sources.keys.is_empty()) else { return Ok(()) };
        match read_drive(&case.reader_without_drive(&self.sources.keys)) {
            Ok(drive) => Ok(drive.check_keys(&self.sources.keys)?),
            // The survey did not come so far; the plan will be made again.
            Err(SourceLost::NotInCase { .. }) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Judges whether the data is consistent, and meanwhile finds the class of every byte: both only look at what was read,
    /// and on a volume of many files each takes a while. With a case, what judging reads is durable afterwards.
    ///
    /// # Errors
    /// [`SessionError::Lost`] when the drive is gone; what had arrived is then kept all the same.
    pub fn judge_and_classify(
        &mut self,
        drive: &DriveMap,
        choices: &Choices,
    ) -> Result<(Coherence, ClassMap), SessionError> {
        std::thread::scope(|scope| {
            let map = scope.spawn(|| classify(drive, choices));
            let coherence = self.check_coherence(drive);
            let map = map.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            Ok((coherence?, map))
        })
    }

    fn check_coherence(&mut self, drive: &DriveMap) -> Result<Coherence, SessionError> {
        let judged = self.commit_after(coherence::judge(drive, &self.reader));
        self.reader.flush_trace()?;
        Ok(judged?)
    }

    /// The case.
    ///
    /// # Errors
    /// [`SessionError::NoCase`].
    pub fn case(&self) -> Result<&Case, SessionError> {
        self.case.as_ref().ok_or(SessionError::NoCase)
    }

    /// The drive's rate by this run's own large reads, in bytes a second. `None` when there are too few of them, or when it cannot be
    /// the drive's: reads of an image file, or of what is in a cache, show the rate of this machine's memory.
    pub fn measured_rate(&self) -> Option<f64> {
        let rate = self.reader.totals().sustained_rate()?;
        if self.reader.clock().is_simulated() {
            return Some(rate);
        }
        let device = self.sources.source.as_ref()?;
        can_be_the_drives(rate, device, &KernelPlaces::default()).then_some(rate)
    }

    /// The drive's rate, in bytes a second: by this run, else by the case's survey before.
    pub fn known_rate(&self) -> Option<f64> {
        self.measured_rate().or_else(|| self.case.as_ref()?.file().surveyed_rate)
    }

    /// What commands name to go on with the same drive.
    pub fn workplace(&self) -> Workplace {
        let of_case = || self.case.as_ref().map(|case| case.file().source.path.clone());
        let drive = self.sources.source.clone().or_else(of_case).unwrap_or_default();
        let key_files = self.sources.key_files.clone();
        Workplace { drive, case: self.sources.case.clone(), key_files }
    }

    /// Makes durable what arrived. Without a case there is nothing to be made so.
    ///
    /// # Errors
    /// [`SourceLost::Store`].
    pub fn commit(&self) -> Result<(), SourceLost> {
        self.commit_after(Ok(()))
    }

    fn commit_after<T>(&self, outcome: Result<T, SourceLost>) -> Result<T, SourceLost> {
        match &self.case {
            Some(case) => commit_after(case.store().as_ref(), outcome),
            None => outcome,
        }
    }

    /// Appends to the case's record; does nothing without a case.
    ///
    /// # Errors
    /// [`CaseError`] when it cannot be written.
    pub fn record(&self, entry: &Entry) -> Result<(), CaseError> {
        self.case.as_ref().map_or(Ok(()), |case| case.record(entry))
    }
}

/// Opens the drive, unless it is in use or something is to be written to it.
fn open_safely(path: &Path, sources: &Sources) -> Result<Box<dyn Source>, SessionError> {
    let source = source::open(path, sources.sector_size)?;
    let host = Host::look(source.identity())?;
    refuse_places(&host, sources)?;
    if !sources.mounted {
        host.refuse_used(source.is_exclusive())?;
    }
    Ok(source)
}

/// Without the drive: where the case saw it last, if it is still there.
fn refuse_outputs_on_drive(case: &Case, sources: &Sources) -> Result<(), SessionError> {
    let seen = &case.file().attachment.instance;
    for kind in [SourceKind::BlockDevice, SourceKind::ImageFile] {
        let path = case.file().source.path.clone();
        let identity = SourceIdentity { path, kind, ..case.without_drive().identity().clone() };
        if seen.is_some() && *seen == Attachment::of(&identity).instance {
            // Only what is certain: nothing is read from the drive.
            return refuse_places(&Host::look(&identity)?, &Sources { elsewhere: true, ..sources.clone() });
        }
    }
    Ok(())
}

fn refuse_places(host: &Host, sources: &Sources) -> Result<(), SessionError> {
    let places = sources.case.iter().chain(&sources.trace).chain(&sources.outputs);
    // A file of the case may be a link to somewhere else.
    let in_case = sources.case.iter().flat_map(|folder| std::fs::read_dir(folder).into_iter().flatten().flatten());
    let linked = in_case.map(|entry| entry.path()).filter(|path| path.is_symlink());
    places.cloned().chain(linked).try_for_each(|place| Ok(host.refuse_place(&place, sources.elsewhere)?))
}

impl Ends for SessionError {
    fn ending(&self) -> Ending {
        match self {
            SessionError::Nothing | SessionError::NoCase => Ending::Usage,
            SessionError::Open(error) => error.ending(),
            SessionError::Case(error) => error.ending(),
            SessionError::Host(_) => Ending::Case,
            SessionError::Key(error) => error.ending(),
            SessionError::Lost(error) => error.ending(),
            SessionError::Trace(error) => error.ending(),
        }
    }
}
