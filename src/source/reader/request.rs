//! One request of the drive, counted and traced. There is no other way to the source.

use super::{Reader, bytes_of, length};
use crate::base::extent::Extent;
use crate::source::{AlignedBuffer, Failure, ReadError, SourceLost};
use serde::Serialize;
use std::time::Duration;

/// What was requested of the source so far.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct ReadTotals {
    /// Requests made, failed ones included.
    pub requests: u64,
    /// Bytes that arrived.
    pub bytes: u64,
    /// Bytes that were requested although they had been read before: 0 when all is well.
    pub repeated_bytes: u64,
    /// Requests that failed.
    pub failed_requests: u64,
    /// Bytes that could not be read, at the smallest request tried.
    pub unreadable_bytes: u64,
    /// Time spent waiting for the source, in seconds.
    pub seconds: f64,
    /// Of that, time spent in requests of at least 256 KiB, whose rate tells the drive's pace.
    pub large_seconds: f64,
    /// Bytes that arrived by those.
    pub large_bytes: u64,
}

impl ReadTotals {
    /// Bytes a second over large requests, once there are at least 8 MiB of them to judge by.
    pub fn sustained_rate(&self) -> Option<f64> {
        #[allow(clippy::cast_precision_loss, reason = "a rate needs no 53 bits")]
        (self.large_bytes >= 8 << 20 && self.large_seconds > 0.0).then(|| self.large_bytes as f64 / self.large_seconds)
    }
}

/// How one request went.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Attempt {
    /// `None` when the bytes arrived; else how the read failed.
    pub failure: Option<Failure>,
    /// How long it took.
    pub took: Duration,
}

impl Reader {
    /// One request and no more: no store, no second try. For a caller that decides itself what a failure means, and keeps
    /// account itself of what arrived: [`Reader::asked`] and [`ReadTotals::repeated_bytes`] leave these requests out,
    /// because the list of a whole drive's pieces would not fit in memory twice.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone, or `extent` does not lie on it.
    pub fn attempt(&self, extent: Extent, buffer: &mut [u8]) -> Result<Attempt, SourceLost> {
        self.check_bounds(extent)?;
        let (outcome, took) = self.request(extent, buffer)?;
        Ok(Attempt { failure: self.failure_of(extent, outcome)?, took })
    }

    /// Reads a range again past everything that is kept, to see whether the drive still says the same; `None` when it
    /// cannot be read. The only reading that may request a byte twice, and not counted among repeated bytes.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone, or `extent` does not lie on it.
    pub fn look_again(&self, extent: Extent) -> Result<Option<Vec<u8>>, SourceLost> {
        self.check_bounds(extent)?;
        let sectors = self.to_sectors(extent);
        let mut buffer = AlignedBuffer::new(length(sectors.bytes));
        if self.request_structure(sectors, buffer.bytes_mut())?.is_some() {
            return Ok(None);
        }
        Ok(Some(buffer.bytes()[bytes_of(extent, sectors)].to_vec()))
    }

    /// A request for structure, and how it failed if it did.
    pub(super) fn request_structure(&self, extent: Extent, buffer: &mut [u8]) -> Result<Option<Failure>, SourceLost> {
        let (outcome, took) = self.request(extent, buffer)?;
        self.state().trouble.note(extent, outcome.is_err(), took);
        if outcome.is_ok() {
            self.note_asked(extent);
        }
        self.failure_of(extent, outcome)
    }

    /// One request of the drive, counted and traced, and how long it took. There is no other.
    fn request(&self, extent: Extent, buffer: &mut [u8]) -> Result<(Result<(), ReadError>, Duration), SourceLost> {
        self.check_stop()?;
        let began = self.clock.now();
        let outcome = self.source.read_at(extent.start, buffer);
        let took = self.clock.since(began);
        self.count(extent, took, &outcome)?;
        Ok((outcome, took))
    }

    fn failure_of(&self, extent: Extent, outcome: Result<(), ReadError>) -> Result<Option<Failure>, SourceLost> {
        let sector = self.identity().logical_sector.bytes();
        outcome.err().map(|error| error.judge(extent, || self.source.is_present(), sector)).transpose()
    }

    fn note_asked(&self, extent: Extent) {
        let mut state = self.state();
        state.totals.repeated_bytes += state.asked.bytes_within(extent);
        state.asked.insert(extent);
    }

    fn count(&self, extent: Extent, took: Duration, outcome: &Result<(), ReadError>) -> Result<(), SourceLost> {
        let mut state = self.state();
        state.totals.requests += 1;
        state.totals.seconds += took.as_secs_f64();
        if outcome.is_ok() {
            state.totals.bytes += extent.bytes;
            if extent.bytes >= 256 << 10 {
                state.totals.large_bytes += extent.bytes;
                state.totals.large_seconds += took.as_secs_f64();
            }
        } else {
            state.totals.failed_requests += 1;
        }
        match &mut state.trace {
            Some(trace) => trace.record(extent, took, outcome).map_err(SourceLost::Trace),
            None => Ok(()),
        }
    }
}
