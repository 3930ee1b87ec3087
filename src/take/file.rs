//! Writing one file's content, with what is missing told apart.

use super::taken::{MissingRange, TakenState};
use crate::content::{Absence, Contents, Piece};
use crate::fs::{Node, Stream};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes of fill written at once.
const FILL_BYTES: usize = 1 << 16;

/// A file being written, in order.
struct Writing<'f> {
    file: &'f File,
    at: u64,
    fill: u8,
    missing: Vec<MissingRange>,
    stop: &'f AtomicBool,
    progress: &'f mut dyn FnMut(u64),
}

/// Writes all of a stream into `file`: bytes where there are bytes, holes where there are holes, and what is missing as
/// holes or, where it was unreadable, as `fill`; `Interrupted` once `stop` is set. The file always gets the stream's size.
pub(super) fn write(
    contents: &mut Contents<'_>,
    node: &Node<'_>,
    stream: &Stream<'_>,
    file: &File,
    fill: u8,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(u64),
) -> io::Result<Vec<MissingRange>> {
    let mut writing = Writing { file, at: 0, fill, missing: Vec::new(), stop, progress };
    contents.read(node, stream, &mut |piece| writing.take(piece))?;
    debug_assert_eq!(writing.at, stream.size());
    file.set_len(stream.size())?;
    Ok(writing.missing)
}

impl Writing<'_> {
    fn take(&mut self, piece: Piece<'_>) -> io::Result<()> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        match piece {
            Piece::Bytes(bytes) => self.file.write_all_at(bytes, self.at)?,
            Piece::Zeros(_) => {}
            Piece::Missing(count, why) => {
                if why == Absence::Unreadable && self.fill != 0 {
                    self.fill(count)?;
                }
                self.note(count, why);
            }
        }
        self.at = self.at.saturating_add(piece.bytes());
        (self.progress)(piece.bytes());
        Ok(())
    }

    fn fill(&self, count: u64) -> io::Result<()> {
        let block = [self.fill; FILL_BYTES];
        let mut done = 0;
        while done < count {
            let part = usize::try_from(count - done).map_or(FILL_BYTES, |left| left.min(FILL_BYTES));
            self.file.write_all_at(&block[..part], self.at + done)?;
            done += part as u64;
        }
        Ok(())
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
        None => TakenState::Whole,
        Some(Absence::NotRead) => TakenState::NotYetRead,
        Some(Absence::Unreadable | Absence::NoPlace | Absence::Damaged) => TakenState::Damaged,
    }
}
