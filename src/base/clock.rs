//! The one clock: the machine's, or that of a simulated drive, on which a day passes in seconds.
//!
//! Whatever is timed while a drive is read is timed on the clock of its source. On a simulated clock time passes only by
//! [`Clock::sleep`], so a result never depends on how fast the machine is.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A clock. Clones show the same time.
#[derive(Clone, Debug)]
pub struct Clock(Kind);

#[derive(Clone, Debug)]
enum Kind {
    Machine {
        began: Instant,
    },
    /// Nanoseconds since it was made: 584 years fit.
    Simulated(Arc<AtomicU64>),
}

/// A moment on a clock: the time since the clock was made.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct Moment(pub Duration);

impl Moment {
    /// The time from an earlier moment to this one; zero when `earlier` is later.
    pub fn since(self, earlier: Moment) -> Duration {
        self.0.saturating_sub(earlier.0)
    }
}

impl Clock {
    /// The machine's clock, which no change of the time of day moves.
    pub fn machine() -> Clock {
        Clock(Kind::Machine { began: Instant::now() })
    }

    /// A clock that stands still until something sleeps on it.
    pub fn simulated() -> Clock {
        Clock(Kind::Simulated(Arc::default()))
    }

    /// Whether time passes only when something sleeps.
    pub fn is_simulated(&self) -> bool {
        matches!(self.0, Kind::Simulated(_))
    }

    /// The time now.
    pub fn now(&self) -> Moment {
        Moment(match &self.0 {
            Kind::Machine { began } => began.elapsed(),
            Kind::Simulated(passed) => Duration::from_nanos(passed.load(Ordering::SeqCst)),
        })
    }

    /// The time that has passed since `earlier`.
    pub fn since(&self, earlier: Moment) -> Duration {
        self.now().since(earlier)
    }

    /// Lets `time` pass.
    pub fn sleep(&self, time: Duration) {
        match &self.0 {
            Kind::Machine { .. } => std::thread::sleep(time),
            Kind::Simulated(passed) => {
                passed.fetch_add(u64::try_from(time.as_nanos()).unwrap_or(u64::MAX), Ordering::SeqCst);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_simulated_day_passes_at_once_and_for_every_clone() {
        let real = Instant::now();
        let clock = Clock::simulated();
        let other = clock.clone();
        let noon = other.now();
        clock.sleep(Duration::from_secs(86_400));
        assert_eq!(other.since(noon), Duration::from_secs(86_400));
        assert_eq!(noon.since(other.now()), Duration::ZERO);
        assert!(real.elapsed() < Duration::from_secs(60));
    }

    #[test]
    fn the_machines_clock_goes_by_itself() {
        let clock = Clock::machine();
        let before = clock.now();
        std::thread::sleep(Duration::from_millis(2));
        assert!(clock.since(before) >= Duration::from_millis(2));
    }
}
