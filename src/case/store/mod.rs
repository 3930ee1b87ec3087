//! The case's image and journal as a [`CopyStore`]; `commit_rule` says when what they got becomes durable.

mod commit_rule;
mod in_use;
pub(super) mod journal_file;

pub use commit_rule::{CommitRule, commit_after};
pub use in_use::is_locked;

use crate::base::extent::{Extent, ExtentSet};
use crate::source::{CopyStore, RangeMark, Skip};
use crate::store::image::Image;
use crate::store::journal::{ChunkHash, Journal, JournalClaim, JournalError, Ranges};
use std::io;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Most that is written at once where a range is filled.
const FILL_AT_ONCE: u64 = 1 << 20;

/// Keeps bytes in the image and claims them in the journal once they are durable.
///
/// A thread of its own makes them durable while the next bytes are written. `docs/durability.md` has the order of steps and
/// what each failure leaves.
pub struct CaseStore {
    shared: Arc<Shared>,
    fill: AtomicU8,
    committer: Option<JoinHandle<()>>,
}

struct Shared {
    image: Box<dyn Image>,
    /// `None` when the case is only looked at. Locked for as long as a commit takes.
    journal: Mutex<Option<Journal>>,
    /// Held while the image is written and what was written is entered in `state`: after a failed sync both must be found,
    /// or neither.
    writing: Mutex<()>,
    state: Mutex<State>,
    wake: Condvar,
    rule: CommitRule,
    drive_bytes: u64,
}

struct State {
    ranges: Ranges,
    /// Claims that are not in the journal yet, oldest first.
    pending: Vec<JournalClaim>,
    pending_bytes: u64,
    /// When the oldest of them was made.
    since: Option<Instant>,
    /// Whether the journal says that this run writes.
    run_began: bool,
    /// A sync of the image failed: what is pending must be written again before the next one counts.
    suspect: bool,
    /// What the last commit failed with; nothing more is kept until one succeeds.
    fault: Option<(io::ErrorKind, String)>,
    closing: bool,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl CaseStore {
    /// Over an image and its journal; `fill` is the byte that unreadable ranges get in the image.
    pub fn new(image: Box<dyn Image>, journal: Journal, ranges: Ranges, fill: u8, rule: CommitRule) -> CaseStore {
        let shared = Shared::new(image, Some(journal), ranges, rule);
        let committer = {
            let shared = Arc::clone(&shared);
            std::thread::spawn(move || shared.commit_when_due())
        };
        CaseStore { shared, fill: AtomicU8::new(fill), committer: Some(committer) }
    }

    /// Over an image that is only looked at, with what its journal came to when it was opened.
    pub fn to_look_at(image: Box<dyn Image>, ranges: Ranges) -> CaseStore {
        let shared = Shared::new(image, None, ranges, CommitRule::default());
        CaseStore { shared, fill: AtomicU8::new(0), committer: None }
    }

    /// Bytes held, skipped and unreadable, in this order.
    pub fn totals(&self) -> [u64; 3] {
        let state = lock(&self.shared.state);
        [state.ranges.copied_bytes(), state.ranges.skipped_bytes(), state.ranges.unreadable_bytes()]
    }

    /// The byte that unreadable ranges get from now on.
    pub(super) fn set_fill(&self, fill: u8) {
        self.fill.store(fill, Ordering::Relaxed);
    }

    /// The image.
    pub fn image(&self) -> &dyn Image {
        self.shared.image.as_ref()
    }
}

impl Drop for CaseStore {
    fn drop(&mut self) {
        lock(&self.shared.state).closing = true;
        self.shared.wake.notify_all();
        if let Some(committer) = self.committer.take() {
            let _ = committer.join();
        }
    }
}

impl Shared {
    fn new(image: Box<dyn Image>, journal: Option<Journal>, ranges: Ranges, rule: CommitRule) -> Arc<Shared> {
        let state = State {
            ranges,
            pending: Vec::new(),
            pending_bytes: 0,
            since: None,
            run_began: false,
            suspect: false,
            fault: None,
            closing: false,
        };
        let drive_bytes = journal.as_ref().map_or(image.bytes(), |journal| journal.header().drive_bytes);
        Arc::new(Shared {
            image,
            drive_bytes,
            journal: Mutex::new(journal),
            writing: Mutex::new(()),
            state: Mutex::new(state),
            wake: Condvar::new(),
            rule,
        })
    }

    /// The committing thread: waits until something is due, also when nothing more arrives.
    fn commit_when_due(&self) {
        let mut state = lock(&self.state);
        while !state.closing {
            let since = state.since.filter(|_| state.fault.is_none());
            let left = since.map_or(Duration::MAX, |since| self.rule.may_wait(since, state.pending_bytes));
            if left.is_zero() {
                drop(state);
                // The error is kept for the next who keeps something.
                let _ = self.commit();
                state = lock(&self.state);
            } else if left == Duration::MAX {
                state = self.wake.wait(state).unwrap_or_else(PoisonError::into_inner);
            } else {
                state = self.wake.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner).0;
            }
        }
    }

    /// Everything so far becomes durable: the image first, for the journal must never claim bytes that a power cut could
    /// take back.
    fn commit(&self) -> io::Result<()> {
        let mut journal = lock(&self.journal);
        // Nothing can be pending where nothing can be kept.
        let Some(journal) = journal.as_mut() else { return Ok(()) };
        let outcome = self.commit_to(journal);
        lock(&self.state).fault = outcome.as_ref().err().map(|error| (error.kind(), error.to_string()));
        outcome
    }

    fn commit_to(&self, journal: &mut Journal) -> io::Result<()> {
        let (mut batch, suspect) = {
            let mut state = lock(&self.state);
            state.since = None;
            state.pending_bytes = 0;
            (state.pending.clone(), state.suspect)
        };
        if batch.is_empty() {
            return Ok(());
        }
        self.image.check_intact()?;
        journal.check_intact().map_err(journal_error)?;
        let mut lost = 0;
        if suspect || self.image.sync().is_err() {
            lost = self.rescue()?;
            batch = lock(&self.state).pending.clone();
        }
        let written = journal.write(&batch).map_err(journal_error);
        let mut state = lock(&self.state);
        match written {
            Ok(()) => drop(state.pending.drain(..batch.len())),
            Err(error) => {
                state.since.get_or_insert_with(Instant::now);
                return Err(error);
            }
        }
        drop(state);
        self.empty_withdrawn(&batch)?;
        if lost > 0 {
            return Err(io::Error::other(format!(
                "the destination lost {lost} bytes that were written to it; the same command reads them again"
            )));
        }
        Ok(())
    }

    /// After a failed sync of the image: the kernel reports a lost page once, and forgets it. What is pending and can still
    /// be read back as it came from the drive is written again, and only then does a sync count. What cannot be read
    /// back is not claimed; its bytes are counted.
    fn rescue(&self) -> io::Result<u64> {
        // Nobody writes meanwhile: what is written but not entered yet could be among the lost pages.
        let _nobody_else = lock(&self.writing);
        let pending = {
            let mut state = lock(&self.state);
            state.suspect = true;
            state.pending.clone()
        };
        let mut lost = Vec::new();
        for claim in &pending {
            match *claim {
                JournalClaim::Copied { extent, hash } => {
                    lost.extend((!self.write_again(extent, hash)?).then_some(extent))
                }
                // Its fill, if it has one, is not in the journal; it is written again with the range.
                JournalClaim::Marked(RangeMark::Unreadable { extent, .. }) => self.write_as_it_is(extent)?,
                _ => {}
            }
        }
        self.image.sync()?;
        let mut state = lock(&self.state);
        state.suspect = false;
        for extent in &lost {
            state.ranges.mark(&RangeMark::Withdrawn { extent: *extent });
        }
        state.pending.retain(|claim| !matches!(claim, JournalClaim::Copied { extent, .. } if lost.contains(extent)));
        Ok(lost.iter().map(|extent| extent.bytes).sum())
    }

    /// Makes withdrawn ranges read as zero, now that nothing claims their bytes any more.
    fn empty_withdrawn(&self, batch: &[JournalClaim]) -> io::Result<()> {
        let withdrawn = batch.iter().filter_map(|claim| match claim {
            JournalClaim::Marked(RangeMark::Withdrawn { extent }) => Some(*extent),
            _ => None,
        });
        for extent in withdrawn {
            let _writing = lock(&self.writing);
            let held: ExtentSet = lock(&self.state).ranges.held(extent).into_iter().collect();
            held.missing_from(extent).into_iter().try_for_each(|place| fill_with(self.image.as_ref(), place, 0))?;
        }
        Ok(())
    }

    fn write_again(&self, extent: Extent, hash: ChunkHash) -> io::Result<bool> {
        let mut bytes = vec![0; usize::try_from(extent.bytes).expect("a chunk is in memory once")];
        if self.image.read_at(extent.start, &mut bytes).is_err() || ChunkHash::of(&bytes) != hash {
            return Ok(false);
        }
        self.image.write_at(extent.start, &bytes)?;
        Ok(true)
    }

    fn write_as_it_is(&self, extent: Extent) -> io::Result<()> {
        for part in extent.pieces(FILL_AT_ONCE) {
            let mut bytes = vec![0; usize::try_from(part.bytes).expect("at most 1 MiB")];
            self.image.read_at(part.start, &mut bytes).and_then(|()| self.image.write_at(part.start, &bytes))?;
        }
        Ok(())
    }

    /// The journal says that this run writes before it does: a checksum of the image made before is then known to be out of
    /// date, even if this run never comes to claim anything.
    fn begin_run(&self) -> io::Result<()> {
        if lock(&self.state).run_began {
            return Ok(());
        }
        let when = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
        let mut journal = lock(&self.journal);
        let journal = journal.as_mut().ok_or_else(only_looked_at)?;
        journal.reserve(1).and_then(|()| journal.write(&[JournalClaim::RunBegan { when }])).map_err(journal_error)?;
        lock(&self.state).run_began = true;
        Ok(())
    }

    /// Before anything is kept or marked: what the last commit failed with may be gone by now.
    fn begin(&self, extent: Extent) -> io::Result<()> {
        if extent.is_empty() || extent.end() > self.drive_bytes {
            let text = format!(
                "{} bytes from byte {} on, but the drive ends at byte {}",
                extent.bytes, extent.start.0, self.drive_bytes
            );
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        }
        let (failed, behind) = {
            let state = lock(&self.state);
            (state.fault.is_some(), self.rule.is_behind(state.pending_bytes))
        };
        // Behind by so much, a power cut would cost too much.
        if failed || behind {
            self.commit()?;
        }
        self.begin_run()
    }

    /// Enters a claim, while `writing` is held.
    fn enter(&self, claim: JournalClaim, bytes: u64) {
        let mut state = lock(&self.state);
        state.ranges.apply(&claim);
        state.pending.push(claim);
        state.pending_bytes += bytes;
        if state.since.is_none() || self.rule.is_full(state.pending_bytes) {
            self.wake.notify_all();
        }
        state.since.get_or_insert_with(Instant::now);
    }
}

/// Gives a range of an image the byte that unreadable ranges have there.
fn fill_with(image: &dyn Image, extent: Extent, fill: u8) -> io::Result<()> {
    let bytes = vec![fill; usize::try_from(extent.bytes.min(FILL_AT_ONCE)).expect("at most 1 MiB")];
    extent.pieces(FILL_AT_ONCE).try_for_each(|part| {
        let count = usize::try_from(part.bytes).expect("at most 1 MiB");
        image.write_at(part.start, &bytes[..count])
    })
}

fn only_looked_at() -> io::Error {
    io::Error::new(io::ErrorKind::ReadOnlyFilesystem, "the case was opened only to be looked at")
}

/// Keeps the kernel's own error where there is one, so that a full disk can be told from other trouble.
fn journal_error(error: JournalError) -> io::Error {
    match error {
        JournalError::Io { error, .. } => error,
        other => io::Error::other(other),
    }
}

impl CopyStore for CaseStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        lock(&self.shared.state).ranges.held(extent)
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        lock(&self.shared.state).ranges.skipped(extent)
    }

    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        lock(&self.shared.state).ranges.skips(extent)
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        lock(&self.shared.state).ranges.unreadable(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        self.shared.image.read_at(extent.start, buffer)
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        self.shared.begin(extent)?;
        let hash = ChunkHash::of(bytes);
        let _writing = lock(&self.shared.writing);
        self.shared.image.write_at(extent.start, bytes)?;
        self.shared.enter(JournalClaim::Copied { extent, hash }, extent.bytes);
        Ok(())
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        self.shared.begin(mark.extent())?;
        let _writing = lock(&self.shared.writing);
        let fill = self.fill.load(Ordering::Relaxed);
        if let (RangeMark::Unreadable { extent, .. }, true) = (mark, fill != 0) {
            fill_with(self.image(), extent, fill)?;
        }
        self.shared.enter(JournalClaim::Marked(mark), 0);
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        self.shared.commit()
    }

    fn safe_bytes(&self) -> Option<u64> {
        let state = lock(&self.shared.state);
        let copied =
            |claim: &JournalClaim| if let JournalClaim::Copied { extent, .. } = claim { extent.bytes } else { 0 };
        Some(state.ranges.copied_bytes().saturating_sub(state.pending.iter().map(copied).sum()))
    }

    fn room(&self) -> Option<u64> {
        self.shared.image.room()
    }
}
