//! The page and its lists as files.

use super::{Document, page};
use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::base::new_file::{NewFileError, Readers, check_new, write_new};
use crate::report::values::audit_csv;
use crate::results::audit::Truth;
use crate::survey::allocation::DriveMap;
use serde::Serialize;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Why a report was not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PublishError {
    /// A file.
    #[error(transparent)]
    File(#[from] NewFileError),
    /// Writing.
    #[error("the report: {0}")]
    Io(#[from] io::Error),
}

/// What was written.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Published {
    /// The page.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub page: PathBuf,
    /// Its bytes.
    pub page_bytes: u64,
    /// Every file with its state.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub files: PathBuf,
    /// Every range that is not copied although it was planned.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub ranges: PathBuf,
}

/// The names of the lists beside a page.
fn lists(page: &Path) -> [PathBuf; 2] {
    let stem = page.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    ["files", "ranges"].map(|list| page.with_file_name(format!("{stem}-{list}.csv")))
}

/// Refuses a page whose name, or that of a list beside it, is taken.
///
/// # Errors
/// [`NewFileError::Exists`].
pub fn check_free(page: &Path) -> Result<(), NewFileError> {
    lists(page).iter().try_for_each(|list| check_new(list))?;
    check_new(page)
}

/// Writes the page and the lists beside it, the page last: where there is a page, its lists are there.
///
/// # Errors
/// [`PublishError`]; nothing is overwritten.
pub fn publish(
    document: &mut Document,
    drive: &DriveMap,
    truth: &Truth<'_>,
    path: &Path,
) -> Result<Published, PublishError> {
    check_free(path)?;
    let [files, ranges] = lists(path);
    write_new(&files, Readers::AsUsual, |out| audit_csv(drive, truth, out).map_err(PublishError::from))?;
    write_new(&ranges, Readers::AsUsual, |out| ranges_csv(document, out).map_err(PublishError::from))?;
    document.lists = [&files, &ranges].map(|list| list.file_name().unwrap_or_default().to_string_lossy().into_owned());
    let text = page(document);
    write_new(path, Readers::AsUsual, |out| out.write_all(text.as_bytes()).map_err(PublishError::from))?;
    Ok(Published { page: path.to_path_buf(), page_bytes: text.len() as u64, files, ranges })
}

/// `start_byte,length_bytes,start_lba,state`, ascending within each state.
fn ranges_csv(document: &Document, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "start_byte,length_bytes,start_lba,state")?;
    let sector = document.case.source.logical_sector.max(1);
    let mut write = |list: &[Extent], state: &str| {
        list.iter().try_for_each(|e| writeln!(out, "{},{},{},{state}", e.start.0, e.bytes, e.start.0 / sector))
    };
    write(&document.ranges.unreadable, "unreadable")?;
    write(&document.ranges.skipped, "skipped")?;
    write(&document.ranges.waiting, "not read yet")
}

impl Ends for PublishError {
    fn ending(&self) -> Ending {
        Ending::Destination
    }
}
