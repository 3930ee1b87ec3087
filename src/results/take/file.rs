//! Writing one file's content, with what is missing told apart.

use super::taken::{MissingRange, TakenState};
use crate::filesystem::{Node, Stream};
use crate::results::content::{Absence, Contents, Piece};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes of fill written, or of zeros summed, at once.
const FILL_BYTES: usize = 1 << 16;

/// A file being written, in order.
pub(super) struct Writing<'f> {
    file: &'f File,
    at: u64,
    fill: u8,
    missing: Vec<MissingRange>,
    sum: Option<Sha256>,
    stop: &'f AtomicBool,
    progress: &'f mut dyn FnMut(u64),
}

/// What was written.
pub(super) struct Written {
    /// What is missing, ascending.
    pub missing: Vec<MissingRange>,
    /// The checksum of all of it.
    pub sha256: Option<String>,
}

impl<'f> Writing<'f> {
    /// Begins with `file`, which is empty. What was unreadable becomes `fill`, other missing bytes holes; `is_summed` says whether the
    /// checksum is wanted.
    pub(super) fn new(
        file: &'f File,
        fill: u8,
        is_summed: bool,
        stop: &'f AtomicBool,
        progress: &'f mut dyn FnMut(u64),
    ) -> Writing<'f> {
        let sum = is_summed.then(Sha256::new);
        Writing { file, at: 0, fill, missing: Vec::new(), sum, stop, progress }
    }

    /// Writes all of a stream: bytes where there are bytes, holes where there are holes; `Interrupted` once `stop` is set. The file
    /// always gets the stream's size.
    pub(super) fn write(
        mut self,
        contents: &mut Contents<'_>,
        node: &Node<'_>,
        stream: &Stream<'_>,
    ) -> io::Result<Written> {
        contents.read(node, stream, &mut |piece| self.take(piece))?;
        debug_assert_eq!(self.at, stream.size());
        self.file.set_len(stream.size())?;
        let sha256 = self.sum.map(|sum| hex::encode(sum.finalize()));
        Ok(Written { missing: self.missing, sha256 })
    }

    fn take(&mut self, piece: Piece<'_>) -> io::Result<()> {
        self.check_stop()?;
        match piece {
            Piece::Bytes(bytes) => {
                self.file.write_all_at(bytes, self.at)?;
                self.sum.iter_mut().for_each(|sum| sum.update(bytes));
            }
            Piece::Zeros(count) => self.fill(count, 0)?,
            Piece::Missing(count, why) => {
                self.fill(count, if why == Absence::Unreadable { self.fill } else { 0 })?;
                self.note(count, why);
            }
        }
        self.at = self.at.saturating_add(piece.bytes());
        (self.progress)(piece.bytes());
        Ok(())
    }

    /// So many bytes of one value; zeros stay a hole.
    fn fill(&mut self, count: u64, byte: u8) -> io::Result<()> {
        if byte == 0 && self.sum.is_none() {
            return Ok(());
        }
        let block = [byte; FILL_BYTES];
        let mut done = 0;
        while done < count {
            self.check_stop()?;
            let part = usize::try_from(count - done).map_or(FILL_BYTES, |left| left.min(FILL_BYTES));
            if byte != 0 {
                self.file.write_all_at(&block[..part], self.at + done)?;
            }
            self.sum.iter_mut().for_each(|sum| sum.update(&block[..part]));
            done += part as u64;
        }
        Ok(())
    }

    fn check_stop(&self) -> io::Result<()> {
        if self.stop.load(Ordering::Relaxed) { Err(io::ErrorKind::Interrupted.into()) } else { Ok(()) }
    }

    fn note(&mut self, bytes: u64, why: Absence) {
        match self.missing.last_mut() {
            Some(last) if last.why == why && last.start + last.bytes == self.at => last.bytes += bytes,
            _ => self.missing.push(MissingRange { start: self.at, bytes, why }),
        }
    }
}

/// What missing bytes make of a file.
pub(super) fn state(missing: &[MissingRange]) -> TakenState {
    match missing.iter().map(|range| range.why).max() {
        None => TakenState::Complete,
        Some(Absence::NotRead) => TakenState::NotYetRead,
        Some(Absence::Unreadable | Absence::NoPlace | Absence::Damaged) => TakenState::Damaged,
    }
}
