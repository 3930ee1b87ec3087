//! Choosing the form of a case's image after a survey has made the case, and before its copy begins.

use super::{Access, CASE_NAME, Case, CaseError, HISTORY_NAME};
use crate::source::CopyStore;
use crate::store::image::{self, Image, ImageForm};
use std::path::PathBuf;

impl Case {
    /// Changes the image's form, as long as no copy has begun: what is held is written to a new image, which the case then uses. The
    /// old image stays where it is, for the technician to remove.
    ///
    /// # Errors
    /// [`CaseError::FormIsSettled`], [`CaseError::NoRoomForForm`]; [`CaseError`]. The case then stays as it was.
    pub fn change_form(self, form: ImageForm) -> Result<Case, CaseError> {
        if form == self.file.image {
            return Ok(self);
        }
        if self.folder.join(HISTORY_NAME).exists() {
            return Err(CaseError::FormIsSettled { folder: self.folder.clone(), is: self.file.image, wanted: form });
        }
        let (name, path) = self.free_image_name(form);
        let needed = self.content_bytes();
        if let Some(room) = self.store.room().filter(|room| *room < needed) {
            return Err(CaseError::NoRoomForForm { needed, room });
        }
        self.store.commit().map_err(|error| CaseError::io(&self.image_path(), error))?;
        let source = &self.file.source;
        let moved = |image: &dyn Image| Ok(self.content().write_into(image, &mut |_| Ok(()))?);
        drop(image::create_with(&path, form, source.bytes, source.logical(), source.physical(), moved)?);
        let (folder, mut file) = (self.folder.clone(), self.file.clone());
        file.image = form;
        file.image_file = Some(name).filter(|name| name != form.file_name());
        // Still under the lock, which the journal holds.
        file.write(&folder.join(CASE_NAME))?;
        drop(self);
        Case::open(&folder, Access::Work)
    }

    /// Bytes that an image of all that is held takes at least: unreadable ranges count where they have a fill.
    pub fn content_bytes(&self) -> u64 {
        let [held, _, unreadable] = self.store.totals();
        if self.file.fill == 0 { held } else { held.saturating_add(unreadable) }
    }

    /// A name in the folder that nothing has; what an interrupted change left stays where it is.
    fn free_image_name(&self, form: ImageForm) -> (String, PathBuf) {
        let names = std::iter::once(form.file_name().to_owned()).chain((2..).map(|number| form.numbered_name(number)));
        let mut named = names.map(|name| (self.folder.join(&name), name));
        let free = named.find(|(path, _)| path.symlink_metadata().is_err());
        let (path, name) = free.expect("there is always a next number");
        (name, path)
    }
}
