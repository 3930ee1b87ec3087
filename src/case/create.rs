//! Making a case: its file first, then its journal, then its image. Each appears whole or not at all, and never in place of
//! something else; interrupted in between, the next run goes on. Nothing is ever removed.

use super::{Access, CASE_NAME, Case, CaseError, CaseFile, HISTORY_NAME, JOURNAL_NAME, RECORD_NAME};
use crate::base::new_file::{NewFileError, Readers, write_new};
use crate::source::SourceIdentity;
use crate::store::image::{self, Image, ImageForm};
use crate::store::journal::{JournalHeader, is_journal};
use std::fs::{self, DirBuilder};
use std::io::{self, Write};
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;

impl Case {
    /// Opens the case in `folder` for the drive `identity`, or makes a new one in a folder that is new or empty. `form` is
    /// the form of a new case's image.
    ///
    /// # Errors
    /// [`CaseError`]: the folder is not a case and not empty, another process works on it, it belongs to another drive, its
    /// files are damaged.
    pub fn open_or_create(folder: &Path, identity: &SourceIdentity, form: ImageForm) -> Result<Case, CaseError> {
        make_folder(folder)?;
        let path = folder.join(CASE_NAME);
        if !path.exists() {
            refuse_what_is_there(folder)?;
            match CaseFile::new(identity, form).write_new(&path) {
                // Another process is making it at the same time: then it is that one's case.
                Ok(()) | Err(NewFileError::Exists { .. }) => {}
                Err(NewFileError::Io { path, error }) => return Err(CaseError::Io { path, error }),
            }
        }
        let file = CaseFile::read(&path)?;
        file.source.check(identity)?;
        make_journal(folder, &file)?;
        Case::open(folder, Access::Work)
    }
}

/// Makes the folder, for its owner alone; one that is there stays as it is.
fn make_folder(folder: &Path) -> Result<(), CaseError> {
    match DirBuilder::new().mode(0o700).create(folder) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(CaseError::io(folder, error)),
        _ => Ok(()),
    }
}

/// Refuses a folder without a case's file in which there is anything.
fn refuse_what_is_there(folder: &Path) -> Result<(), CaseError> {
    let entries = fs::read_dir(folder).map_err(|error| CaseError::io(folder, error))?;
    let mut names = Vec::new();
    for entry in entries {
        names.push(entry.map_err(|error| CaseError::io(folder, error))?.file_name());
    }
    // Another run has made it a case since it was looked for.
    if names.iter().any(|name| name == CASE_NAME) {
        return Ok(());
    }
    names.sort();
    let journal = names.iter().any(|name| name.as_encoded_bytes().starts_with(JOURNAL_NAME.as_bytes()));
    if journal && is_journal(&folder.join(JOURNAL_NAME)) {
        return Err(CaseError::NoCaseFile { folder: folder.into() });
    }
    match names.first() {
        Some(name) => Err(CaseError::NotACase { folder: folder.into(), found: name.into() }),
        None => Ok(()),
    }
}

/// Makes the journal of a case that has none because making it was interrupted.
fn make_journal(folder: &Path, file: &CaseFile) -> Result<(), CaseError> {
    let path = file.journal_path(folder);
    if path.exists() {
        return Ok(());
    }
    // A case that was worked on has lost its journal, which nothing can replace.
    let image = file.image_name();
    let worked_on = [image, RECORD_NAME, HISTORY_NAME].into_iter().any(|name| folder.join(name).exists());
    if worked_on || !file.is_fresh() {
        return Err(CaseError::JournalMissing { path });
    }
    let header = file.journal_header()?;
    match write_new(&path, Readers::OwnerOnly, |out| {
        out.write_all(&header.encode()).map_err(|error| NewFileError::Io { path: path.clone(), error })
    }) {
        Ok(()) | Err(NewFileError::Exists { .. }) => Ok(()),
        Err(NewFileError::Io { path, error }) => Err(CaseError::Io { path, error }),
    }
}

/// Makes the image of a case, whose journal is locked and claims nothing.
pub(super) fn image(folder: &Path, file: &CaseFile) -> Result<Box<dyn Image>, CaseError> {
    let source = &file.source;
    let path = folder.join(file.image_name());
    Ok(image::create(&path, file.image, source.bytes, source.logical(), source.physical())?)
}

impl CaseFile {
    /// What the case's journal begins with.
    pub(super) fn journal_header(&self) -> Result<JournalHeader, CaseError> {
        let (case_id, drive_bytes) = (self.id_bytes()?, self.source.bytes);
        Ok(JournalHeader { case_id, drive_bytes, sector: self.source.logical() })
    }
}
