//! The case's image and journal as a [`Store`].

use crate::extent::Extent;
use crate::image::Image;
use crate::journal::{ChunkHash, Claim, Journal, JournalError, Ranges};
use crate::source::Store;
use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// What may be lost to a power cut: at most this much, or what came in this time, is read again.
const COMMIT_BYTES: u64 = 64 << 20;
const COMMIT_TIME: Duration = Duration::from_secs(5);

/// Keeps bytes in the image and claims them in the journal once they are durable.
pub struct CaseStore {
    image: Box<dyn Image>,
    fill: u8,
    state: Mutex<State>,
}

struct State {
    journal: Journal,
    ranges: Ranges,
    /// Bytes that are in the image but perhaps not yet on the disk.
    pending_bytes: u64,
    last_commit: Instant,
}

impl CaseStore {
    pub(super) fn new(image: Box<dyn Image>, journal: Journal, ranges: Ranges, fill: u8) -> CaseStore {
        let state = State { journal, ranges, pending_bytes: 0, last_commit: Instant::now() };
        CaseStore { image, fill, state: Mutex::new(state) }
    }

    /// Bytes held, deferred and given up, in this order.
    pub fn totals(&self) -> [u64; 3] {
        let state = self.state();
        [state.ranges.copied_bytes(), state.ranges.deferred_bytes(), state.ranges.unreadable_bytes()]
    }

    /// The image.
    pub fn image(&self) -> &dyn Image {
        self.image.as_ref()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn claim(&self, claim: Claim, bytes: u64) -> io::Result<()> {
        let mut state = self.state();
        state.journal.append(&[claim]).map_err(journal_error)?;
        state.ranges.apply(&claim);
        state.pending_bytes += bytes;
        let due = state.pending_bytes >= COMMIT_BYTES || state.last_commit.elapsed() >= COMMIT_TIME;
        drop(state);
        if due { self.commit() } else { Ok(()) }
    }
}

/// Keeps the kernel's own error where there is one, so that a full disk can be told from other trouble.
fn journal_error(error: JournalError) -> io::Error {
    match error {
        JournalError::Io { error, .. } => error,
        other => io::Error::other(other),
    }
}

impl Store for CaseStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        self.state().ranges.held(extent)
    }

    fn deferred(&self, extent: Extent) -> Vec<Extent> {
        self.state().ranges.deferred(extent)
    }

    fn given_up(&self, extent: Extent) -> Vec<Extent> {
        self.state().ranges.unreadable(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        self.image.read_at(extent.start, buffer)
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        self.image.write_at(extent.start, bytes)?;
        let hash = ChunkHash::of(bytes);
        self.claim(Claim::Copied { extent, hash }, extent.bytes)
    }

    fn defer(&self, extent: Extent) -> io::Result<()> {
        self.claim(Claim::Deferred { extent }, 0)
    }

    fn give_up(&self, extent: Extent) -> io::Result<()> {
        if self.fill != 0 {
            let piece = vec![self.fill; usize::try_from(extent.bytes.min(1 << 20)).expect("at most 1 MiB")];
            for part in extent.pieces(1 << 20) {
                self.image.write_at(part.start, &piece[..usize::try_from(part.bytes).expect("at most 1 MiB")])?;
            }
        }
        self.claim(Claim::Unreadable { extent }, 0)
    }

    /// The image first: the journal must never speak of bytes that a power cut could take back.
    fn commit(&self) -> io::Result<()> {
        let mut state = self.state();
        state.last_commit = Instant::now();
        state.pending_bytes = 0;
        let batch = state.journal.take_batch();
        if batch.is_empty() {
            return Ok(());
        }
        // The image takes its time to be durable; whoever only asks what is held need not wait for it.
        drop(state);
        self.image.sync()?;
        self.state().journal.write_batch(batch).map_err(journal_error)
    }
}
