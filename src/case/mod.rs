//! A case: bytes and facts of one drive come in; the folder that holds all of them comes out, and serves without the drive.
//!
//! Whatever a command reads from the drive goes into the case's image at once and is journalled, so no later command asks the drive
//! for it again, and when the structure is in, a case serves without the drive. `docs/formats/case.md` describes the folder.
//!
//! Nothing here removes or replaces a file that the same run did not make, except `case.json`, `record.seal` and
//! `model.json` of a case whose journal is locked and has its id.

mod content;
mod create;
mod drive_identity;
mod error;
mod file;
mod form;
mod mend;
mod offline;
mod own_files;
mod record;
mod store;
mod view;

pub use content::{CaseContent, ContentPart};
pub use drive_identity::{Attachment, Confirmed, KnownBy, Word, cases_in};
pub use error::CaseError;
pub use file::{CaseFile, CaseSource};
pub use mend::{Known, Mended, MendedJournal, mend};
pub use own_files::{leftovers, refuse_source_in_case};
pub use record::{CaseRecord, ChainFault, Entry, RECORD_NAME, RecordLine, SEAL_NAME, Seal, read_record};
pub use record::{FieldValue, Note, NoteError, NoteField, Topic, Unit};
pub use record::{HealthChange, HealthCounter, HealthError, HealthReading};
pub use store::{CaseStore, CommitRule, commit_after, is_locked};
pub use view::CaseView;

use crate::base::extent::Extent;
use crate::base::new_file::replace;
use crate::drive::model::{DriveModel, ModelFileError};
use crate::source::{Keys, Reader, Source, SourceIdentity, SourceLost};
use crate::store::image;
use crate::store::journal::RECORD_BYTES;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::Arc;

const CASE_NAME: &str = "case.json";
const JOURNAL_NAME: &str = "journal";
const MODEL_NAME: &str = "model.json";

/// The name of the history of a case's copying.
pub const HISTORY_NAME: &str = "history.jsonl";

/// Most bytes that are read again to make sure that a drive is the one a case belongs to.
const IDENTITY_BYTES: u64 = 64 << 10;

/// An open case. Opened to be worked on, its journal is locked against every other process that wants to.
pub struct Case {
    folder: PathBuf,
    file: CaseFile,
    store: Arc<CaseStore>,
    /// Bytes that were cut from the journal's end when it was opened: a claim that was being written when power went.
    torn_bytes: u64,
    access: Access,
}

/// A state of a case's journal. A run says in the journal that it writes before it does.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct JournalState {
    /// Its file's name.
    pub file: String,
    /// Number of records.
    pub records: u64,
    /// Whether another process was working on the case: then the image changed while it was looked at.
    pub written_to: bool,
}

/// What a case is opened for.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Access {
    /// To work on it: locked, and everything that arrives is kept.
    Work,
    #[default]
    /// To look at it as of its last commit. Nothing is locked, cut or written, so it works on a read-only file system and
    /// beside a copy that runs.
    Look,
}

fn plan_stem(number: u32) -> String {
    if number == 1 { "plan".to_owned() } else { format!("plan-{number}") }
}

impl Case {
    /// Opens an existing case.
    ///
    /// # Errors
    /// [`CaseError`]: there is no case in the folder, another process works on it, its files are damaged.
    pub fn open(folder: &Path, access: Access) -> Result<Case, CaseError> {
        let file = CaseFile::read(&folder.join(CASE_NAME))?;
        match access {
            Access::Work => Case::work_on(folder, file),
            Access::Look => Case::look_at(folder, file),
        }
    }

    /// Locks the journal, reads the case's file again under the lock, and opens the rest.
    fn work_on(folder: &Path, file: CaseFile) -> Result<Case, CaseError> {
        let journal = store::journal_file::lock(folder, &file.journal_path(folder))?;
        // Another process may have changed it until the lock was had.
        let file = CaseFile::read(&folder.join(CASE_NAME))?;
        let (journal, ranges) = store::journal_file::open(journal, &file.journal_path(folder))?;
        file.check_journal(journal.header())?;
        let image_path = folder.join(file.image_name());
        let image = if !image_path.exists() && journal.durable_claims() == 0 {
            // Making the case was interrupted before its image.
            create::image(folder, &file)?
        } else {
            image::open(&image_path, file.image)?
        };
        file.check_image(image.bytes())?;
        let torn_bytes = journal.cut_bytes();
        let store = Arc::new(CaseStore::new(image, journal, ranges, file.fill, CommitRule::default()));
        Ok(Case { folder: folder.into(), file, store, torn_bytes, access: Access::Work })
    }

    fn look_at(folder: &Path, file: CaseFile) -> Result<Case, CaseError> {
        let (header, ranges) = store::journal_file::replay_while_it_grows(&file.journal_path(folder))?;
        file.check_journal(&header)?;
        let image = image::open_read_only(&folder.join(file.image_name()), file.image)?;
        file.check_image(image.bytes())?;
        let store = Arc::new(CaseStore::to_look_at(image, ranges));
        Ok(Case { folder: folder.into(), file, store, torn_bytes: 0, access: Access::Look })
    }

    /// Whether nothing can be kept in it.
    pub fn is_only_looked_at(&self) -> bool {
        self.access == Access::Look
    }

    /// The image and journal as a store.
    pub fn store(&self) -> &Arc<CaseStore> {
        &self.store
    }

    /// The case's own file.
    pub fn file(&self) -> &CaseFile {
        &self.file
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The image's path.
    pub fn image_path(&self) -> PathBuf {
        self.folder.join(self.file.image_name())
    }

    /// The journal's path.
    pub fn journal_path(&self) -> PathBuf {
        self.file.journal_path(&self.folder)
    }

    /// The journal as it is now. Two equal states of a case that no command works on mean that nothing was written to the image in
    /// between.
    ///
    /// # Errors
    /// [`CaseError::Io`].
    pub fn journal_state(&self) -> Result<JournalState, CaseError> {
        let path = self.journal_path();
        let about = std::fs::metadata(&path).map_err(|error| CaseError::io(&path, error))?;
        Ok(JournalState {
            file: self.file.journal.clone(),
            records: (about.len() / RECORD_BYTES).saturating_sub(1),
            written_to: self.access == Access::Look && is_locked(&path),
        })
    }

    /// Bytes cut from the end of the journal when it was opened.
    pub fn torn_bytes(&self) -> u64 {
        self.torn_bytes
    }

    /// The current plan's path.
    pub fn plan_path(&self) -> Option<PathBuf> {
        self.file.plan.as_ref().map(|name| self.folder.join(name))
    }

    /// Where the next plan goes: `plan.jsonl`, then `plan-2.jsonl` and so on. Earlier plans stay.
    pub fn next_plan_path(&self) -> PathBuf {
        let number = (1..).find(|number| self.plan_numbered(*number).is_none()).expect("there is always a next number");
        self.folder.join(format!("{}.jsonl", plan_stem(number)))
    }

    /// The case's plan with a number, from 1. Plans of version 1 are in `.json`.
    pub fn plan_numbered(&self, number: u32) -> Option<PathBuf> {
        let names = ["jsonl", "json"].map(|ending| format!("{}.{ending}", plan_stem(number)));
        names.iter().map(|name| self.folder.join(name)).find(|path| path.exists())
    }

    /// Makes a plan in this folder the current one.
    ///
    /// # Errors
    /// [`CaseError`] when the case's file cannot be written.
    pub fn set_plan(&mut self, path: &Path) -> Result<(), CaseError> {
        self.file.plan = path.file_name().map(|name| name.to_string_lossy().into_owned());
        self.save()
    }

    /// Where the drive's model is, or would be.
    pub fn model_path(&self) -> PathBuf {
        self.folder.join(MODEL_NAME)
    }

    /// The drive's model, where its pace was measured.
    ///
    /// # Errors
    /// [`ModelFileError`] when the file is no drive model.
    pub fn model(&self) -> Result<Option<DriveModel>, ModelFileError> {
        let path = self.model_path();
        if path.exists() { DriveModel::from_file(&path).map(Some) } else { Ok(None) }
    }

    /// Keeps the drive's model, in place of the one before.
    ///
    /// # Errors
    /// [`CaseError::Io`].
    pub fn set_model(&self, model: &DriveModel) -> Result<(), CaseError> {
        write_file(&self.model_path(), model.to_json().as_bytes())
    }

    /// Keeps the model that was chosen for the drive.
    ///
    /// # Errors
    /// [`CaseError::Io`].
    pub fn set_chosen_model(&mut self, model: DriveModel) -> Result<(), CaseError> {
        if self.file.chosen_model.as_ref() == Some(&model) {
            return Ok(());
        }
        self.file.chosen_model = Some(model);
        self.save()
    }

    /// Keeps the rate that a survey measured, in bytes a second.
    ///
    /// # Errors
    /// [`CaseError::Io`].
    pub fn set_surveyed_rate(&mut self, rate: f64) -> Result<(), CaseError> {
        self.file.surveyed_rate = Some(rate);
        self.save()
    }

    /// A source that holds nothing beside the case: whatever the case lacks is an error that says so.
    pub fn without_drive(&self) -> Box<dyn Source> {
        Box::new(offline::NoDrive::new(self.file.source.identity(&self.image_path()), self.file.structure_left))
    }

    /// A reader over what the case holds, without its drive.
    pub fn reader_without_drive(&self, keys: &Arc<Keys>) -> Reader {
        Reader::new(self.without_drive(), None).with_store(Arc::clone(&self.store) as _).with_keys(Arc::clone(keys))
    }

    /// Chooses the byte that unreadable sectors have in the image. It cannot be changed once a sector has it: one image with
    /// two fills would say nothing.
    ///
    /// # Errors
    /// [`CaseError::FillInUse`] when sectors are unreadable with another fill; [`CaseError::Io`].
    pub fn set_fill(&mut self, fill: u8) -> Result<(), CaseError> {
        let [.., unreadable] = self.store.totals();
        if fill == self.file.fill {
            return Ok(());
        }
        if unreadable > 0 {
            return Err(CaseError::FillInUse { fill: self.file.fill });
        }
        self.file.fill = fill;
        self.store.set_fill(fill);
        self.save()
    }

    /// Remembers the places that identify the drive (tables and boot sectors that were read), once.
    ///
    /// # Errors
    /// [`CaseError`] when the case's file cannot be written.
    pub fn set_identity_places(&mut self, places: impl IntoIterator<Item = Extent>) -> Result<(), CaseError> {
        if self.file.identity_places.is_empty() {
            let mut left = IDENTITY_BYTES;
            for place in places {
                if place.bytes <= left {
                    left -= place.bytes;
                    self.file.identity_places.push(place);
                }
            }
        }
        self.save()
    }

    /// Takes note of how the drive is attached, after reading from it, and whether structure was left then: what the case does not
    /// hold is then not read yet, not an error.
    ///
    /// # Errors
    /// [`CaseError`] when the case's file cannot be written.
    pub fn remember_reading(&mut self, identity: &SourceIdentity, structure_left: bool) -> Result<(), CaseError> {
        self.file.attachment = Attachment::of(identity);
        self.file.structure_left = structure_left;
        self.save()
    }

    /// Appends to the record of who did what when.
    ///
    /// # Errors
    /// [`CaseError`] when it cannot be written.
    pub fn record(&self, entry: &Entry) -> Result<(), CaseError> {
        record::append(&self.folder.join(RECORD_NAME), entry)
    }

    fn save(&self) -> Result<(), CaseError> {
        if self.is_only_looked_at() {
            let error = std::io::ErrorKind::ReadOnlyFilesystem.into();
            return Err(CaseError::io(&self.folder.join(CASE_NAME), error));
        }
        self.file.write(&self.folder.join(CASE_NAME))
    }
}

/// Takes a note into a case's record. The case itself need not be free: notes are taken while it is being copied.
///
/// # Errors
/// [`CaseError::Missing`] when there is no case in the folder; [`CaseError::Io`] when the record cannot be written.
pub fn add_note(folder: &Path, note: &Note) -> Result<(), CaseError> {
    if !is_case(folder) {
        return Err(CaseError::Missing { folder: folder.into() });
    }
    record::append(&folder.join(RECORD_NAME), &Entry::note(note))
}

/// Refuses a case that another process works on, before anything else is done.
///
/// # Errors
/// [`CaseError::InUse`].
pub fn check_unlocked(folder: &Path) -> Result<(), CaseError> {
    let Ok(file) = CaseFile::read(&folder.join(CASE_NAME)) else { return Ok(()) };
    match store::journal_file::lock(folder, &file.journal_path(folder)) {
        Err(error @ CaseError::InUse { .. }) => Err(error),
        // Whatever else is wrong is told when the case is opened.
        _ => Ok(()),
    }
}

/// Whether there is a case in a folder.
pub fn is_case(folder: &Path) -> bool {
    folder.join(CASE_NAME).exists()
}

impl From<SourceLost> for CaseError {
    fn from(error: SourceLost) -> CaseError {
        CaseError::Source(error)
    }
}

/// Writes a small file of the case anew: whole, or it stays as it was.
fn write_file(path: &Path, content: &[u8]) -> Result<(), CaseError> {
    replace(path, content).map_err(|error| CaseError::io(path, error))
}
