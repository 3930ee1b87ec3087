//! How far trouble reaches on this drive, and how far to jump ahead when a read fails.

use crate::copy::reading::observed::learned::to_f64;
use std::collections::VecDeque;

/// The latest ranges of trouble that are remembered.
const MOST: usize = 32;

/// Before anything is seen, ranges that are not over with their first request are as likely of any length up to 256 MiB,
/// on a scale of powers (a choice, no source).
const LONGEST: f64 = 268_435_456.0;

/// A jump leads out of the trouble with this chance.
const OUT: f64 = 0.5;

/// Less than this is not known of a length.
const LITTLE: f64 = 0.02;

/// Where ranges of trouble ended: each somewhere between the end of the last request that failed and the start of the
/// first that did not, counted from its start.
pub(super) struct TroubleLengths {
    /// The share of ranges that are over with their first request, before anything is seen.
    over_at_once: f64,
    seen: VecDeque<(f64, f64)>,
}

/// The chance that a length between `low` and `high` is above `at`, all powers being as likely.
fn above(at: f64, low: f64, high: f64) -> f64 {
    if at >= high {
        0.0
    } else if at <= low {
        1.0
    } else {
        (high / at).ln() / (high / low).ln()
    }
}

impl TroubleLengths {
    pub(super) fn new(over_at_once: f64) -> TroubleLengths {
        TroubleLengths { over_at_once, seen: VecDeque::new() }
    }

    /// Trouble ended.
    pub(super) fn saw(&mut self, failed_to: u64, good_from: u64) {
        if self.seen.len() == MOST {
            self.seen.pop_front();
        }
        let low = to_f64(failed_to.max(1));
        self.seen.push_back((low, to_f64(good_from).max(low)));
    }

    /// How much of what is known lies above `at`.
    fn above(&self, at: f64, request: f64) -> f64 {
        let before = if at < request { 1.0 } else { (1.0 - self.over_at_once) * above(at, request, LONGEST) };
        before + self.seen.iter().map(|(low, high)| above(at, *low, *high)).sum::<f64>()
    }

    /// Where the next request is made, after trouble over `reached` bytes: as near as leaves the trouble with even chances.
    /// `reached` itself means right behind what failed.
    pub(super) fn next(&self, reached: u64, request: u64) -> u64 {
        let request_bytes = to_f64(request);
        let above = |at: u64| self.above(to_f64(at), request_bytes);
        let behind = above(reached);
        // Beyond all that is known, twice as far each time.
        if behind < LITTLE {
            return reached.saturating_mul(2);
        }
        if behind <= (1.0 - OUT) * above(reached.saturating_sub(request)) {
            return reached;
        }
        let mut to = reached;
        while above(to) > (1.0 - OUT) * behind {
            to = to.saturating_add(to / 8 + 1);
        }
        to
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    #[test]
    fn a_first_failure_is_left_by_nothing_and_a_second_far() {
        let lengths = TroubleLengths::new(0.6);
        assert_eq!(lengths.next(MIB, MIB), MIB);
        let second = lengths.next(2 * MIB, MIB) / MIB;
        assert!((16..40).contains(&second), "{second}");
        let mut reached = second * MIB;
        for _ in 0..6 {
            let next = lengths.next(reached, MIB);
            assert!(next > reached + reached / 20, "{next}");
            reached = next + MIB;
        }
        assert!(reached > 600 * MIB, "{reached}");
    }

    #[test]
    fn what_was_seen_is_what_is_jumped() {
        let mut lengths = TroubleLengths::new(0.6);
        for _ in 0..8 {
            lengths.saw(90 * MIB, 140 * MIB);
        }
        let first = lengths.next(MIB, MIB) / MIB;
        assert!((90..140).contains(&first), "{first}");
    }
}
