//! The case's image and journal as a [`Store`].

use crate::clock::{Clock, Moment};
use crate::extent::Extent;
use crate::image::Image;
use crate::journal::{ChunkHash, Claim, Journal, JournalError, Ranges};
use crate::source::Store;
use std::io;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// How much is written before it is made durable, and how long it may take. A power cut costs at most what came since
/// the last but one of these moments: that is read again.
const COMMIT_BYTES: u64 = 64 << 20;
const COMMIT_TIME: Duration = Duration::from_secs(5);

/// Keeps bytes in the image and claims them in the journal once they are durable.
///
/// Making them durable takes as long as the destination needs, so it goes on in a thread of its own while the next bytes
/// are written; at most one such commit is under way.
pub struct CaseStore {
    inner: Arc<Inner>,
    fill: AtomicU8,
    under_way: Mutex<Option<JoinHandle<io::Result<()>>>>,
}

struct Inner {
    image: Box<dyn Image>,
    state: Mutex<State>,
}

struct State {
    journal: Journal,
    ranges: Ranges,
    /// Bytes that are in the image but perhaps not yet on the disk.
    pending_bytes: u64,
    clock: Clock,
    last_commit: Moment,
}

impl Inner {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The image first: the journal must never speak of bytes that a power cut could take back.
    fn commit(&self) -> io::Result<()> {
        let mut state = self.state();
        state.last_commit = state.clock.now();
        state.pending_bytes = 0;
        let batch = state.journal.take_batch();
        if batch.is_empty() {
            return Ok(());
        }
        drop(state);
        self.image.sync()?;
        self.state().journal.write_batch(batch).map_err(journal_error)
    }
}

impl CaseStore {
    pub(super) fn new(image: Box<dyn Image>, journal: Journal, ranges: Ranges, fill: u8) -> CaseStore {
        let clock = Clock::machine();
        let state = State { journal, ranges, pending_bytes: 0, last_commit: clock.now(), clock };
        let inner = Arc::new(Inner { image, state: Mutex::new(state) });
        CaseStore { inner, fill: AtomicU8::new(fill), under_way: Mutex::new(None) }
    }

    /// Bytes held, deferred and given up, in this order.
    pub fn totals(&self) -> [u64; 3] {
        let state = self.inner.state();
        [state.ranges.copied_bytes(), state.ranges.deferred_bytes(), state.ranges.unreadable_bytes()]
    }

    /// The byte that unreadable sectors get from now on.
    pub(super) fn set_fill(&self, fill: u8) {
        self.fill.store(fill, Ordering::Relaxed);
    }

    /// The image.
    pub fn image(&self) -> &dyn Image {
        self.inner.image.as_ref()
    }

    fn claim(&self, claim: Claim, bytes: u64) -> io::Result<()> {
        let mut state = self.inner.state();
        state.journal.append(&[claim]).map_err(journal_error)?;
        state.ranges.apply(&claim);
        state.pending_bytes += bytes;
        let due = state.pending_bytes >= COMMIT_BYTES || state.clock.since(state.last_commit) >= COMMIT_TIME;
        drop(state);
        if due { self.commit_meanwhile() } else { Ok(()) }
    }

    /// Starts a commit beside the writing; waits for the one before, which bounds what is not durable.
    fn commit_meanwhile(&self) -> io::Result<()> {
        let mut under_way = self.wait_for_commit()?;
        let inner = Arc::clone(&self.inner);
        *under_way = Some(std::thread::spawn(move || inner.commit()));
        Ok(())
    }

    /// Waits until no commit is under way, and gives the error of the last one.
    fn wait_for_commit(&self) -> io::Result<MutexGuard<'_, Option<JoinHandle<io::Result<()>>>>> {
        let mut under_way = self.under_way.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(commit) = under_way.take() {
            commit.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
        }
        Ok(under_way)
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
        self.inner.state().ranges.held(extent)
    }

    fn deferred(&self, extent: Extent) -> Vec<Extent> {
        self.inner.state().ranges.deferred(extent)
    }

    fn given_up(&self, extent: Extent) -> Vec<Extent> {
        self.inner.state().ranges.unreadable(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        self.inner.image.read_at(extent.start, buffer)
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        self.inner.image.write_at(extent.start, bytes)?;
        let hash = ChunkHash::of(bytes);
        self.claim(Claim::Copied { extent, hash }, extent.bytes)
    }

    fn defer(&self, extent: Extent) -> io::Result<()> {
        self.claim(Claim::Deferred { extent }, 0)
    }

    fn give_up(&self, extent: Extent) -> io::Result<()> {
        let fill = self.fill.load(Ordering::Relaxed);
        if fill != 0 {
            let piece = vec![fill; usize::try_from(extent.bytes.min(1 << 20)).expect("at most 1 MiB")];
            for part in extent.pieces(1 << 20) {
                self.inner.image.write_at(part.start, &piece[..usize::try_from(part.bytes).expect("at most 1 MiB")])?;
            }
        }
        self.claim(Claim::Unreadable { extent }, 0)
    }

    fn commit(&self) -> io::Result<()> {
        let _under_way = self.wait_for_commit()?;
        self.inner.commit()
    }

    fn use_clock(&self, clock: &Clock) {
        let mut state = self.inner.state();
        (state.clock, state.last_commit) = (clock.clone(), clock.now());
    }
}
