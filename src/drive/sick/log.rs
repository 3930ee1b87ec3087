//! A drive's own record of the requests that were made of it: an independent witness.

use crate::base::clock::Moment;
use crate::base::extent::Extent;
use rangemap::RangeSet;
use std::time::Duration;

/// How a request ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// The bytes were delivered.
    Delivered,
    /// A place in it could not be read.
    Failed,
    /// The drive had vanished.
    Gone,
}

/// A request that was made of the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Request {
    /// What was to be read.
    pub extent: Extent,
    /// When it began.
    pub began: Moment,
    /// How long it took.
    pub took: Duration,
    /// How it ended.
    pub outcome: Outcome,
}

impl Request {
    /// When it ended.
    pub fn ended(&self) -> Moment {
        Moment(self.began.0 + self.took)
    }
}

/// What a log comes to.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LogTotals {
    /// Requests, the failed ones included, those of a vanished drive not.
    pub requests: u64,
    /// Of those, failed.
    pub failed: u64,
    /// Bytes delivered.
    pub bytes: u64,
    /// Of those, delivered before.
    pub repeated_bytes: u64,
    /// Time of all requests.
    pub time: Duration,
}

impl LogTotals {
    /// The totals of a log.
    pub fn of(log: &[Request]) -> LogTotals {
        let mut totals = LogTotals::default();
        let mut delivered = RangeSet::new();
        for request in log.iter().filter(|request| request.outcome != Outcome::Gone) {
            totals.requests += 1;
            totals.time += request.took;
            if request.outcome == Outcome::Failed {
                totals.failed += 1;
                continue;
            }
            let range = request.extent.start.0..request.extent.end();
            let new: u64 = delivered.gaps(&range).map(|gap| gap.end - gap.start).sum();
            totals.bytes += request.extent.bytes;
            totals.repeated_bytes += request.extent.bytes - new;
            delivered.insert(range);
        }
        totals
    }
}
