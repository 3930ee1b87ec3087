//! How to copy, and the ways in which the outside takes part.

use super::{CopyError, Event};
use crate::allocation::Class;
use crate::source::SourceIdentity;
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
}

/// How to copy. `docs/copying.md` gives the reasons for the usual values.
#[derive(Clone, PartialEq, Debug)]
pub struct CopyOptions {
    /// Largest request in bytes; requests end on its multiples where they can. A multiple of the physical sector up
    /// to [`CopyOptions::LARGEST_REQUEST`]. Usually 1 MiB.
    pub request_bytes: u64,
    /// How far a first failure makes the sweep jump, in bytes. Doubled by each further failure, halved by each success.
    /// Usually 64 KiB.
    pub first_step: u64,
    /// The longest jump, in bytes. Usually 64 MiB.
    pub largest_step: u64,
    /// Attempts at a sector beyond the one that found it unreadable. Usually 1.
    pub retries: u32,
    /// A read that takes longer counts as trouble. Usually none.
    pub slow: Option<Duration>,
    /// How long a class may spend on its deferred places before the next class has its turn, as a multiple of the time
    /// its sweep took. Usually 1.
    pub trouble_share: f64,
    /// The least time a class may spend so, whatever its sweep took. Usually 10 minutes.
    pub trouble_minimum: Duration,
    /// Above this temperature in degrees Celsius nothing is read. Usually 55 (common practice, no source).
    pub warm_limit: f64,
    /// How often the temperature is asked for. Usually every 5 s.
    pub temperature_every: Duration,
    /// When to stop although there is more to read.
    pub stop_after: StopAfter,
    /// The last class to read; the plan's later ones stay waiting. Usually none: all are read.
    pub through: Option<Class>,
}

impl CopyOptions {
    /// The largest request that can be asked for: 16 MiB. Two of them are in memory at once.
    pub const LARGEST_REQUEST: u64 = 16 << 20;

    /// How many degrees Celsius below [`CopyOptions::warm_limit`] reading starts again.
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
            request_bytes: 1 << 20,
            first_step: 64 << 10,
            largest_step: 64 << 20,
            retries: 1,
            slow: None,
            trouble_share: 1.0,
            trouble_minimum: Duration::from_secs(600),
            warm_limit: 55.0,
            temperature_every: Duration::from_secs(5),
            stop_after: StopAfter::default(),
            through: None,
        }
    }
}

/// The ways in which the outside takes part while a copy runs. All are used from the thread that called.
pub struct Controls<'c> {
    /// Set to stop: the read under way is finished, what arrived is committed.
    pub stop: &'c AtomicBool,
    /// The drive's temperature in degrees Celsius, where it can be known; see [`crate::source::temperature`].
    pub thermometer: Option<&'c mut dyn FnMut() -> Option<f64>>,
    /// Told what happens. Called between two reads, so it should not take long.
    pub events: &'c mut dyn FnMut(&Event),
}

impl<'c> Controls<'c> {
    /// The same for one part of a run.
    pub fn again(&mut self) -> Controls<'_> {
        Controls {
            stop: self.stop,
            thermometer: self.thermometer.as_mut().map(|ask| &mut **ask as _),
            events: &mut *self.events,
        }
    }
}
