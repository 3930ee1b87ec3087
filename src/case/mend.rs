//! Putting a case right: a journal that was damaged, a case's file that was lost. What was there stays; what is new gets a
//! new name.

use super::store::journal_file;
use super::{
    Access, Attachment, CASE_NAME, Case, CaseError, CaseFile, CaseSource, CaseStore, CommitRule, JOURNAL_NAME,
};
use crate::base::extent::Extent;
use crate::base::new_file::{NewFile, Readers};
use crate::source::{Reader, SourceIdentity};
use crate::store::durable_file::DiskFile;
use crate::store::image::{self, Image, ImageForm};
use crate::store::journal::{Journal, JournalHeader, Ranges, Salvaged, read_header, salvage};
use serde::Serialize;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Read at once where a chunk or an unreadable place is looked at, in bytes.
const AT_ONCE: u64 = 1 << 20;

/// What the technician knows and nothing else tells.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Known {
    /// The drive's serial number.
    pub serial: Option<String>,
    /// The byte that unreadable sectors have in the image.
    pub fill: Option<u8>,
    /// The image's file name, where there are several.
    pub image: Option<String>,
}

/// What was put right.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Mended {
    /// Whether the case's file was written anew.
    pub case_file: bool,
    /// The new journal and what it holds, when the old one was damaged.
    pub journal: Option<MendedJournal>,
}

/// A journal that was written anew.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct MendedJournal {
    /// Its file's name.
    pub file: String,
    /// The damaged one's, which stays.
    pub damaged: String,
    /// What was wrong with it.
    pub fault: String,
    /// What was taken over.
    #[serde(flatten)]
    pub salvaged: Salvaged,
}

/// Puts the case in `folder` right, and opens it. `reader` reads its drive, when that is at hand.
///
/// # Errors
/// [`CaseError`]: there is nothing to put right from, the drive is not the one that the journal tells of, or the
/// technician's word is needed, in which case the error says for what.
pub fn mend(folder: &Path, reader: Option<&Reader>, known: &Known) -> Result<(Case, Mended), CaseError> {
    match CaseFile::read(&folder.join(CASE_NAME)) {
        Ok(file) => mend_journal(folder, file),
        Err(CaseError::Missing { .. }) => restore_case_file(folder, reader, known),
        Err(CaseError::BadFile { path, reason }) => Err(CaseError::CaseFileInTheWay { path, reason }),
        Err(error) => Err(error),
    }
}

fn mend_journal(folder: &Path, mut file: CaseFile) -> Result<(Case, Mended), CaseError> {
    let path = file.journal_path(folder);
    let locked = journal_file::lock(folder, &path)?;
    let image = image::open(&folder.join(file.image_name()), file.image)?;
    file.check_image(image.bytes())?;
    let header = file.journal_header()?;
    let (journal, ranges, mended) = open_or_save(folder, &path, locked, &header, image.as_ref())?;
    if let Some(mended) = &mended {
        file.journal.clone_from(&mended.file);
        file.write(&folder.join(CASE_NAME))?;
    }
    let case = case_of(folder, file, image, journal, ranges);
    Ok((case, Mended { case_file: false, journal: mended }))
}

fn case_of(folder: &Path, file: CaseFile, image: Box<dyn Image>, journal: Journal, ranges: Ranges) -> Case {
    let torn_bytes = journal.cut_bytes();
    let store = Arc::new(CaseStore::new(image, journal, ranges, file.fill, CommitRule::default()));
    Case { folder: folder.into(), file, store, torn_bytes, access: Access::Work }
}

/// Opens a journal that is sound; of one that is not, saves what is into the next journal.
fn open_or_save(
    folder: &Path,
    path: &Path,
    locked: File,
    header: &JournalHeader,
    image: &dyn Image,
) -> Result<(Journal, Ranges, Option<MendedJournal>), CaseError> {
    let again = locked.try_clone().map_err(|error| CaseError::io(path, error))?;
    let fault = match Journal::open_in(Box::new(DiskFile::at(again, path))) {
        Ok((journal, ranges)) if journal.header() == header => return Ok((journal, ranges, None)),
        Ok(_) => return Err(CaseError::OtherJournal),
        Err(fault @ crate::store::journal::JournalError::Io { .. }) => return Err(fault.into()),
        Err(fault) => fault,
    };
    let to = next_journal(folder);
    let new = NewFile::begin(&to, Readers::OwnerOnly)?;
    let file = new.file().try_clone().map_err(|error| CaseError::io(&to, error))?;
    let mut is_doubtful = |chunk: Extent| is_constant(image, chunk);
    let damaged = Box::new(DiskFile::new(locked));
    let (journal, ranges, salvaged) = salvage(damaged, Box::new(DiskFile::new(file)), header, &mut is_doubtful)?;
    drop(journal);
    new.publish()?;
    let locked = journal_file::lock(folder, &to)?;
    let (journal, _) = journal_file::open(locked, &to)?;
    let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let mended = MendedJournal { file: name(&to), damaged: name(path), fault: fault.to_string(), salvaged };
    Ok((journal, ranges, Some(mended)))
}

/// Whether a withdrawal can have meant a chunk: its bytes are one block again and again. One that cannot be read back can
/// have been meant as well.
fn is_constant(image: &dyn Image, chunk: Extent) -> bool {
    let mut bytes = vec![0; usize::try_from(chunk.bytes.min(AT_ONCE)).expect("at most 1 MiB")];
    let mut block: Option<Vec<u8>> = None;
    for part in chunk.pieces(AT_ONCE) {
        let part_bytes = &mut bytes[..usize::try_from(part.bytes).expect("at most 1 MiB")];
        if image.read_at(part.start, part_bytes).is_err() {
            return true;
        }
        let block = block.get_or_insert_with(|| part_bytes[..part_bytes.len().min(512)].to_vec());
        if part_bytes.chunks(block.len()).any(|other| *other != block[..other.len()]) {
            return false;
        }
    }
    true
}

/// Names of journals: `journal`, `journal-2` and so on.
fn journal_names() -> impl Iterator<Item = String> {
    std::iter::once(JOURNAL_NAME.to_owned()).chain((2_u32..).map(|number| format!("{JOURNAL_NAME}-{number}")))
}

fn next_journal(folder: &Path) -> PathBuf {
    let mut free = journal_names().map(|name| folder.join(name)).filter(|path| path.symlink_metadata().is_err());
    free.next().expect("there is always a next number")
}

fn restore_case_file(folder: &Path, reader: Option<&Reader>, known: &Known) -> Result<(Case, Mended), CaseError> {
    // The last one that is there is the one in force.
    let there = journal_names().take_while(|name| folder.join(name).exists());
    let name = there.last().ok_or_else(|| CaseError::Missing { folder: folder.into() })?;
    let path = folder.join(&name);
    let locked = journal_file::lock(folder, &path)?;
    let header = read_header(&path)?;
    let (form, image_name) = only_image(folder, known)?;
    let image = image::open(&folder.join(&image_name), form)?;
    let (journal, ranges, mended) = open_or_save(folder, &path, locked, &header, image.as_ref())?;
    let mut file = CaseFile::of_journal(&header, form);
    file.journal = mended.as_ref().map_or(name, |mended| mended.file.clone());
    file.image_file = Some(image_name).filter(|name| name != form.file_name());
    file.check_image(image.bytes())?;
    file.fill = fill_of(image.as_ref(), &ranges, file.source.bytes, known.fill)?;
    file.source.serial.clone_from(&known.serial);
    let mut case = case_of(folder, file, image, journal, ranges);
    if let Some(reader) = reader {
        case.adopt(reader, known)?;
    }
    match case.file.write_new(&folder.join(CASE_NAME)) {
        Ok(()) => Ok((case, Mended { case_file: true, journal: mended })),
        Err(error) => Err(error.into()),
    }
}

/// The image that is there, or of several the one that the technician names.
fn only_image(folder: &Path, known: &Known) -> Result<(ImageForm, String), CaseError> {
    let mut found: Vec<(ImageForm, String)> = Vec::new();
    for entry in fs::read_dir(folder).map_err(|error| CaseError::io(folder, error))? {
        let name = entry.map_err(|error| CaseError::io(folder, error))?.file_name();
        let Some(name) = name.to_str() else { continue };
        let form = ImageForm::ALL.into_iter().find(|form| form.is_name_of_one(name));
        found.extend(form.map(|form| (form, name.to_owned())));
    }
    found.sort();
    if let Some(wanted) = &known.image {
        found.retain(|(_, name)| name == wanted);
    }
    match &found[..] {
        [one] => Ok(one.clone()),
        _ => Err(CaseError::WhichImage { names: found.into_iter().map(|(_, name)| name).collect() }),
    }
}

/// The byte that unreadable ranges have: as the technician says, and as the image shows.
fn fill_of(image: &dyn Image, ranges: &Ranges, bytes: u64, known: Option<u8>) -> Result<u8, CaseError> {
    let places = ranges.unreadable(Extent::between(0, bytes));
    let Some(place) = places.first() else { return Ok(known.unwrap_or(0)) };
    let mut first = [0];
    image.read_at(place.start, &mut first).map_err(|error| CaseError::Image(error.into()))?;
    match known {
        Some(fill) if fill == first[0] => Ok(fill),
        _ => Err(CaseError::WhichFill { shown: first[0], at: place.start.0 }),
    }
}

impl CaseFile {
    /// What a journal tells of its case.
    fn of_journal(header: &JournalHeader, form: ImageForm) -> CaseFile {
        let mut file = CaseFile::new(
            &SourceIdentity {
                path: PathBuf::new(),
                kind: crate::source::SourceKind::ImageFile,
                bytes: header.drive_bytes,
                logical_sector: header.sector,
                physical_sector: header.sector,
                model: None,
                serial: None,
                details: crate::source::DriveDetails::default(),
            },
            form,
        );
        file.id = hex::encode(header.case_id);
        file.attachment = Attachment::default();
        file
    }
}

impl Case {
    /// Takes on what the drive tells of itself, when what is held of it is what it gives, or its serial number is the one
    /// that the technician knows.
    fn adopt(&mut self, reader: &Reader, known: &Known) -> Result<(), CaseError> {
        let identity = reader.identity();
        let told = CaseSource::new(identity);
        self.file.source.check(identity)?;
        let same_serial = known.serial.is_some() && known.serial == identity.serial;
        self.file.source = CaseSource { serial: told.serial.clone().or_else(|| known.serial.clone()), ..told };
        if self.compare(reader)?.is_none() && !same_serial {
            return Err(CaseError::NotConfirmed);
        }
        self.file.attachment = Attachment::of(identity);
        Ok(())
    }
}
