//! Writing a case's content as an image file, reading it back and comparing.

use super::compare::{forget_cached, read_image};
use super::{Following, HandOverError, write_checksum};
use crate::base::extent::ExtentSet;
use crate::base::new_file::check_new;
use crate::base::units::SectorSize;
use crate::case::Case;
use crate::results::verify::{CopyComparison, compare_copy, sha256};
use crate::source::SourceLost;
use crate::store::image::{self, ImageError, ImageForm};
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// An image that was written and compared.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct WrittenImage {
    /// Its path.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Its form.
    pub form: ImageForm,
    /// The logical sector that it must be opened with, in bytes.
    pub logical_sector: u64,
    /// The checksum of the file.
    pub file_sha256: String,
    /// How it compares with the case, with the checksum of the content as a drive.
    #[serde(flatten)]
    pub comparison: CopyComparison,
}

/// Writes the case's content as a new image at `path`, and the list with its checksum at `checksums`. The image takes its name when it is
/// complete and durable.
///
/// # Errors
/// [`HandOverError`].
pub fn write_image(
    case: &Case,
    form: ImageForm,
    path: &Path,
    checksums: &Path,
    following: &mut Following<'_>,
) -> Result<WrittenImage, HandOverError> {
    check_new(path)?;
    check_new(checksums)?;
    let source = &case.file().source;
    let sector = |bytes| SectorSize::new(bytes).unwrap_or(SectorSize::S512);
    let (logical, physical) = (sector(source.logical_sector), sector(source.physical_sector));
    let content = case.content();
    let needed = case.content_bytes();
    let mut no_room = None;
    let written = image::create_with(path, form, source.bytes, logical, physical, |image| {
        if let Some(room) = image.room().filter(|room| *room < needed) {
            no_room = Some(room);
            return Err(io::Error::from(io::ErrorKind::StorageFull).into());
        }
        content.write_into(image, &mut |bytes| {
            (following.progress)(bytes);
            // Not `Interrupted`, after which the kernel's calls are made again.
            if following.stop.load(Ordering::Relaxed) { Err(io::ErrorKind::Other.into()) } else { Ok(()) }
        })?;
        Ok(())
    });
    match written {
        Ok(image) => drop(image),
        Err(ImageError::Io(_)) if following.stop.load(Ordering::Relaxed) => return Err(stopped(path)),
        Err(ImageError::Io(_)) if no_room.is_some() => {
            return Err(HandOverError::NoRoom { path: path.to_path_buf(), needed, room: no_room.unwrap_or(0) });
        }
        Err(error) => return Err(error.into()),
    }
    forget_cached(path);
    let image = image::open_read_only(path, form)?;
    let mut read = read_image(image.as_ref());
    let compared =
        compare_copy(&content, source.bytes, &mut read, &ExtentSet::new(), following.stop, following.progress);
    let not_compared = |error| match error {
        SourceLost::Stopped => {
            HandOverError::Stopped { path: path.to_path_buf(), left: "is there and was not compared" }
        }
        other => other.into(),
    };
    let comparison = compared.map_err(not_compared)?;
    if let Some(first) = comparison.differing.first() {
        let (bytes, first) = (comparison.differing_bytes, first.start.0);
        return Err(HandOverError::FileDiffers { path: path.to_path_buf(), bytes, first });
    }
    let file_sha256 = match form {
        ImageForm::Raw => comparison.whole.sha256.clone(),
        ImageForm::Vhdx => {
            let file = image::open_read_only(path, ImageForm::Raw)?;
            sha256(file.as_ref(), file.bytes(), following.stop, &mut |_| {}).map_err(not_compared)?.sha256
        }
    };
    write_checksum(checksums, &file_sha256, path.file_name().unwrap_or_default())?;
    Ok(WrittenImage { path: path.to_path_buf(), form, logical_sector: source.logical_sector, file_sha256, comparison })
}

fn stopped(path: &Path) -> HandOverError {
    HandOverError::Stopped { path: path.to_path_buf(), left: "was not made" }
}
