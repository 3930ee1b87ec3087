//! Changing the form of a case's image.

use super::{Access, CASE_NAME, Case, CaseError, store};
use crate::extent::Extent;
use crate::image::{self, Image, ImageForm};
use crate::source::Store;
use std::path::PathBuf;

/// Moved at once, in bytes.
const AT_ONCE: u64 = 1 << 20;

impl Case {
    /// Changes the image's form: what is held is written to a new image, which the case then uses. The old image stays where
    /// it is, for the technician to remove.
    ///
    /// # Errors
    /// [`CaseError::NoRoomForForm`]; [`CaseError`]. The case then stays as it was.
    pub fn change_form(self, form: ImageForm) -> Result<Case, CaseError> {
        if form == self.file.image {
            return Ok(self);
        }
        let (name, path) = self.free_image_name(form);
        let [held, _, unreadable] = self.store.totals();
        let needed = if self.file.fill == 0 { held } else { held.saturating_add(unreadable) };
        if let Some(room) = self.store.room().filter(|room| *room < needed) {
            return Err(CaseError::NoRoomForForm { needed, room });
        }
        self.store.commit().map_err(|error| CaseError::io(&self.image_path(), error))?;
        let source = &self.file.source;
        let moved = |image: &dyn Image| self.move_to(image).map_err(image::ImageError::from);
        drop(image::create_with(&path, form, source.bytes, source.logical(), source.physical(), moved)?);
        let (folder, mut file) = (self.folder.clone(), self.file.clone());
        file.image = form;
        file.image_file = Some(name).filter(|name| name != form.file_name());
        // Still under the lock, which the journal holds.
        file.write(&folder.join(CASE_NAME))?;
        drop(self);
        Case::open(&folder, Access::Work)
    }

    /// A name in the folder that nothing has; what an interrupted change left stays where it is.
    fn free_image_name(&self, form: ImageForm) -> (String, PathBuf) {
        let names = std::iter::once(form.file_name().to_owned()).chain((2..).map(|number| form.numbered_name(number)));
        let mut named = names.map(|name| (self.folder.join(&name), name));
        let free = named.find(|(path, _)| path.symlink_metadata().is_err());
        let (path, name) = free.expect("there is always a next number");
        (name, path)
    }

    fn move_to(&self, image: &dyn Image) -> std::io::Result<()> {
        let all = Extent::between(0, self.file.source.bytes);
        let mut buffer = vec![0; usize::try_from(AT_ONCE).expect("1 MiB")];
        for extent in self.store.held(all).into_iter().flat_map(|held| held.pieces(AT_ONCE)) {
            let part = &mut buffer[..usize::try_from(extent.bytes).expect("at most 1 MiB")];
            self.store.load(extent, part)?;
            image.write_at(extent.start, part)?;
        }
        if self.file.fill != 0 {
            self.store
                .unreadable(all)
                .into_iter()
                .try_for_each(|place| store::fill_with(image, place, self.file.fill))?;
        }
        Ok(())
    }
}
