//! Which files a case's folder has, and which of them the source must not be. Whether what is to be written lies on the source:
//! `source::host`, which `copy::session` asks.

use super::{CaseError, CaseFile, is_case};
use crate::base::new_file::{PART_PREFIX, PART_SUFFIX};
use crate::source::SourceIdentity;
use crate::store::image::ImageForm;
use std::fs::{self, Metadata};
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

/// What a file is for the kernel, whatever the names and links that lead to it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum FileId {
    Inode { device: u64, inode: u64 },
    Device(u64),
}

impl FileId {
    fn of(about: &Metadata) -> FileId {
        if about.file_type().is_block_device() {
            FileId::Device(about.rdev())
        } else {
            FileId::Inode { device: about.dev(), inode: about.ino() }
        }
    }
}

/// Refuses a source that is one of the files in the folder, by whatever link: a case must not be copied into itself, and
/// its image must not be the client's.
///
/// # Errors
/// [`CaseError::SourceInCase`]; [`CaseError::Io`] when the folder cannot be listed.
pub fn refuse_source_in_case(folder: &Path, identity: &SourceIdentity) -> Result<(), CaseError> {
    // A folder without a case must be empty anyway.
    if !is_case(folder) {
        return Ok(());
    }
    let source = ids_of(&identity.path);
    for entry in fs::read_dir(folder).map_err(|error| CaseError::io(folder, error))? {
        let path = entry.map_err(|error| CaseError::io(folder, error))?.path();
        if fs::metadata(&path).is_ok_and(|about| source.contains(&FileId::of(&about))) {
            return Err(CaseError::SourceInCase { source_path: identity.path.clone(), file: path });
        }
    }
    Ok(())
}

/// A file or device, and the file that a loop device is made of.
fn ids_of(path: &Path) -> Vec<FileId> {
    let Ok(about) = fs::metadata(path) else { return Vec::new() };
    let id = FileId::of(&about);
    let mut ids = vec![id];
    if let FileId::Device(number) = id {
        let (major, minor) = (rustix::fs::major(number), rustix::fs::minor(number));
        let backing = ["loop/backing_file", "../loop/backing_file"]
            .into_iter()
            .find_map(|name| fs::read_to_string(format!("/sys/dev/block/{major}:{minor}/{name}")).ok());
        ids.extend(
            backing.and_then(|path| fs::metadata(path.trim_end_matches('\n')).ok()).map(|about| FileId::of(&about)),
        );
    }
    ids
}

/// Files in a case's folder that are no part of the case: provisional files of runs that were killed, and images in a form
/// that the case no longer has. They are never removed here.
///
/// # Errors
/// [`CaseError::Io`] when the folder cannot be listed.
pub fn leftovers(folder: &Path, file: &CaseFile) -> Result<Vec<PathBuf>, CaseError> {
    let mut found = Vec::new();
    if !is_case(folder) {
        return Ok(found);
    }
    for entry in fs::read_dir(folder).map_err(|error| CaseError::io(folder, error))? {
        let entry = entry.map_err(|error| CaseError::io(folder, error))?;
        let name = entry.file_name();
        let Some(name) = name.to_str() else { continue };
        let is_part = name.starts_with(PART_PREFIX) && name.ends_with(PART_SUFFIX);
        let is_image = ImageForm::ALL.iter().any(|form| form.is_name_of_one(name));
        if is_part || (is_image && name != file.image_name()) {
            found.push(entry.path());
        }
    }
    found.sort();
    Ok(found)
}
