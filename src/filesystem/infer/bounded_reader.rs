//! Looking through parts of a volume for structures, within a budget.

use crate::base::extent::Extent;
use crate::source::{SourceLost, Window};
use std::cell::Cell;

/// Structures start on multiples of this, whatever the sector size.
pub const SECTOR: u64 = 512;
/// The start of the volume that is looked through by every file system: 16 MiB, read once and kept. Formatters put FATs
/// at most some MiB from the start (common practice, no source), and $MFT or its mirror mostly in the first 64 KiB.
pub const HEAD_BYTES: u64 = 16 << 20;
/// The range around the volume's middle that is looked through for NTFS: 4 MiB.
pub const MIDDLE_BYTES: u64 = 4 << 20;
/// Requests of 1 MiB of which nothing arrives, after which looking stops: each can cost a failing drive seconds.
const LOST_REQUESTS_ALLOWED: u64 = 8;
/// Failed requests of any size after which it stops in any case. [`crate::source::Reader`] spends at most 256 on finding
/// the edges of bad ranges.
const FAILURES_ALLOWED: u64 = 320;
/// Size of a request.
const REQUEST: u64 = 1 << 20;

/// Reads of a volume that end quietly when too many requests have failed.
pub struct BoundedReader<'w> {
    pub window: &'w Window<'w>,
    failures_before: u64,
    lost: Cell<u64>,
}

impl<'w> BoundedReader<'w> {
    pub fn new(window: &'w Window<'w>) -> BoundedReader<'w> {
        BoundedReader { window, failures_before: window.reader().totals().failed_requests, lost: Cell::new(0) }
    }

    /// Whether so many requests failed that looking stopped.
    pub fn gave_up(&self) -> bool {
        let failed = self.window.reader().totals().failed_requests - self.failures_before;
        failed >= FAILURES_ALLOWED || self.lost.get() >= LOST_REQUESTS_ALLOWED
    }

    /// Bytes `from` to `to` of the volume, as far as they lie in it, sector by sector: `each` gets the offset in the
    /// volume and the bytes from there to the end of the request. Sectors that cannot be read are passed over.
    pub fn sectors(&self, from: u64, to: u64, mut each: impl FnMut(u64, &[u8])) -> Result<(), SourceLost> {
        let end = to.min(self.window.extent().bytes) / SECTOR * SECTOR;
        self.window.reader().announce("traces of a lost volume", end.saturating_sub(from));
        for part in Extent::between(from / SECTOR * SECTOR, end).pieces(REQUEST) {
            if self.gave_up() {
                break;
            }
            let Some(block) = self.window.read(part.start.0, part.bytes)? else { continue };
            if block.unreadable.covers(block.extent) {
                self.lost.set(self.lost.get() + 1);
            }
            for place in Extent::between(0, part.bytes).pieces(SECTOR) {
                let on_drive =
                    Extent::between(block.extent.start.0 + place.start.0, block.extent.start.0 + place.end());
                if block.unreadable.is_empty() || block.has_read(on_drive) {
                    let at = usize::try_from(place.start.0).expect("within a request");
                    each(part.start.0 + place.start.0, &block.bytes[at..]);
                }
            }
        }
        Ok(())
    }

    /// A few bytes at an offset of the volume; `None` when they do not all lie in it or cannot be read.
    pub fn bytes(&self, offset: u64, bytes: u64) -> Result<Option<Vec<u8>>, SourceLost> {
        if self.gave_up() {
            return Ok(None);
        }
        let block = self.window.read(offset, bytes)?;
        Ok(block.filter(|block| block.unreadable.is_empty()).map(|block| block.bytes))
    }
}
