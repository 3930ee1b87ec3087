//! A second copy of a case's content, in a file or on a drive, compared with it byte by byte.

use super::read_ahead;
use super::whole::{Summing, WholeSum};
use crate::base::extent::{Extent, ExtentSet};
use crate::source::{SourceLost, bytes_of};
use crate::store::image::Image;
use serde::Serialize;
use std::ffi::OsStr;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::sync::atomic::{AtomicBool, Ordering};

/// What is compared as one, in bytes.
const UNIT: u64 = 512;

/// How many ranges that differ are listed.
const LISTED: usize = 100;

/// Reads a range of the second copy into a buffer of the same length.
pub type ReadPlace<'r> = dyn FnMut(Extent, &mut [u8]) -> io::Result<()> + Send + 'r;

/// How a second copy compares with the first.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct CopyComparison {
    /// The checksum of the first, as a drive.
    #[serde(flatten)]
    pub whole: WholeSum,
    /// Bytes in sectors of 512 that differ, or cannot be read in the second copy.
    pub differing_bytes: u64,
    /// Of them, those that cannot be read.
    pub unreadable_bytes: u64,
    /// The first 100 ranges of them.
    pub differing: Vec<Extent>,
}

impl CopyComparison {
    /// Whether the second copy is the first.
    pub fn is_same(&self) -> bool {
        self.differing_bytes == 0
    }
}

/// Compares `bytes` bytes of `content` with a second copy, whose bytes `copy` reads. In the ranges `blank` the second copy must have zeros.
///
/// # Errors
/// [`SourceLost::Store`] when `content` cannot be read; [`SourceLost::Stopped`] soon after `stop` is set. What cannot be read of the
/// second copy is no error.
pub fn compare_copy(
    content: &dyn Image,
    bytes: u64,
    copy: &mut ReadPlace<'_>,
    blank: &ExtentSet,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(u64),
) -> Result<CopyComparison, SourceLost> {
    let mut sum = Summing::default();
    let mut differences = Differences::default();
    let mut at = 0;
    let mut there = Vec::new();
    let chunks = Extent::between(0, bytes).pieces(64 << 20);
    let chunks =
        chunks.map(|extent| if stop.load(Ordering::Relaxed) { Err(SourceLost::Stopped) } else { Ok((extent, ())) });
    let take = |piece: read_ahead::Piece<'_, ()>| {
        sum.take(&piece.bytes);
        // An error comes from the hash; where the next piece lies is not known then.
        let Ok(here) = piece.bytes else { return };
        let place = Extent::between(at, at + here.len() as u64);
        at = place.end();
        there.resize(here.len(), 0);
        if copy(place, &mut there).is_err() {
            differences.unreadable(place);
            return;
        }
        let blanks = blank.intersection(place);
        if blanks.is_empty() {
            differences.compare(place, here, &there);
        } else {
            let mut expected = here.to_vec();
            blanks.into_iter().for_each(|blank| expected[bytes_of(blank, place)].fill(0));
            differences.compare(place, &expected, &there);
        }
    };
    read_ahead::stream(content, chunks, take, progress)?;
    let whole = sum.finish(bytes).map_err(SourceLost::Store)?;
    let Differences { bytes: differing_bytes, unreadable_bytes, first } = differences;
    Ok(CopyComparison { whole, differing_bytes, unreadable_bytes, differing: first })
}

#[derive(Default)]
struct Differences {
    bytes: u64,
    unreadable_bytes: u64,
    first: Vec<Extent>,
}

impl Differences {
    fn unreadable(&mut self, place: Extent) {
        self.unreadable_bytes += place.bytes;
        self.add(place);
    }

    fn compare(&mut self, place: Extent, here: &[u8], there: &[u8]) {
        if here == there {
            return;
        }
        let unit = usize::try_from(UNIT).expect("512");
        let units = here.chunks(unit).zip(there.chunks(unit)).zip(place.pieces(UNIT));
        units.filter(|((here, there), _)| here != there).for_each(|(_, differs)| self.add(differs));
    }

    fn add(&mut self, place: Extent) {
        self.bytes += place.bytes;
        let is_listed = self.first.len() < LISTED;
        match self.first.last_mut() {
            Some(last) if last.end() == place.start.0 => last.bytes += place.bytes,
            _ if is_listed => self.first.push(place),
            _ => {}
        }
    }
}

/// A line of a list that `sha256sum --check` reads. Source: sha256sum(1) and its info page, from memory: the checksum, a blank, a blank (or
/// `*`), the name; where the name holds a backslash or a line break these are escaped, and a backslash begins the line.
pub fn checksum_line(sha256: &str, name: &OsStr) -> Vec<u8> {
    let mut escaped = Vec::new();
    for byte in name.as_bytes() {
        match byte {
            b'\\' => escaped.extend(b"\\\\"),
            b'\n' => escaped.extend(b"\\n"),
            b'\r' => escaped.extend(b"\\r"),
            other => escaped.push(*other),
        }
    }
    let mark: &[u8] = if escaped.len() > name.len() { b"\\" } else { b"" };
    [mark, sha256.as_bytes(), b"  ", &escaped, b"\n"].concat()
}
