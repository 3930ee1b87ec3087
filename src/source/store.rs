//! Where bytes that were read before are kept, so that the drive is not asked for them again.

use crate::clock::Clock;
use crate::extent::Extent;
use std::io;

/// Keeps what is read: a case's image with its journal.
///
/// A place of the drive is in one of four states: `waiting` (nothing is known), held, deferred (tried or skipped, to be
/// come back to) or given up as unreadable. Keeping a place ends every other state of it; giving up ends `deferred`.
pub trait Store: Send + Sync {
    /// What of `extent` is held, ascending.
    fn held(&self, extent: Extent) -> Vec<Extent>;

    /// What of `extent` is deferred, ascending.
    fn deferred(&self, extent: Extent) -> Vec<Extent>;

    /// What of `extent` was given up as unreadable, ascending.
    fn given_up(&self, extent: Extent) -> Vec<Extent>;

    /// Fills `buffer` with `extent`, all of which is held.
    ///
    /// # Errors
    /// What the kernel says of the image.
    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()>;

    /// Keeps bytes that have just arrived from the drive. They are safe only after the next [`Store::commit`].
    ///
    /// # Errors
    /// What the kernel says of the image or the journal.
    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()>;

    /// Puts a place off: it could not be read for now, was too slow, or lies near such a place.
    ///
    /// # Errors
    /// What the kernel says of the journal.
    fn defer(&self, extent: Extent) -> io::Result<()>;

    /// Gives a place up as unreadable.
    ///
    /// # Errors
    /// What the kernel says of the image (where unreadable places get a visible fill) or the journal.
    fn give_up(&self, extent: Extent) -> io::Result<()>;

    /// Makes everything so far durable: the image first, then the journal that speaks of it.
    ///
    /// # Errors
    /// What the kernel says.
    fn commit(&self) -> io::Result<()>;

    /// Told by the reader on which clock it reads, for a store that counts time.
    fn use_clock(&self, _clock: &Clock) {}
}
