//! Where bytes that were read before are kept, so that the drive does not have to give them again.

use super::{RangeMark, Skip};
use crate::base::extent::Extent;
use std::io;

/// Keeps what is read: a case's image with its journal.
///
/// A range of the drive is in one of four states: not read yet, held, skipped (left for later), or unreadable (failed at
/// every try so far). [`CopyStore::keep`] and [`CopyStore::mark`] lead from one to another.
pub trait CopyStore: Send + Sync {
    /// What of `extent` is held, ascending.
    fn held(&self, extent: Extent) -> Vec<Extent>;

    /// What of `extent` is skipped, ascending, no two touching.
    fn skipped(&self, extent: Extent) -> Vec<Extent>;

    /// What of `extent` is skipped and why, ascending.
    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        self.skipped(extent).into_iter().map(|place| (place, Skip::NotRecorded)).collect()
    }

    /// What of `extent` is unreadable, ascending, no two touching.
    fn unreadable(&self, extent: Extent) -> Vec<Extent>;

    /// Fills `buffer` with `extent`, all of which is held.
    ///
    /// # Errors
    /// What the kernel says of the image.
    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()>;

    /// Keeps bytes that have just arrived from the drive. They are safe only after the next [`CopyStore::commit`], which a store
    /// may also do by itself.
    ///
    /// # Errors
    /// What the kernel says of the image or the journal. The same bytes can be kept again.
    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()>;

    /// Remembers something else about a range.
    ///
    /// # Errors
    /// What the kernel says of the image (where unreadable ranges get a visible fill) or the journal.
    fn mark(&self, mark: RangeMark) -> io::Result<()>;

    /// Makes everything so far durable: the image first, then the journal that names it.
    ///
    /// # Errors
    /// What the kernel says.
    fn commit(&self) -> io::Result<()>;

    /// Bytes that are held and durable; `None` where all that is held counts as durable.
    fn safe_bytes(&self) -> Option<u64> {
        None
    }

    /// Bytes that the destination still has room for, where it tells.
    fn room(&self) -> Option<u64> {
        None
    }
}
