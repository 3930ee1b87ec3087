//! How a copy ended.

use crate::base::extent::Extent;
use crate::copy::reading::early_end::StopReason;
use crate::copy::reading::observed::check::CheckFigures;
use crate::survey::allocation::Class;
use serde::Serialize;

/// How a copy ended, and what became of the plan.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CopyOutcome {
    /// Why it ended.
    pub end: End,
    /// The classes that the plan reads, in order, as the store has them at the end.
    pub classes: Vec<ClassOutcome>,
    /// Requests made in this run, failed ones included.
    pub requests: u64,
    /// Of those, failed.
    pub failed_requests: u64,
    /// Of those, slower than allowed.
    pub slow_requests: u64,
    /// How often the kernel reset the drive or its link during this run's requests, as far as its log tells.
    pub resets: u64,
    /// Bytes that arrived in this run.
    pub arrived_bytes: u64,
    /// Sectors read once more to see whether the drive still gives its own bytes; in none of the numbers above.
    pub checks: CheckFigures,
    /// Where requests failed in this run, ascending.
    pub bad_regions: Vec<BadRegion>,
    /// Failed requests outside the listed regions: more than 65,536 regions are not listed.
    pub failed_requests_unlisted: u64,
    /// Seconds in all.
    pub seconds: f64,
    /// Of those, spent waiting for the drive to cool.
    pub paused_seconds: f64,
}

/// Why a copy ended.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(tag = "why", rename_all = "kebab-case")]
pub enum End {
    /// Nothing is left to do: all planned bytes are copied or unreadable.
    Complete,
    /// What is left is skipped, and an hour's work on it is expected to bring too little. Run again with
    /// [`crate::copy::reading::CopyOptions::to_the_end`] to try all of it.
    LittleLeft {
        /// Bytes of class `files` that the next hour is expected to bring.
        next_hour_bytes: u64,
    },
    /// It was stopped; run again to go on.
    Stopped {
        /// By what.
        reason: StopReason,
    },
    /// The drive vanished; run again when it is back.
    Gone {
        /// What was being read. It stays not read yet or skipped as it was.
        extent: Extent,
        /// What the kernel said.
        message: String,
    },
    /// The drive is there, but answers nothing: not even what it gave before. Run again when it has rested, or after power
    /// was off; what it did not answer counts as skipped.
    Silent {
        /// The first request that it did not answer.
        extent: Extent,
        /// Requests that failed in a row.
        failed_in_a_row: u32,
    },
    /// The drive answers with other bytes than it gave before. Constant bytes that came since it last gave its own are
    /// withdrawn: they are read again.
    Changed {
        /// The first byte that differs, of the drive.
        byte: u64,
        /// Bytes withdrawn.
        withdrawn_bytes: u64,
    },
    /// The destination has no room for more; all that arrived is safe. Run again when there is.
    NoRoom {
        /// Bytes that were left there.
        room: u64,
    },
    /// It failed; only in the outcome that a [`crate::copy::reading::CopyError`] carries.
    Failed,
}

/// What became of a class. The first of the following are parts of the planned bytes; what is in none of them is not read yet.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct ClassOutcome {
    /// The class.
    pub class: Class,
    /// Bytes of its passes, with the gaps that those read through.
    pub planned_bytes: u64,
    /// Held.
    pub copied_bytes: u64,
    /// Skipped.
    pub deferred_bytes: u64,
    /// Given up.
    pub unreadable_bytes: u64,
    /// Requests that failed in this run while the class was read.
    pub failed_requests: u64,
}

/// A range in which requests failed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct BadRegion {
    /// From the first to the last unreadable byte; while nothing in it is unreadable, all that failed requests
    /// were for.
    pub extent: Extent,
    /// Requests that failed in it in this run.
    pub failed_requests: u64,
    /// Unreadable bytes in it.
    pub unreadable_bytes: u64,
    /// Physical sectors of the source that hold those.
    pub unreadable_sectors: u64,
}

impl End {
    /// Whether it ended by itself, with nothing left that it would try now.
    pub fn is_own(&self) -> bool {
        matches!(self, End::Complete | End::LittleLeft { .. })
    }
}

impl CopyOutcome {
    /// Whether all that was planned was read: nothing is skipped or unreadable.
    pub fn has_all(&self) -> bool {
        let (.., skipped, unreadable) = self.totals();
        self.end == End::Complete && skipped + unreadable == 0
    }

    /// This outcome with that of the part before it in the same run: what was counted in a run is added up, what became
    /// of the classes is as this part left it.
    #[must_use]
    pub fn following(mut self, before: CopyOutcome) -> CopyOutcome {
        self.requests += before.requests;
        self.failed_requests += before.failed_requests;
        self.slow_requests += before.slow_requests;
        self.resets += before.resets;
        self.arrived_bytes += before.arrived_bytes;
        self.checks.add(&before.checks);
        self.failed_requests_unlisted += before.failed_requests_unlisted;
        self.seconds += before.seconds;
        self.paused_seconds += before.paused_seconds;
        for class in &mut self.classes {
            let earlier = before.classes.iter().find(|earlier| earlier.class == class.class);
            class.failed_requests += earlier.map_or(0, |earlier| earlier.failed_requests);
        }
        for region in before.bad_regions {
            // A range that was requested in both parts is one region; what is unreadable in it is as it is now.
            match self.bad_regions.iter_mut().find(|now| now.extent.intersection(&region.extent).is_some()) {
                Some(now) => now.failed_requests += region.failed_requests,
                None => self.bad_regions.push(region),
            }
        }
        self.bad_regions.sort_by_key(|region| region.extent);
        self
    }

    /// This outcome as that of a part in which nothing was read.
    #[must_use]
    pub fn with_nothing_new(self) -> CopyOutcome {
        CopyOutcome {
            requests: 0,
            failed_requests: 0,
            slow_requests: 0,
            resets: 0,
            arrived_bytes: 0,
            failed_requests_unlisted: 0,
            seconds: 0.0,
            paused_seconds: 0.0,
            checks: CheckFigures::default(),
            bad_regions: Vec::new(),
            classes: self.classes.into_iter().map(|class| ClassOutcome { failed_requests: 0, ..class }).collect(),
            ..self
        }
    }

    /// Sum over the classes: planned, held, skipped, unreadable, in bytes.
    pub fn totals(&self) -> (u64, u64, u64, u64) {
        self.classes.iter().fold((0, 0, 0, 0), |sum, class| {
            (
                sum.0 + class.planned_bytes,
                sum.1 + class.copied_bytes,
                sum.2 + class.deferred_bytes,
                sum.3 + class.unreadable_bytes,
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An outcome in which every count is another number, `times` over.
    fn outcome(times: u64, regions: &[(u64, u64)]) -> CopyOutcome {
        let class = |class, first: u64| ClassOutcome {
            class,
            planned_bytes: first * times,
            copied_bytes: (first + 1) * times,
            deferred_bytes: (first + 2) * times,
            unreadable_bytes: (first + 3) * times,
            failed_requests: (first + 4) * times,
        };
        #[allow(clippy::cast_precision_loss, reason = "small")]
        let seconds = |count: u64| (count * times) as f64;
        CopyOutcome {
            end: End::Complete,
            classes: vec![class(Class::Tables, 100), class(Class::Files, 200)],
            requests: times,
            failed_requests: 2 * times,
            slow_requests: 3 * times,
            resets: 4 * times,
            arrived_bytes: 5 * times,
            checks: CheckFigures { requests: 6 * times, failed_requests: 7 * times, bytes: 8 * times },
            bad_regions: regions
                .iter()
                .map(|(start, failed_requests)| BadRegion {
                    extent: Extent::between(*start, start + 10),
                    failed_requests: *failed_requests,
                    unreadable_bytes: 512,
                    unreadable_sectors: 1,
                })
                .collect(),
            failed_requests_unlisted: 9 * times,
            seconds: seconds(10),
            paused_seconds: seconds(11),
        }
    }

    #[test]
    fn two_parts_of_a_run_are_counted_together() {
        let whole = outcome(1, &[(50, 1), (100, 2)]).following(outcome(20, &[(105, 4), (0, 8)]));
        let mut expected = outcome(21, &[(0, 8), (50, 1), (100, 6)]);
        // What became of the classes is as the second part left it; only failed requests are of both.
        let now = outcome(1, &[]).classes;
        for (class, now) in expected.classes.iter_mut().zip(now) {
            *class = ClassOutcome { failed_requests: class.failed_requests, ..now };
        }
        assert_eq!(whole, expected);
        assert_eq!(whole.totals(), (300, 302, 304, 306));
        assert!(!whole.has_all());
    }

    #[test]
    fn a_part_that_read_nothing_adds_nothing() {
        let part = outcome(3, &[(0, 1)]).with_nothing_new();
        assert_eq!((part.totals(), part.end.is_own()), (outcome(3, &[]).totals(), true));
        let before = outcome(20, &[(0, 2)]);
        let whole = part.following(before.clone());
        let classes = whole.classes.iter().zip(&before.classes);
        assert!(classes.into_iter().all(|(now, before)| now.failed_requests == before.failed_requests));
        assert_eq!(CopyOutcome { classes: before.classes.clone(), ..whole }, before);
    }
}
