//! How to copy, and the ways in which the outside takes part.

use super::{CopyError, Event};
use crate::base::extent::Extent;
use crate::source::SourceIdentity;
use crate::source::kernel::{KernelRequestLog, LoggedRequest};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

/// When to stop although there is more to read. Checked before each request.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct StopAfter {
    /// After this long, pauses included.
    pub time: Option<Duration>,
    /// After so many bytes have arrived.
    pub bytes: Option<u64>,
    /// After so many failed requests.
    pub errors: Option<u64>,
    /// After so many failed requests in a row.
    pub failures_in_a_row: Option<u64>,
    /// After so many failed requests within a minute; pauses are left out.
    pub failures_a_minute: Option<u64>,
    /// After the kernel has reset the drive or its link so many times.
    pub resets: Option<u64>,
    /// When fewer bytes a second were copied over a whole minute; pauses are left out.
    pub below_rate: Option<u64>,
}

/// How to copy. `docs/copying.md` gives the reasons for the usual values.
#[derive(Clone, PartialEq, Debug)]
pub struct CopyOptions {
    /// The longest command that the kernel sends to the drive, in bytes, where that is known: requests are no longer after the
    /// first failure, so that one request is one command.
    pub command_bytes: Option<u64>,
    /// Largest request in bytes; requests end on its multiples where they can. A multiple of the physical sector up
    /// to [`CopyOptions::LARGEST_REQUEST`]. Usually 1 MiB.
    pub request_bytes: u64,
    /// Tries of a sector alone beyond the first. Usually 1.
    pub retries: u32,
    /// A read that takes longer is slow, whatever is usual on the drive, and its place is left. Usually none: then only what this
    /// drive's own reads have taught tells what is slow (`observed::learned`).
    pub slow: Option<Duration>,
    /// Goes on until every sector has been tried alone, with all retries, whatever that is expected to bring. Usually not.
    pub to_the_end: bool,
    /// Above this temperature in degrees Celsius nothing is read. Usually 55 (common practice, no source).
    pub hot_limit: f64,
    /// How often the temperature is taken. Usually every 5 s.
    pub temperature_every: Duration,
    /// When to stop although there is more to read.
    pub stop_after: StopAfter,
    /// Only tables and structure are read, and until so many requests have failed: for a copy that is to be followed by
    /// another one, by what they tell. Usually all is read.
    pub structure_only: Option<u64>,
}

impl CopyOptions {
    /// The largest request that can be set: 16 MiB. Two of them are in memory at once.
    pub const LARGEST_REQUEST: u64 = 16 << 20;

    /// How many degrees Celsius below [`CopyOptions::hot_limit`] reading starts again.
    pub const COOLING: f64 = 3.0;

    pub(super) fn check(&self, identity: &SourceIdentity) -> Result<(), CopyError> {
        let sector = identity.physical_sector.bytes();
        let bytes = self.request_bytes;
        if bytes == 0 || bytes > Self::LARGEST_REQUEST || !bytes.is_multiple_of(sector) {
            return Err(CopyError::RequestSize { bytes, sector, most: Self::LARGEST_REQUEST });
        }
        Ok(())
    }
}

impl Default for CopyOptions {
    fn default() -> CopyOptions {
        CopyOptions {
            command_bytes: None,
            request_bytes: 1 << 20,
            retries: 1,
            slow: None,
            to_the_end: false,
            hot_limit: 55.0,
            temperature_every: Duration::from_secs(5),
            stop_after: StopAfter::default(),
            structure_only: None,
        }
    }
}

/// A log of requests beside the outcome of each: the kernel's.
pub trait RequestLog {
    /// To be called right before each request.
    fn before_request(&mut self);

    /// What was logged of `request`, which has just failed or took long.
    fn after_request(&mut self, request: Extent) -> LoggedRequest;
}

impl RequestLog for KernelRequestLog {
    fn before_request(&mut self) {
        self.skip();
    }

    fn after_request(&mut self, request: Extent) -> LoggedRequest {
        self.logged(request)
    }
}

/// The ways in which the outside takes part while a copy runs. All are used from the thread that called.
pub struct Controls<'c> {
    /// Set to stop: the read under way is finished, what arrived is committed.
    pub stop: &'c AtomicBool,
    /// The drive's temperature in degrees Celsius, where it can be known; see [`crate::source::temperature`].
    pub thermometer: Option<&'c mut dyn FnMut() -> Option<f64>>,
    /// What is logged of requests, if that can be known.
    pub request_log: Option<&'c mut dyn RequestLog>,
    /// Told what happens. Called between two reads, so it should not take long.
    pub events: &'c mut dyn FnMut(&Event),
}

impl<'c> Controls<'c> {
    /// The same for one part of a run.
    pub fn again(&mut self) -> Controls<'_> {
        Controls {
            stop: self.stop,
            thermometer: self.thermometer.as_mut().map(|ask| &mut **ask as _),
            request_log: self.request_log.as_mut().map(|log| &mut **log as _),
            events: &mut *self.events,
        }
    }
}
