//! Writing a case's content to a drive: everything but tables and boot sectors first, read back and compared, and these last.

use super::target::Target;
use super::{Following, HandOverError, last_written, write_checksum};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::new_file::check_new;
use crate::base::units::ByteOffset;
use crate::case::{Case, ContentPart};
use crate::results::verify::{CopyComparison, compare_copy};
use crate::source::{AlignedBuffer, SourceLost, bytes_of};
use crate::store::image::Image;
use crate::survey::allocation::DriveMap;
use serde::Serialize;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// The drive that the content goes to, and what the technician says of it.
#[derive(Clone, Copy, Debug)]
pub struct OntoDrive<'o> {
    /// Its path.
    pub path: &'o Path,
    /// Its serial number, as typed.
    pub serial: &'o str,
    /// Whether what it holds may be lost.
    pub overwrite: bool,
    /// Where the list with the checksum goes: a new file.
    pub checksums: &'o Path,
}

/// A drive that was written, read back and compared.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct WrittenDrive {
    /// Its path.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Its size in bytes.
    pub drive_bytes: u64,
    /// How it compares with the case, with the checksum of as many bytes as the case's drive has.
    #[serde(flatten)]
    pub comparison: CopyComparison,
}

/// Writes the case's content to a drive, reads it back and compares. A drive on which this ends early has no tables and boot sectors.
///
/// # Errors
/// [`HandOverError`]. [`HandOverError::Refused`] before anything is written.
pub fn write_onto(
    case: &Case,
    structure: &DriveMap,
    onto: OntoDrive<'_>,
    following: &mut Following<'_>,
) -> Result<WrittenDrive, HandOverError> {
    check_new(onto.checksums)?;
    let target = Target::open(onto.path, onto.serial, onto.overwrite, case, structure)?;
    let last = last_written(structure);
    let content = case.content();
    // What stood there before must not be taken for a copy either.
    erase_all(&target, &last, &target.former_tables)?;
    let writing = Writing { target: &target, last: &last };
    content.for_each_part(|error| SourceLost::Store(error).into(), |at, piece| writing.piece(at, piece, following))?;
    target.sync()?;
    let mut read = |place: Extent, buffer: &mut [u8]| target.read(place, buffer);
    let compared = compare_copy(&content, content.bytes(), &mut read, &last, following.stop, following.progress);
    let comparison = compared.map_err(|error| stopped(error, &target))?;
    refuse_difference(&target, comparison.differing_bytes, comparison.differing.first())?;
    // On an error here some may stand there: they go again, as far as the drive lets them.
    writing.tables(&content).inspect_err(|_| {
        let _ = erase_all(&target, &last, &ExtentSet::new());
    })?;
    write_checksum(onto.checksums, &comparison.whole.sha256, OsStr::new("-"))?;
    Ok(WrittenDrive { path: target.path(), drive_bytes: target.bytes(), comparison })
}

fn stopped(error: SourceLost, target: &Target) -> HandOverError {
    match error {
        SourceLost::Stopped => stopped_at(target),
        other => other.into(),
    }
}

fn stopped_at(target: &Target) -> HandOverError {
    HandOverError::Stopped {
        path: target.path(),
        left: "has no tables and boot sectors, so that nothing takes it for a copy",
    }
}

fn erase_all(target: &Target, last: &ExtentSet, former: &ExtentSet) -> Result<(), HandOverError> {
    last.extents().iter().chain(former.extents()).try_for_each(|place| target.erase(*place))?;
    target.sync()
}

fn refuse_difference(target: &Target, bytes: u64, first: Option<&Extent>) -> Result<(), HandOverError> {
    match first {
        Some(first) => Err(HandOverError::Differs { path: target.path(), bytes, first: first.start.0 }),
        None => Ok(()),
    }
}

struct Writing<'w> {
    target: &'w Target,
    /// Written last.
    last: &'w ExtentSet,
}

impl Writing<'_> {
    fn piece(
        &self,
        at: ByteOffset,
        piece: ContentPart<'_>,
        following: &mut Following<'_>,
    ) -> Result<(), HandOverError> {
        if following.stop.load(Ordering::Relaxed) {
            return Err(stopped_at(self.target));
        }
        let count = match piece {
            ContentPart::Zeros(count) => {
                self.target.erase(Extent::between(at.0, at.0 + count))?;
                count
            }
            ContentPart::Bytes(bytes) => {
                let place = Extent::between(at.0, at.0 + bytes.len() as u64);
                let blanks = self.last.intersection(place);
                if blanks.is_empty() {
                    self.target.write(at, bytes)?;
                } else {
                    let mut without = AlignedBuffer::new(bytes.len());
                    without.bytes_mut().copy_from_slice(bytes);
                    blanks.into_iter().for_each(|blank| without.bytes_mut()[bytes_of(blank, place)].fill(0));
                    self.target.write(at, without.bytes())?;
                }
                place.bytes
            }
        };
        (following.progress)(count);
        Ok(())
    }

    /// Writes tables and boot sectors, from the end on so that the first sector is the very last, and reads them back.
    fn tables(&self, content: &dyn Image) -> Result<(), HandOverError> {
        const AT_ONCE: u64 = 1 << 20;
        let read_content = |place: Extent| -> Result<AlignedBuffer, HandOverError> {
            let mut buffer = AlignedBuffer::new(usize::try_from(place.bytes).expect("at most 1 MiB"));
            content.read_at(place.start, buffer.bytes_mut()).map_err(SourceLost::Store)?;
            Ok(buffer)
        };
        let places: Vec<Extent> = self.last.extents().iter().flat_map(|place| place.pieces(AT_ONCE)).collect();
        for place in places.iter().rev() {
            self.target.write(place.start, read_content(*place)?.bytes())?;
        }
        self.target.sync()?;
        for place in places {
            let mut there = vec![0; usize::try_from(place.bytes).expect("at most 1 MiB")];
            let same = self.target.read(place, &mut there).is_ok() && there == read_content(place)?.bytes();
            refuse_difference(self.target, place.bytes, (!same).then_some(&place))?;
        }
        Ok(())
    }
}
