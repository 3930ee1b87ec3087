//! A case: the folder that holds all there is about one drive.
//!
//! Whatever a command reads from the drive goes into the case's image at once and is journalled, so no later command asks the drive
//! for it again, and when the structure is in, a case serves without the drive. `docs/formats/case.md` describes the folder.

mod attachment;
mod chain;
mod error;
mod file;
mod health;
mod look;
mod note;
mod offline;
mod record;
mod safety;
mod store;

pub use attachment::Attachment;
pub use chain::{ChainFault, Record, RecordLine, read_record};
pub use error::CaseError;
pub use file::{CaseFile, CaseSource};
pub use health::{HealthChange, HealthCounter, HealthError, HealthReading};
pub use look::CaseLook;
pub use note::{FieldValue, Note, NoteError, NoteField, Topic, Unit};
pub use record::{Entry, RECORD_NAME, SEAL_NAME, Seal};
pub use safety::{Mounted, refuse_mounted, refuse_writing_to_source};
pub use store::CaseStore;

use crate::extent::Extent;
use crate::image::{self, ImageForm};
use crate::journal::{Journal, JournalHeader, Ranges};
use crate::model::DriveModel;
use crate::source::{Reader, Source, SourceIdentity, SourceLost, Store};
use crate::write_new::{PART_PREFIX, PART_SUFFIX, replace};
use rustix::fs::FlockOperation;
use std::ffi::OsStr;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

const CASE_NAME: &str = "case.json";
const JOURNAL_NAME: &str = "journal";
const LOCK_NAME: &str = "lock";
const MODEL_NAME: &str = "model.json";

/// Most bytes that are read again to make sure that a drive is the one a case belongs to.
const IDENTITY_BYTES: u64 = 64 << 10;

/// An open case, locked against every other process.
pub struct Case {
    folder: PathBuf,
    file: CaseFile,
    store: Arc<CaseStore>,
    /// Bytes that were cut from the journal's end when it was opened: a claim that was being written when power went.
    torn_bytes: u64,
    _lock: File,
}

impl Case {
    /// Opens the case in `folder` for the drive `identity`, or makes a new one when there is none. `form` is the form of a
    /// new case's image.
    ///
    /// # Errors
    /// [`CaseError`]: the folder is not a case and not empty, another process has it, it belongs to another drive, its
    /// files are damaged.
    pub fn open_or_create(folder: &Path, identity: &SourceIdentity, form: ImageForm) -> Result<Case, CaseError> {
        if folder.join(CASE_NAME).exists() {
            let case = Case::open(folder)?;
            case.file.source.check(identity)?;
            return Ok(case);
        }
        match fs::create_dir(folder) {
            Ok(()) => {}
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
                let mut entries = fs::read_dir(folder).map_err(|e| CaseError::io(folder, e))?;
                let foreign = entries.find(|entry| entry.as_ref().is_ok_and(|e| e.file_name() != LOCK_NAME));
                // What a creation that was cut short has left: no case file, so nothing was ever claimed.
                let leftover = |e: &fs::DirEntry| {
                    let name = e.file_name();
                    let own = [JOURNAL_NAME, ImageForm::Raw.file_name(), ImageForm::Vhdx.file_name()];
                    own.iter().any(|n| name == *n) || is_unfinished(&name)
                };
                if let Some(Ok(entry)) = foreign.filter(|e| !e.as_ref().is_ok_and(leftover)) {
                    return Err(CaseError::NotACase { folder: folder.into(), found: entry.file_name().into() });
                }
            }
            Err(e) => return Err(CaseError::io(folder, e)),
        }
        let lock = lock(folder)?;
        remove_unfinished(folder)?;
        let file = CaseFile::new(identity, form);
        for name in [JOURNAL_NAME, ImageForm::Raw.file_name(), ImageForm::Vhdx.file_name()] {
            match fs::remove_file(folder.join(name)) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(CaseError::io(folder, e)),
                _ => {}
            }
        }
        let image = image::create(
            &folder.join(form.file_name()),
            form,
            identity.bytes,
            identity.logical_sector,
            identity.physical_sector,
        )?;
        let header =
            JournalHeader { case_id: file.id_bytes()?, drive_bytes: identity.bytes, sector: identity.logical_sector };
        let journal = Journal::create(&folder.join(JOURNAL_NAME), &header)?;
        let store = Arc::new(CaseStore::new(image, journal, Ranges::new(), file.fill));
        let case = Case { folder: folder.into(), file, store, torn_bytes: 0, _lock: lock };
        case.save()?;
        Ok(case)
    }

    /// Opens an existing case.
    ///
    /// # Errors
    /// As [`Case::open_or_create`]; and when there is no case in the folder.
    pub fn open(folder: &Path) -> Result<Case, CaseError> {
        let lock = lock(folder)?;
        let file = CaseFile::read(&folder.join(CASE_NAME))?;
        let image = image::open(&folder.join(file.image.file_name()), file.image)?;
        if image.bytes() < file.source.bytes || image.bytes() - file.source.bytes >= file.source.logical_sector {
            return Err(CaseError::ImageSize { image: image.bytes(), source_bytes: file.source.bytes });
        }
        let (journal, ranges) = Journal::open(&folder.join(JOURNAL_NAME))?;
        if journal.header().case_id != file.id_bytes()? {
            return Err(CaseError::OtherJournal);
        }
        let torn_bytes = journal.cut_bytes();
        let store = Arc::new(CaseStore::new(image, journal, ranges, file.fill));
        Ok(Case { folder: folder.into(), file, store, torn_bytes, _lock: lock })
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// What the case's file says.
    pub fn file(&self) -> &CaseFile {
        &self.file
    }

    /// The image with its journal.
    pub fn store(&self) -> &Arc<CaseStore> {
        &self.store
    }

    /// The image's path.
    pub fn image_path(&self) -> PathBuf {
        self.folder.join(self.file.image.file_name())
    }

    /// The journal's path.
    pub fn journal_path(&self) -> PathBuf {
        self.folder.join(JOURNAL_NAME)
    }

    /// Bytes cut from the end of the journal when it was opened.
    pub fn torn_bytes(&self) -> u64 {
        self.torn_bytes
    }

    /// The current plan's path.
    pub fn plan_path(&self) -> Option<PathBuf> {
        self.file.plan.as_ref().map(|name| self.folder.join(name))
    }

    /// Where the next plan goes: `plan.json`, then `plan-2.json` and so on. Earlier plans stay.
    pub fn next_plan_path(&self) -> PathBuf {
        let names = std::iter::once("plan.json".to_owned()).chain((2..).map(|n: u32| format!("plan-{n}.json")));
        let mut free = names.map(|name| self.folder.join(name)).filter(|path| !path.exists());
        free.next().expect("there is always a next number")
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
    /// [`CaseError::Model`] when there is a file that is none.
    pub fn model(&self) -> Result<Option<DriveModel>, CaseError> {
        let path = self.model_path();
        if path.exists() { Ok(Some(DriveModel::from_file(&path)?)) } else { Ok(None) }
    }

    /// Keeps the drive's model, in place of the one before.
    ///
    /// # Errors
    /// [`CaseError::Io`].
    pub fn set_model(&self, model: &DriveModel) -> Result<(), CaseError> {
        write_file(&self.model_path(), model.to_json().as_bytes())
    }

    /// A source that holds nothing beside the case: whatever the case lacks is an error that says so.
    pub fn without_drive(&self) -> Box<dyn Source> {
        Box::new(offline::NoDrive::new(self.file.source.identity(&self.image_path())))
    }

    /// Makes sure that a drive is the one this case belongs to.
    ///
    /// Nothing is read when the kernel shows that the drive was neither detached nor written to since the case last saw
    /// it. Else the places that identify it are read again (at most 64 KiB) and compared with the image.
    ///
    /// # Errors
    /// [`CaseError::OtherDrive`] names what differs; [`SourceLost`] inside [`CaseError::Source`] when the device is gone.
    pub fn confirm(&mut self, reader: &Reader) -> Result<(), CaseError> {
        self.file.source.check(reader.identity())?;
        let attachment = Attachment::of(reader.identity());
        if attachment.is_known() && attachment == self.file.attachment {
            return Ok(());
        }
        let mut buffer = Vec::new();
        let mut agreed = 0;
        let places = self.identifying_places();
        for place in &places {
            let held = self.store.held(*place);
            if held != [*place] {
                continue;
            }
            let now = reader.look_again(*place)?;
            let Some(now) = now else { continue };
            buffer.resize(now.len(), 0);
            self.store.load(*place, &mut buffer).map_err(|e| CaseError::io(&self.folder, e))?;
            if let Some(at) = now.iter().zip(&buffer).position(|(a, b)| a != b) {
                return Err(CaseError::OtherDrive {
                    byte: place.start.0 + at as u64,
                    sector: reader.identity().logical_sector.bytes(),
                });
            }
            agreed += place.bytes;
        }
        if agreed == 0 && !places.is_empty() {
            return Err(CaseError::NotConfirmed);
        }
        self.file.attachment = attachment;
        self.save()
    }

    /// Where a drive is compared with the case. Before the first survey has come to its end there are no tables to speak
    /// of yet: then what is held first, which a survey reads first.
    fn identifying_places(&self) -> Vec<Extent> {
        if !self.file.identity_places.is_empty() {
            return self.file.identity_places.clone();
        }
        let mut left = IDENTITY_BYTES;
        let held = self.store.held(Extent::between(0, self.file.source.bytes)).into_iter().map_while(|place| {
            let bytes = place.bytes.min(left);
            left -= bytes;
            (bytes > 0).then(|| Extent::between(place.start.0, place.start.0 + bytes))
        });
        held.collect()
    }

    /// Chooses the byte that unreadable sectors have in the image. It cannot be changed once a sector has it: one image with
    /// two fills would say nothing.
    ///
    /// # Errors
    /// [`CaseError::FillInUse`] when sectors were given up with another fill; [`CaseError::Io`].
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

    /// Takes note of how the drive is attached, after reading from it.
    ///
    /// # Errors
    /// [`CaseError`] when the case's file cannot be written.
    pub fn remember_attachment(&mut self, identity: &SourceIdentity) -> Result<(), CaseError> {
        self.file.attachment = Attachment::of(identity);
        self.save()
    }

    /// Changes the image's form: what is held is moved to a new image, which then takes the old one's place.
    ///
    /// # Errors
    /// [`CaseError`]; the case then stays as it was.
    pub fn change_form(self, form: ImageForm) -> Result<Case, CaseError> {
        if form == self.file.image {
            return Ok(self);
        }
        let (folder, old) = (self.folder.clone(), self.image_path());
        let new = folder.join(form.file_name());
        match fs::remove_file(&new) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(CaseError::io(&new, e)),
            _ => {}
        }
        let source = &self.file.source;
        let image = image::create(&new, form, source.bytes, source.logical(), source.physical())?;
        let all = Extent::between(0, source.bytes);
        let mut buffer = vec![0; 1 << 20];
        for extent in self.store.held(all).into_iter().flat_map(|e| e.pieces(1 << 20)) {
            let part = &mut buffer[..usize::try_from(extent.bytes).expect("at most 1 MiB")];
            self.store
                .load(extent, part)
                .and_then(|()| image.write_at(extent.start, part))
                .map_err(|e| CaseError::io(&new, e))?;
        }
        image.sync().map_err(|e| CaseError::io(&new, e))?;
        drop(image);
        let mut file = self.file.clone();
        file.image = form;
        drop(self);
        file.write(&folder.join(CASE_NAME))?;
        fs::remove_file(&old).map_err(|e| CaseError::io(&old, e))?;
        Case::open(&folder)
    }

    /// Appends to the record of who did what when.
    ///
    /// # Errors
    /// [`CaseError`] when it cannot be written.
    pub fn record(&self, entry: &Entry) -> Result<(), CaseError> {
        record::append(&self.folder.join(RECORD_NAME), entry)
    }

    fn save(&self) -> Result<(), CaseError> {
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

/// Whether there is a case in a folder.
pub fn is_case(folder: &Path) -> bool {
    folder.join(CASE_NAME).exists()
}

/// Whether a file was being written when its writer was killed.
fn is_unfinished(name: &OsStr) -> bool {
    name.to_str().is_some_and(|name| name.starts_with(PART_PREFIX) && name.ends_with(PART_SUFFIX))
}

fn remove_unfinished(folder: &Path) -> Result<(), CaseError> {
    for entry in fs::read_dir(folder).map_err(|e| CaseError::io(folder, e))?.flatten() {
        if is_unfinished(&entry.file_name()) {
            fs::remove_file(entry.path()).map_err(|e| CaseError::io(&entry.path(), e))?;
        }
    }
    Ok(())
}

fn lock(folder: &Path) -> Result<File, CaseError> {
    if !folder.is_dir() {
        return Err(CaseError::Missing { folder: folder.into() });
    }
    let path = folder.join(LOCK_NAME);
    let file =
        File::options().create(true).truncate(false).write(true).open(&path).map_err(|e| CaseError::io(&path, e))?;
    match rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(file),
        Err(rustix::io::Errno::WOULDBLOCK) => Err(CaseError::InUse { folder: folder.into() }),
        Err(e) => Err(CaseError::io(&path, e.into())),
    }
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
