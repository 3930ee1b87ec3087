//! What a case holds of its drive, as of the last commit when it was opened: what a running copy writes meanwhile is not in it.

use super::Case;
use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::source::{AlignedBuffer, CopyStore, bytes_of};
use crate::store::image::Image;
use std::io;

/// Most that is handed over at once, in bytes.
const PART_BYTES: u64 = 1 << 20;

/// How far is looked for what is held next, in bytes.
const WINDOW: u64 = 16 << 20;

/// Pieces begin on multiples of this, as every drive's sectors do.
const UNIT: u64 = 4096;

/// The drive's bytes, only to be read: what is not held is zero, what is unreadable has the case's fill.
pub struct CaseContent<'c> {
    case: &'c Case,
}

/// A part of a case's content.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ContentPart<'b> {
    /// Bytes that are held, or lie between such; in memory that direct I/O accepts.
    Bytes(&'b [u8]),
    /// So many zeros.
    Zeros(u64),
}

impl Case {
    /// What the case holds of its drive.
    pub fn content(&self) -> CaseContent<'_> {
        CaseContent { case: self }
    }
}

impl CaseContent<'_> {
    /// Hands all of it to `each` part by part, in order. Parts begin on multiples of 4096 bytes.
    ///
    /// # Errors
    /// What `each` gives, and what `failed` makes of an image that cannot be read.
    pub fn for_each_part<E>(
        &self,
        failed: impl Fn(io::Error) -> E,
        mut each: impl FnMut(ByteOffset, ContentPart<'_>) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut buffer = AlignedBuffer::new(usize::try_from(PART_BYTES).expect("1 MiB"));
        let end = self.bytes();
        let mut at = 0;
        while at < end {
            let hole = self.hole(ByteOffset(at));
            let zeros = if at + hole >= end { end - at } else { hole / UNIT * UNIT };
            if zeros > 0 {
                each(ByteOffset(at), ContentPart::Zeros(zeros))?;
                at += zeros;
                continue;
            }
            let place = Extent::between(at, ((at / PART_BYTES + 1) * PART_BYTES).min(end));
            let part = &mut buffer.bytes_mut()[..usize::try_from(place.bytes).expect("at most 1 MiB")];
            self.read_at(place.start, part).map_err(&failed)?;
            each(place.start, ContentPart::Bytes(part))?;
            at = place.end();
        }
        Ok(())
    }

    /// Writes it into an empty image.
    ///
    /// # Errors
    /// As [`CaseContent::for_each_part`]; `progress` is told how many bytes are done, and its error ends it.
    pub fn write_into(&self, image: &dyn Image, progress: &mut dyn FnMut(u64) -> io::Result<()>) -> io::Result<()> {
        let write = |at, part: ContentPart<'_>| match part {
            ContentPart::Bytes(bytes) => image.write_at(at, bytes).and_then(|()| progress(bytes.len() as u64)),
            ContentPart::Zeros(count) => progress(count),
        };
        self.for_each_part(|error| error, write)
    }

    /// What of `extent` is not zero by itself: what is held, and unreadable ranges where they have a fill.
    fn shown(&self, extent: Extent) -> (Vec<Extent>, Vec<Extent>) {
        let store = self.case.store();
        let filled = if self.case.file().fill == 0 { Vec::new() } else { store.unreadable(extent) };
        (store.held(extent), filled)
    }
}

impl Image for CaseContent<'_> {
    fn bytes(&self) -> u64 {
        self.case.file().source.bytes
    }

    fn write_at(&self, _at: ByteOffset, _bytes: &[u8]) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        let whole = Extent::between(at.0, at.0.saturating_add(buffer.len() as u64));
        if whole.end() > self.bytes() {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        buffer.fill(0);
        let (held, filled) = self.shown(whole);
        held.into_iter().try_for_each(|place| self.case.store().load(place, &mut buffer[bytes_of(place, whole)]))?;
        filled.into_iter().for_each(|place| buffer[bytes_of(place, whole)].fill(self.case.file().fill));
        Ok(())
    }

    fn hole(&self, at: ByteOffset) -> u64 {
        let window = Extent::between(at.0, at.0.saturating_add(WINDOW).min(self.bytes()));
        let (held, filled) = self.shown(window);
        let next = held.iter().chain(&filled).map(|place| place.start.0).min().unwrap_or(window.end());
        match held.first().filter(|place| place.start == at) {
            Some(place) => self.case.store().image().hole(at).min(place.bytes),
            None => next - at.0,
        }
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }

    fn room(&self) -> Option<u64> {
        None
    }

    fn check_intact(&self) -> io::Result<()> {
        self.case.store().image().check_intact()
    }
}
