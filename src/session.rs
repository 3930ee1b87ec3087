//! What every command that reads a drive does first and last: open it, alone, with a case, or from a case alone; and leave the
//! case in order.

use crate::allocation::{Choices, Class, ClassMap, DriveMap, classify, read_drive};
use crate::case::{
    Access, Case, CaseError, Entry, Mounted, Word, refuse_mounted, refuse_source_in_case, refuse_writing_to_source,
};
use crate::coherence::{self, Coherence};
use crate::extent::Extent;
use crate::image::ImageForm;
use crate::new_file::{NewFileError, create_new};
use crate::source::{self, OpenError, Reader, Source, SourceLost, Store, Trace};
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
    /// Whether a mounted drive is accepted.
    pub mounted: bool,
    /// What the technician answers for.
    pub word: Word,
    /// Files that the command is going to write.
    pub outputs: Vec<PathBuf>,
}

/// Why a session cannot begin or go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// Neither a drive nor a case was given.
    #[error("give a drive to read, or a case with --case, or both")]
    Nothing,
    /// The drive.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
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
    /// What the technician answers for.
    pub word: Word,
}

impl Session {
    /// Opens what was asked for, with all refusals before the first read.
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
        match (&sources.source, &sources.case) {
            (None, None) => Err(SessionError::Nothing),
            (Some(path), None) => {
                let source = open_safely(path, sources)?;
                Ok(Session {
                    reader: Arc::new(Reader::new(source, trace(sources)?)),
                    case: None,
                    has_drive: true,
                    word: sources.word,
                })
            }
            (None, Some(folder)) => {
                let case = Case::open(folder, sources.access)?;
                let store = Arc::clone(case.store());
                let reader = Reader::new(case.without_drive(), trace(sources)?).with_store(store);
                Ok(Session { reader: Arc::new(reader), case: Some(case), has_drive: false, word: sources.word })
            }
            (Some(path), Some(folder)) => {
                let source = open_safely(path, sources)?;
                let form = sources.form.unwrap_or(ImageForm::Raw);
                refuse_source_in_case(folder, source.identity())?;
                let mut case = Case::open_or_create(folder, source.identity(), form)?;
                if let Some(form) = sources.form {
                    case = case.change_form(form)?;
                }
                let store = Arc::clone(case.store());
                let reader = Reader::new(source, trace(sources)?).with_store(store);
                case.confirm(&reader, sources.word)?;
                Ok(Session { reader: Arc::new(reader), case: Some(case), has_drive: true, word: sources.word })
            }
        }
    }

    /// Reads tables and structure; with a case, everything read is durable afterwards.
    ///
    /// # Errors
    /// [`SessionError::Lost`] when the drive is gone; what had arrived is then kept all the same.
    pub fn read_drive(&mut self) -> Result<DriveMap, SessionError> {
        let read = read_drive(&self.reader);
        self.reader.flush_trace()?;
        let Some(case) = &mut self.case else { return Ok(read?) };
        let committed = case.store().commit().map_err(SourceLost::Store);
        // When both fail, the first failure is the reason for the second.
        let drive = read?;
        committed?;
        if self.has_drive {
            let map = classify(&drive, &Choices::default());
            let tables = map.runs().iter().filter(|run| run.class == Class::Tables);
            let places: Vec<Extent> = tables.flat_map(|run| case.store().held(run.extent)).collect();
            case.set_identity_places(places)?;
            case.remember_attachment(self.reader.identity())?;
        }
        Ok(drive)
    }

    /// Judges whether the drive reads sanely, and meanwhile finds the class of every byte: both only look at what was read,
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
            let coherence = self.judge(drive);
            let map = map.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            Ok((coherence?, map))
        })
    }

    fn judge(&mut self, drive: &DriveMap) -> Result<Coherence, SessionError> {
        let judged = coherence::judge(drive, &self.reader);
        self.reader.flush_trace()?;
        let committed = self.case.as_ref().map_or(Ok(()), |case| case.store().commit().map_err(SourceLost::Store));
        // When both fail, the first failure is the reason for the second.
        let coherence = judged?;
        committed?;
        Ok(coherence)
    }

    /// Appends to the case's record; does nothing without a case.
    ///
    /// # Errors
    /// [`CaseError`] when it cannot be written.
    pub fn record(&self, entry: &Entry) -> Result<(), CaseError> {
        self.case.as_ref().map_or(Ok(()), |case| case.record(entry))
    }
}

/// Opens the drive, unless it is mounted or something is to be written to it.
fn open_safely(path: &Path, sources: &Sources) -> Result<Box<dyn Source>, SessionError> {
    let source = source::open(path, sources.sector_size)?;
    for place in sources.case.iter().chain(&sources.trace).chain(&sources.outputs) {
        refuse_writing_to_source(place, source.identity())?;
    }
    refuse_mounted(source.identity(), if sources.mounted { Mounted::Accept } else { Mounted::Refuse })?;
    Ok(source)
}
