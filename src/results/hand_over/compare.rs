//! Whether a file or a drive that was handed over holds what the case holds.

use super::{Following, HandOverError};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::regular_file;
use crate::case::{Case, refuse_source_in_case};
use crate::results::verify::{CopyComparison, compare_copy};
use crate::source::{self, AlignedBuffer, Source, SourceKind};
use crate::store::image::{self, Image, ImageForm};
use serde::Serialize;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// A second copy that was compared with the case.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct CopyCheck {
    /// Its path.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Its form; `None` for a drive.
    pub form: Option<ImageForm>,
    /// How many bytes of a drive it holds.
    pub copy_bytes: u64,
    /// Whether that fits: as many as the case's drive has, on a drive at least as many.
    pub size_fits: bool,
    /// How it compares, with the checksum of the case's content as a drive.
    #[serde(flatten)]
    pub comparison: CopyComparison,
}

impl CopyCheck {
    /// Whether it is a copy of the case.
    pub fn is_same(&self) -> bool {
        self.size_fits && self.comparison.is_same()
    }
}

/// Compares the image file or drive at `path` with the case; it is only read. A drive is read past the page cache.
///
/// # Errors
/// [`HandOverError`]. What differs is no error.
pub fn check_copy(case: &Case, path: &Path, following: &mut Following<'_>) -> Result<CopyCheck, HandOverError> {
    let source = source::open(path, None)?;
    refuse_source_in_case(case.folder(), source.identity())?;
    let drive_bytes = case.file().source.bytes;
    let mut compare = |read: &mut crate::results::verify::ReadPlace<'_>| {
        compare_copy(&case.content(), drive_bytes, read, &ExtentSet::new(), following.stop, following.progress)
    };
    if source.identity().kind == SourceKind::BlockDevice {
        let copy_bytes = source.identity().bytes;
        let comparison = compare(&mut |place, buffer| read_place(source.as_ref(), place, buffer))?;
        let size_fits = copy_bytes >= drive_bytes;
        return Ok(CopyCheck { path: path.to_path_buf(), form: None, copy_bytes, size_fits, comparison });
    }
    drop(source);
    let form = form_of(path)?;
    forget_cached(path);
    let image = image::open_read_only(path, form)?;
    let copy_bytes = image.bytes();
    let expected = match form {
        ImageForm::Raw => drive_bytes,
        // Whole sectors.
        ImageForm::Vhdx => drive_bytes.next_multiple_of(case.file().source.logical_sector),
    };
    let comparison = compare(&mut read_image(image.as_ref()))?;
    Ok(CopyCheck {
        path: path.to_path_buf(),
        form: Some(form),
        copy_bytes,
        size_fits: copy_bytes == expected,
        comparison,
    })
}

/// The form of an image file. A VHDX begins with its signature (\[MS-VHDX\] 2.2.1), which no drive does.
fn form_of(path: &Path) -> Result<ImageForm, HandOverError> {
    let open = |error| image::ImageError::Open { path: path.to_path_buf(), error };
    let mut start = [0; 8];
    let file = regular_file::open(path).map_err(open)?;
    let is_vhdx = file.read_exact_at(&mut start, 0).is_ok() && start == *b"vhdxfile";
    Ok(if is_vhdx { ImageForm::Vhdx } else { ImageForm::Raw })
}

/// Reads an image; what lies beyond its end cannot be read.
pub(super) fn read_image(image: &dyn Image) -> impl FnMut(Extent, &mut [u8]) -> io::Result<()> + Send {
    |place, buffer| image.read_at(place.start, buffer)
}

/// Reads any range of a drive, by whole sectors into memory that direct I/O accepts.
pub(super) fn read_place(drive: &dyn Source, place: Extent, buffer: &mut [u8]) -> io::Result<()> {
    let sectors = place.aligned_to(drive.identity().logical_sector.bytes());
    let mut aligned = AlignedBuffer::new(usize::try_from(sectors.bytes).map_err(io::Error::other)?);
    drive.read_at(sectors.start, aligned.bytes_mut()).map_err(io::Error::other)?;
    let lead = usize::try_from(place.start.0 - sectors.start.0).expect("less than a sector");
    buffer.copy_from_slice(&aligned.bytes()[lead..lead + buffer.len()]);
    Ok(())
}

/// Lets the kernel forget what it has of a file in memory, so that it is read from where it lies.
pub(super) fn forget_cached(path: &Path) {
    if let Ok(file) = regular_file::open(path) {
        // What it does not forget was synced all the same.
        let _ = rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed);
    }
}
