//! Where copied bytes go: an image of the drive in which only what was copied takes room, raw with holes
//! or VHDX with absent blocks.
//!
//! `docs/formats/image.md` describes both forms. The journal, not the image, says which bytes were copied: whatever was
//! never written reads as zero here, and so do zeros that were copied.

mod error;
mod raw;
mod vhdx;
mod zeros;

pub use error::{ImageError, VhdxFault};
pub use raw::Raw;
pub use vhdx::{Vhdx, VhdxGeometry};

use crate::base::new_file::{NewFile, Readers};
use crate::base::regular_file;
use crate::base::units::{ByteOffset, SectorSize};
use crate::store::durable_file::{DiskFile, DurableFile};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::fs::OpenOptions;
use std::io;
use std::path::Path;

/// A drive's bytes, kept in a file that takes room only for what was written.
pub trait Image: Send + Sync {
    /// How many bytes of the drive it has place for. In a VHDX this is a multiple of the logical sector, so it may be
    /// somewhat more than was requested.
    fn bytes(&self) -> u64;

    /// Writes bytes of the drive. They are safe only after the next [`Image::sync`].
    ///
    /// # Errors
    /// What the kernel says; [`io::ErrorKind::InvalidInput`] beyond the end. Part may have been written; the same bytes can
    /// be written again.
    fn write_at(&self, at: ByteOffset, bytes: &[u8]) -> io::Result<()>;

    /// Fills `buffer` with bytes of the drive; what was never written reads as zero.
    ///
    /// # Errors
    /// What the kernel says; [`io::ErrorKind::InvalidInput`] beyond the end; [`io::ErrorKind::InvalidData`] where the
    /// image's own tables are damaged.
    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()>;

    /// How many bytes of the drive from `at` on were never written, or zero, and take no room; 0 where something is stored, or where
    /// that is not known.
    fn hole(&self, _at: ByteOffset) -> u64 {
        0
    }

    /// Makes everything written before the call durable, and whatever is needed to find it again.
    ///
    /// # Errors
    /// What the kernel says. Everything written since the last success must then be written again before a later success
    /// counts for it.
    fn sync(&self) -> io::Result<()>;

    /// Bytes that the destination still has room for, where it tells.
    fn room(&self) -> Option<u64>;

    /// Whether the image is still the file at its path, and not shorter than it was.
    ///
    /// # Errors
    /// When it was removed, replaced or cut.
    fn check_intact(&self) -> io::Result<()>;
}

/// What kind of file an image is.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum ImageForm {
    /// A sparse file with the drive's bytes.
    #[default]
    Raw,
    /// A dynamic virtual hard disk (MS-VHDX), which opens by double-click on Windows.
    Vhdx,
}

impl ImageForm {
    /// Every form there is.
    pub const ALL: [ImageForm; 2] = [ImageForm::Raw, ImageForm::Vhdx];

    /// The name that an image of this form usually has in a case's folder.
    pub fn file_name(self) -> &'static str {
        match self {
            ImageForm::Raw => "image.raw",
            ImageForm::Vhdx => "image.vhdx",
        }
    }

    /// The name of one more image of this form: `image-2.raw` and so on.
    pub fn numbered_name(self, number: u32) -> String {
        self.file_name().replacen("image", &format!("image-{number}"), 1)
    }

    /// Whether an image of this form can have a name in a case's folder.
    pub fn is_name_of_one(self, name: &str) -> bool {
        let number = name.strip_prefix("image-").and_then(|rest| rest.split('.').next()?.parse().ok());
        name == self.file_name() || number.is_some_and(|number| name == self.numbered_name(number))
    }
}

impl fmt::Display for ImageForm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            ImageForm::Raw => "raw",
            ImageForm::Vhdx => "vhdx",
        })
    }
}

/// Creates an image without content for a drive of `bytes` bytes: whole and durable or not at all, never over an
/// existing file. `physical` is what the drive says of its physical sectors; a raw image keeps neither size.
///
/// # Errors
/// [`ImageError`].
pub fn create(
    path: &Path,
    form: ImageForm,
    bytes: u64,
    logical: SectorSize,
    physical: SectorSize,
) -> Result<Box<dyn Image>, ImageError> {
    create_with(path, form, bytes, logical, physical, |_| Ok(()))
}

/// As [`create`], with what `fill` writes into it: the image appears at `path` only when that is complete and durable.
///
/// # Errors
/// [`ImageError`], and what `fill` returns.
pub fn create_with(
    path: &Path,
    form: ImageForm,
    bytes: u64,
    logical: SectorSize,
    physical: SectorSize,
    fill: impl FnOnce(&dyn Image) -> Result<(), ImageError>,
) -> Result<Box<dyn Image>, ImageError> {
    let new = NewFile::begin(path, Readers::OwnerOnly)?;
    let image = create_in(Box::new(DiskFile::new(new.file().try_clone()?)), form, bytes, logical, physical)?;
    fill(image.as_ref())?;
    image.sync()?;
    drop(image);
    open_in(Box::new(DiskFile::at(new.publish()?, path)), form)
}

/// Opens an image to go on writing.
///
/// # Errors
/// [`ImageError`].
pub fn open(path: &Path, form: ImageForm) -> Result<Box<dyn Image>, ImageError> {
    let file = regular_file::open_with(OpenOptions::new().read(true).write(true), path);
    let file = file.map_err(|error| ImageError::Open { path: path.to_path_buf(), error })?;
    open_in(Box::new(DiskFile::at(file, path)), form)
}

/// Opens an image only to read it; every write fails.
///
/// # Errors
/// [`ImageError`].
pub fn open_read_only(path: &Path, form: ImageForm) -> Result<Box<dyn Image>, ImageError> {
    let file = regular_file::open(path).map_err(|error| ImageError::Open { path: path.to_path_buf(), error })?;
    let storage = Box::new(DiskFile::new(file));
    Ok(match form {
        ImageForm::Raw => Box::new(Raw::open(storage)?),
        ImageForm::Vhdx => Box::new(Vhdx::open_read_only(storage)?),
    })
}

/// As [`create`], in storage that is empty.
///
/// # Errors
/// [`ImageError`].
pub fn create_in(
    storage: Box<dyn DurableFile>,
    form: ImageForm,
    bytes: u64,
    logical: SectorSize,
    physical: SectorSize,
) -> Result<Box<dyn Image>, ImageError> {
    lay_out(storage.as_ref(), form, bytes, logical, physical)?;
    storage.sync()?;
    open_in(storage, form)
}

/// As [`open`], in any storage.
///
/// # Errors
/// [`ImageError`].
pub fn open_in(storage: Box<dyn DurableFile>, form: ImageForm) -> Result<Box<dyn Image>, ImageError> {
    Ok(match form {
        ImageForm::Raw => Box::new(Raw::open(storage)?),
        ImageForm::Vhdx => Box::new(Vhdx::open(storage)?),
    })
}

fn lay_out(
    storage: &dyn DurableFile,
    form: ImageForm,
    bytes: u64,
    logical: SectorSize,
    physical: SectorSize,
) -> Result<(), ImageError> {
    if bytes == 0 {
        return Err(ImageError::Empty);
    }
    match form {
        ImageForm::Raw => raw::lay_out(storage, bytes),
        ImageForm::Vhdx => vhdx::lay_out(storage, &VhdxGeometry::new(bytes, logical, physical)?),
    }
}

/// Checks that `length` bytes from `at` lie within an image of `bytes` bytes.
fn check_within(at: ByteOffset, length: usize, bytes: u64) -> io::Result<()> {
    match at.checked_add(length as u64) {
        Some(end) if end.0 <= bytes => Ok(()),
        _ => Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            format!("{length} bytes from {at}, but the image ends at byte {bytes}"),
        )),
    }
}
