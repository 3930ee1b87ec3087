//! What may be read while another process works on a case: nothing here takes the lock or writes.

use super::{CASE_NAME, CaseError, CaseFile};
use std::path::{Path, PathBuf};

/// A case as it can be looked at from outside, while another process holds it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CaseView {
    folder: PathBuf,
}

impl CaseView {
    /// The case in `folder`.
    ///
    /// # Errors
    /// As [`CaseView::file`].
    pub fn new(folder: &Path) -> Result<CaseView, CaseError> {
        let look = CaseView { folder: folder.to_path_buf() };
        look.file()?;
        Ok(look)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// What the case's file says now. It is replaced as a whole, so it is never seen half written.
    ///
    /// # Errors
    /// [`CaseError::Missing`] when there is none; [`CaseError::BadFile`] when it is damaged.
    pub fn file(&self) -> Result<CaseFile, CaseError> {
        CaseFile::read(&self.folder.join(CASE_NAME))
    }
}
