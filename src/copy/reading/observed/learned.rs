//! What this drive's own reads have told: how long they take, and how retries turn out.

use crate::base::extent::Extent;
use std::time::Duration;

/// Until reads have told better: 100 MB/s, 7 s for a failed read, 0.3 ms for a small request that follows another, 10 ms
/// for one that goes back (common practice, no source).
const RATE: f64 = 100e6;
const FAILED_SECONDS: f64 = 7.0;
const FORWARD_SECONDS: f64 = 0.3e-3;
const BACKWARD_SECONDS: f64 = 10e-3;

/// A request of at least so many bytes tells the rate.
const LARGE: u64 = 256 << 10;

/// Large requests before a read can be called slow.
const ENOUGH: u32 = 16;

/// A read is slow when it takes more than so many times what its bytes take, and more than so many seconds beside that.
const SLOW_TIMES: f64 = 3.0;
const SLOW_BESIDE: f64 = 0.050;
const SLOW_SEEK: f64 = 0.050;

/// How much a range's own reads count against those of all ranges like it.
const ALL_PLACES: f64 = 2.0;

/// What each failure in a row leaves of the chance that the next read arrives: few reads beside a lone bad sector fail, and
/// all in a dead range (a choice, no source).
const AGAIN: f64 = 0.6;

/// Smallest requests of a scan that may come through, in bytes.
const LEAST_SCAN: u64 = 64 << 10;

/// A chance with what is known of it: the two counts of a Beta distribution, which begin with what is believed before
/// anything is seen.
#[derive(Clone, Copy, Debug)]
pub(in crate::copy::reading) struct Chance {
    good: f64,
    bad: f64,
}

impl Chance {
    const fn believed(good: f64, bad: f64) -> Chance {
        Chance { good, bad }
    }

    pub(in crate::copy::reading) fn saw(&mut self, good: bool) {
        if good {
            self.good += 1.0;
        } else {
            self.bad += 1.0;
        }
    }

    /// The mean of the distribution.
    pub(in crate::copy::reading) fn mean(&self) -> f64 {
        self.good / (self.good + self.bad)
    }

    /// The same for a sector that has failed so many times.
    pub(in crate::copy::reading) fn once_more(&self, failed: u16) -> f64 {
        ALL_PLACES * self.mean() / (ALL_PLACES + f64::from(failed))
    }

    /// The same for a range where so many steps brought bytes, and so many since then failed at once.
    pub(in crate::copy::reading) fn at(&self, good: u16, bad: u16) -> f64 {
        let own = (ALL_PLACES * self.mean() + f64::from(good)) / (ALL_PLACES + f64::from(good));
        own * AGAIN.powi(i32::from(bad))
    }
}

/// What a first request of a step is about. Each kind is learned apart for ranges up to a request long and for longer ones.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::copy::reading) enum ChanceKind {
    /// It follows what is readable.
    Open,
    /// It lies right beside what failed.
    Beside,
    /// It lies in the middle of a range between two failures.
    Middle,
    /// A scan that began well goes on to what is bad at the other side.
    Through,
}

/// Times and chances.
pub(in crate::copy::reading) struct Learned {
    seconds_a_byte: f64,
    large: u32,
    pub(in crate::copy::reading) failed_seconds: f64,
    any_failed: bool,
    forward: f64,
    backward: f64,
    chances: [[Chance; 2]; 4],
    /// A request that does not follow the one before arrives.
    extents: Chance,
    /// A sector that has failed alone answers.
    pub(in crate::copy::reading) alone: Chance,
    /// What probably lies under a bad head is read all the same: a weak head reads, a dead one does not.
    pub(in crate::copy::reading) bad_head_success: Chance,
    unit: u64,
    request: u64,
    /// The byte behind the last request.
    at: u64,
}

#[allow(clippy::cast_precision_loss, reason = "times and chances need no 53 bits")]
pub(in crate::copy::reading) fn to_f64(value: u64) -> f64 {
    value as f64
}

impl Learned {
    /// For requests of up to `request` bytes on a drive with physical sectors of `unit` bytes.
    pub(in crate::copy::reading) fn new(unit: u64, request: u64) -> Learned {
        Learned {
            seconds_a_byte: 1.0 / RATE,
            large: 0,
            failed_seconds: FAILED_SECONDS,
            any_failed: false,
            forward: FORWARD_SECONDS,
            backward: BACKWARD_SECONDS,
            chances: [
                [Chance::believed(4.0, 1.0); 2],
                [Chance::believed(2.0, 1.0), Chance::believed(1.0, 1.0)],
                [Chance::believed(0.5, 0.5), Chance::believed(0.5, 0.5)],
                [Chance::believed(2.0, 1.0); 2],
            ],
            extents: Chance::believed(3.0, 1.0),
            alone: Chance::believed(1.0, 4.0),
            bad_head_success: Chance::believed(0.1, 0.4),
            unit,
            request,
            at: 0,
        }
    }

    /// The chance of a kind for ranges of `bytes` bytes.
    pub(in crate::copy::reading) fn chance(&mut self, kind: ChanceKind, bytes: u64) -> &mut Chance {
        &mut self.chances[kind as usize][usize::from(bytes > self.request)]
    }

    /// The mean of that chance.
    pub(in crate::copy::reading) fn of(&self, kind: ChanceKind, bytes: u64) -> Chance {
        self.chances[kind as usize][usize::from(bytes > self.request)]
    }

    /// A read failed.
    pub(in crate::copy::reading) fn failed(&mut self, extent: Extent, took: Duration) {
        let share = if self.any_failed { 0.2 } else { 1.0 };
        self.any_failed = true;
        self.failed_seconds += share * (took.as_secs_f64().max(1e-3) - self.failed_seconds);
        self.extents.saw(false);
        self.at = extent.end();
    }

    /// Bytes arrived. Gives the seconds a byte when that was so slow that its place is better left: several times what is usual on
    /// this drive, where `pace` seconds a byte are usual at this place. A limit in seconds, the same for every drive, is
    /// `CopyOptions::slow`; the smaller difference that tells of a weak head is judged in `drive::heads`.
    pub(in crate::copy::reading) fn arrived(&mut self, extent: Extent, took: Duration, pace: f64) -> Option<f64> {
        let (took, bytes) = (took.as_secs_f64(), to_f64(extent.bytes));
        let (onward, back) = (extent.start.0 == self.at, extent.end() <= self.at);
        self.at = extent.end();
        if !onward {
            self.extents.saw(true);
        }
        let usual = bytes * pace.max(self.seconds_a_byte);
        let beside = if onward { SLOW_BESIDE } else { SLOW_SEEK };
        let slow = self.large >= ENOUGH && took > SLOW_TIMES * usual + beside;
        if extent.bytes >= LARGE && onward {
            let now = took / bytes;
            // A faster read tells more than a slower one, which can have many reasons.
            let share = if self.large == 0 {
                1.0
            } else if now < self.seconds_a_byte {
                0.3
            } else if slow {
                0.0
            } else {
                0.05
            };
            self.seconds_a_byte += share * (now - self.seconds_a_byte);
            self.large += 1;
        } else if !slow && back {
            let beside = (took - bytes * self.seconds_a_byte).max(1e-5);
            self.backward += 0.1 * (beside - self.backward);
        } else if !slow && onward {
            self.forward += 0.1 * (took - self.forward);
        }
        slow.then_some(took / bytes)
    }

    /// How long requests of a scan over `bytes` bytes are, when it fails with a chance of `fails`: the smallest for which the
    /// requests cost no more than half of the failed read that is expected. Where they are single sectors, the failure names
    /// the bad one.
    pub(in crate::copy::reading) fn scan_request(&self, bytes: u64, fails: f64, backward: bool) -> u64 {
        let each = if backward { self.backward } else { self.forward };
        let most = (self.failed_seconds * fails.max(0.05) / 2.0 / each).max(1.0);
        let least = to_f64(bytes) / most;
        let mut request = if fails < 0.9 { self.unit.max(LEAST_SCAN.min(self.request)) } else { self.unit };
        while to_f64(request) < least && request < self.request {
            request *= 2;
        }
        request.min(self.request)
    }

    /// Seconds for reading `bytes` bytes in requests of `request`, where `pace` seconds a byte are usual.
    pub(in crate::copy::reading) fn reading(&self, bytes: u64, request: u64, pace: f64, backward: bool) -> f64 {
        let each = if backward { self.backward } else { self.forward };
        to_f64(bytes) * pace.max(self.seconds_a_byte) + to_f64(bytes.div_ceil(request.max(1))) * each
    }
}

impl Learned {
    /// The chance that an extent fails.
    pub(in crate::copy::reading) fn fails(&self) -> f64 {
        1.0 - self.extents.mean()
    }

    /// Seconds for an extent that is read after a seek.
    pub(in crate::copy::reading) fn extent_seconds(&self, bytes: u64) -> f64 {
        self.backward + to_f64(bytes) * self.seconds_a_byte
    }

    /// The physical sector, in bytes.
    pub(in crate::copy::reading) fn unit(&self) -> u64 {
        self.unit
    }

    /// No request is longer from now on.
    pub(in crate::copy::reading) fn limit_requests(&mut self, bytes: u64) {
        self.request = self.request.min((bytes / self.unit).max(1) * self.unit);
    }

    /// The largest request, in bytes.
    pub(in crate::copy::reading) fn request(&self) -> u64 {
        self.request
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first large read gives the rate; of later ones a faster one tells more than a slower one, and a slow one nothing.
    #[test]
    fn the_rate_follows_large_reads() {
        const MIB: u64 = 1 << 20;
        let mut learned = Learned::new(512, MIB);
        let mut at = 0;
        let mut read = |learned: &mut Learned, milliseconds: u64| {
            let extent = Extent::between(at, at + MIB);
            at = extent.end();
            let slow = learned.arrived(extent, Duration::from_millis(milliseconds), 0.0);
            (learned.reading(MIB, MIB, 0.0, false) - FORWARD_SECONDS, slow)
        };
        for (milliseconds, seconds) in [(20, 0.020), (10, 0.017), (40, 0.017 + 0.05 * 0.023)] {
            let (learned, slow) = read(&mut learned, milliseconds);
            assert!((learned - seconds).abs() < 1e-9 && slow.is_none(), "{learned} s, not {seconds}");
        }
        // Before enough is known nothing is slow.
        assert_eq!(read(&mut learned, 5000).1, None);
        let mut usual = 0.0;
        for _ in 0..100 {
            usual = read(&mut learned, 10).0;
        }
        assert!((usual - 0.010).abs() < 1e-4, "{usual}");
        #[allow(clippy::cast_precision_loss, reason = "a power of two")]
        let slow = 0.100 / MIB as f64;
        assert_eq!(read(&mut learned, 100), (usual, Some(slow)));
        assert_eq!(read(&mut learned, 79).1, None);
    }
}
