//! Signs that the drive may not last: from this run, and from the case's earlier ones.

use crate::base::human;
use crate::source::{CopyStore, Reader};
use serde::Serialize;

/// What has failed so far.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Trouble {
    /// Requests that failed in this run.
    pub failed_requests: u64,
    /// Bytes that the case has skipped, after a failure or for slowness, and not read since.
    pub skipped_bytes: u64,
    /// Bytes that the case knows as unreadable.
    pub unreadable_bytes: u64,
}

impl Trouble {
    /// What `reader` has met, and what the case remembers.
    pub fn of(reader: &Reader, case: Option<&dyn CopyStore>) -> Trouble {
        let whole = reader.identity().extent();
        let sum = |extents: Vec<crate::base::extent::Extent>| extents.iter().map(|extent| extent.bytes).sum();
        Trouble {
            failed_requests: reader.totals().failed_requests,
            skipped_bytes: case.map_or(0, |store| sum(store.skipped(whole))),
            unreadable_bytes: case.map_or(0, |store| sum(store.unreadable(whole))),
        }
    }

    /// Whether there is any.
    pub fn is_any(&self) -> bool {
        *self != Trouble::default()
    }

    /// As reasons for a recommendation.
    pub(in crate::report::values) fn reasons(&self) -> Vec<String> {
        let mut reasons = Vec::new();
        if self.failed_requests > 0 {
            let failed = human::counted(self.failed_requests, "read", "reads");
            reasons.push(format!("{failed} failed in this run: the drive may not last"));
        }
        if self.skipped_bytes + self.unreadable_bytes > 0 {
            reasons.push(format!(
                "failed before, by the case: {} skipped and not read since, {} unreadable",
                human::bytes(self.skipped_bytes),
                human::bytes(self.unreadable_bytes)
            ));
        }
        reasons
    }
}
