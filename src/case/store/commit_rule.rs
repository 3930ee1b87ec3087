//! When what arrived is made durable: one rule for every command.
//!
//! 1. The store does it by itself when 64 MiB or 5 s have come together ([`CommitRule`]), in a thread of its own, so that a
//!    read that hangs delays nothing. This bounds what a power cut costs.
//! 2. The store does it before it takes more, when the last commit failed or twice the bytes have come together: a slow
//!    destination would otherwise let a power cut cost any amount.
//! 3. Whatever keeps bytes commits at the end of its work, however that ended ([`commit_after`]), and before it tells or
//!    decides by what is safe: the end of a pass, a step that looks up in the store what is read.
//!
//! Each of these is a [`CopyStore::commit`], and a case's store has one way to do it: image first, then journal. Nothing else
//! makes claims durable. `docs/durability.md` has the order of steps and what each failure leaves.

use crate::source::{CopyStore, SourceLost};
use std::time::{Duration, Instant};

/// When what was kept is made durable without a request.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CommitRule {
    /// After so many bytes.
    pub bytes: u64,
    /// After so much time.
    pub time: Duration,
}

impl Default for CommitRule {
    /// 64 MiB or 5 s: a power cut costs at most what came since the last but one of these moments, which is read again.
    fn default() -> CommitRule {
        CommitRule { bytes: 64 << 20, time: Duration::from_secs(5) }
    }
}

impl CommitRule {
    /// How long a commit of claims of `bytes` bytes, the oldest made at `since`, may still wait.
    pub(super) fn may_wait(&self, since: Instant, bytes: u64) -> Duration {
        if self.is_full(bytes) { Duration::ZERO } else { self.time.saturating_sub(since.elapsed()) }
    }

    /// Whether so many bytes are enough for a commit.
    pub(super) fn is_full(&self, bytes: u64) -> bool {
        bytes >= self.bytes
    }

    /// Whether nothing more may be kept before a commit.
    pub(super) fn is_behind(&self, bytes: u64) -> bool {
        bytes >= self.bytes.saturating_mul(2)
    }
}

/// Makes durable what some work kept, however it ended. When both fail, the first failure is the reason for the second.
///
/// # Errors
/// That of the work; [`SourceLost::Store`].
pub fn commit_after<T>(store: &dyn CopyStore, outcome: Result<T, SourceLost>) -> Result<T, SourceLost> {
    let committed = store.commit().map_err(SourceLost::Store);
    let done = outcome?;
    committed.map(|()| done)
}
