//! What a journal's claims come to: for each byte of the drive, whether it is copied, skipped, unreadable or not read yet.

use super::JournalClaim;
use crate::base::extent::Extent;
use crate::source::{RangeMark, Skip};
use rangemap::RangeMap;

/// What is known of a range.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum RangeState {
    /// Nothing is claimed, or what was claimed was withdrawn.
    NotRead,
    /// Left for later.
    Skipped,
    /// Failed at every try so far.
    Unreadable,
    /// Durably in the image.
    Copied,
}

/// The state of every byte of the drive. Each claim costs the logarithm of the number of ranges, wherever it lies.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Ranges {
    copied: Labelled<()>,
    skipped: Labelled<Skip>,
    unreadable: Labelled<u16>,
}

impl Ranges {
    /// Nothing is read yet.
    pub fn new() -> Ranges {
        Ranges::default()
    }

    /// Takes a claim on, in the order of the journal. A copied range leaves that state by a withdrawal alone, an unreadable
    /// one by being copied or retried alone.
    pub fn apply(&mut self, claim: &JournalClaim) {
        match *claim {
            JournalClaim::Copied { extent, .. } => {
                self.copied.insert(extent, ());
                self.skipped.remove(extent);
                self.unreadable.remove(extent);
            }
            JournalClaim::Marked(mark) => self.mark(&mark),
            JournalClaim::RunBegan { .. } => {}
        }
    }

    /// Takes a mark on.
    pub fn mark(&mut self, mark: &RangeMark) {
        match *mark {
            RangeMark::Unreadable { extent, tries, .. } => {
                for rest in self.copied.gaps(extent) {
                    self.skipped.remove(rest);
                    self.unreadable.insert(rest, tries);
                }
            }
            RangeMark::Skipped { extent, why, .. } => {
                for uncopied in self.copied.gaps(extent) {
                    for rest in self.unreadable.gaps(uncopied) {
                        self.skipped.insert(rest, why);
                    }
                }
            }
            RangeMark::Withdrawn { extent } => self.copied.remove(extent),
            RangeMark::Retry { extent } => {
                for place in self.unreadable(extent) {
                    self.unreadable.remove(place);
                    self.skipped.insert(place, Skip::Again);
                }
            }
        }
    }

    /// What of `extent` is copied, ascending.
    pub fn held(&self, extent: Extent) -> Vec<Extent> {
        self.copied.within(extent).map(|(place, ())| place).collect()
    }

    /// What of `extent` is skipped, ascending.
    pub fn skipped(&self, extent: Extent) -> Vec<Extent> {
        joined(self.skipped.within(extent).map(|(place, _)| place))
    }

    /// What of `extent` is skipped and why, ascending.
    pub fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        self.skipped.within(extent).collect()
    }

    /// What of `extent` is unreadable, ascending.
    pub fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        joined(self.unreadable.within(extent).map(|(place, _)| place))
    }

    /// What of `extent` is unreadable and how often it was tried alone, ascending.
    pub fn tries(&self, extent: Extent) -> Vec<(Extent, u16)> {
        self.unreadable.within(extent).collect()
    }

    /// `extent` cut where the state changes: the parts cover it, ascending, without gap.
    pub fn states(&self, extent: Extent) -> Vec<(Extent, RangeState)> {
        let state = |list: Vec<Extent>, state| list.into_iter().map(move |place| (place, state));
        let mut parts: Vec<(Extent, RangeState)> = state(self.held(extent), RangeState::Copied)
            .chain(state(self.skipped(extent), RangeState::Skipped))
            .chain(state(self.unreadable(extent), RangeState::Unreadable))
            .collect();
        parts.sort_unstable();
        let mut states = Vec::with_capacity(parts.len() * 2 + 1);
        let mut at = extent.start.0;
        for (part, state) in parts {
            if part.start.0 > at {
                states.push((Extent::between(at, part.start.0), RangeState::NotRead));
            }
            at = part.end();
            states.push((part, state));
        }
        if at < extent.end() {
            states.push((Extent::between(at, extent.end()), RangeState::NotRead));
        }
        states
    }

    /// All that is copied, ascending, no two touching.
    pub fn iter_copied(&self) -> impl Iterator<Item = Extent> {
        self.copied.iter()
    }

    /// All that is skipped, ascending, no two touching.
    pub fn iter_skipped(&self) -> impl Iterator<Item = Extent> {
        Joined { ranges: self.skipped.iter(), open: None }
    }

    /// All that is unreadable, ascending, no two touching.
    pub fn iter_unreadable(&self) -> impl Iterator<Item = Extent> {
        Joined { ranges: self.unreadable.iter(), open: None }
    }

    /// Number of bytes copied.
    pub fn copied_bytes(&self) -> u64 {
        self.copied.bytes
    }

    /// Number of bytes skipped.
    pub fn skipped_bytes(&self) -> u64 {
        self.skipped.bytes
    }

    /// Number of bytes unreadable.
    pub fn unreadable_bytes(&self) -> u64 {
        self.unreadable.bytes
    }
}

/// Joins extents that touch.
struct Joined<I> {
    ranges: I,
    open: Option<Extent>,
}

impl<I: Iterator<Item = Extent>> Iterator for Joined<I> {
    type Item = Extent;

    fn next(&mut self) -> Option<Extent> {
        loop {
            match (self.open, self.ranges.next()) {
                (Some(open), Some(next)) if open.end() == next.start.0 => {
                    self.open = Some(Extent::between(open.start.0, next.end()));
                }
                (None, Some(next)) => self.open = Some(next),
                (open, next) => {
                    self.open = next;
                    return open;
                }
            }
        }
    }
}

fn joined(ranges: impl Iterator<Item = Extent>) -> Vec<Extent> {
    Joined { ranges, open: None }.collect()
}

/// A set of bytes, each with a label, that knows how many it holds.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Labelled<T: Copy + Eq> {
    ranges: RangeMap<u64, T>,
    bytes: u64,
}

impl<T: Copy + Eq> Default for Labelled<T> {
    fn default() -> Labelled<T> {
        Labelled { ranges: RangeMap::new(), bytes: 0 }
    }
}

impl<T: Copy + Eq> Labelled<T> {
    fn insert(&mut self, extent: Extent, label: T) {
        if extent.is_empty() {
            return;
        }
        self.bytes += extent.bytes - self.shared(extent);
        self.ranges.insert(extent.start.0..extent.end(), label);
    }

    fn remove(&mut self, extent: Extent) {
        let shared = self.shared(extent);
        if shared > 0 {
            self.bytes -= shared;
            self.ranges.remove(extent.start.0..extent.end());
        }
    }

    fn shared(&self, extent: Extent) -> u64 {
        self.within(extent).map(|(part, _)| part.bytes).sum()
    }

    fn within(&self, extent: Extent) -> impl Iterator<Item = (Extent, T)> {
        // An empty range is a mistake in the crate's eyes, not an empty answer.
        let asked = (!extent.is_empty()).then_some(extent.start.0..extent.end());
        asked.into_iter().flat_map(move |asked| {
            self.ranges.overlapping(asked).filter_map(move |(range, label)| {
                Some((Extent::between(range.start, range.end).intersection(&extent)?, *label))
            })
        })
    }

    fn gaps(&self, extent: Extent) -> Vec<Extent> {
        if extent.is_empty() {
            return Vec::new();
        }
        self.ranges.gaps(&(extent.start.0..extent.end())).map(|gap| Extent::between(gap.start, gap.end)).collect()
    }

    fn iter(&self) -> impl Iterator<Item = Extent> {
        self.ranges.iter().map(|(range, _)| Extent::between(range.start, range.end))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::Failure;
    use crate::store::journal::ChunkHash;
    use proptest::prelude::*;

    fn claims(kinds: u8) -> impl Strategy<Value = Vec<JournalClaim>> {
        let one = (0..kinds, 0u64..200, 1u64..50, 0u16..3).prop_map(|(kind, start, bytes, tries)| {
            let extent = Extent::new(start, bytes).unwrap();
            let failure = Failure::default();
            match kind {
                0 => JournalClaim::Copied { extent, hash: ChunkHash([0; 32]) },
                1 => JournalClaim::Marked(RangeMark::Skipped { extent, why: Skip::Near, failure }),
                2 => JournalClaim::Marked(RangeMark::Unreadable { extent, tries, failure }),
                3 => JournalClaim::Marked(RangeMark::Withdrawn { extent }),
                _ => JournalClaim::Marked(RangeMark::Retry { extent }),
            }
        });
        prop::collection::vec(one, 0..25)
    }

    /// The plain meaning, byte by byte.
    fn by_byte(claims: &[JournalClaim]) -> [RangeState; 256] {
        use RangeState::{Copied, NotRead, Skipped, Unreadable};
        let mut states = [NotRead; 256];
        for claim in claims {
            let extent = claim.extent().unwrap();
            for at in extent.start.0..extent.end() {
                let state = &mut states[usize::try_from(at).unwrap()];
                *state = match (claim, *state) {
                    (JournalClaim::Copied { .. }, _) => Copied,
                    (JournalClaim::Marked(RangeMark::Unreadable { .. }), held) => held.max(Unreadable),
                    (JournalClaim::Marked(RangeMark::Skipped { .. }), held) => held.max(Skipped),
                    (JournalClaim::Marked(RangeMark::Withdrawn { .. }), Copied) => NotRead,
                    (JournalClaim::Marked(RangeMark::Retry { .. }), Unreadable) => Skipped,
                    (_, held) => held,
                };
            }
        }
        states
    }

    fn ranges(claims: &[JournalClaim]) -> Ranges {
        let mut ranges = Ranges::new();
        claims.iter().for_each(|claim| ranges.apply(claim));
        ranges
    }

    proptest! {
        #[test]
        fn ranges_agree_with_a_byte_map(claims in claims(5), from in 0u64..250, length in 0u64..250) {
            let expected = by_byte(&claims);
            let ranges = ranges(&claims);
            let count = |state| expected.iter().filter(|&&held| held == state).count() as u64;
            prop_assert_eq!(ranges.copied_bytes(), count(RangeState::Copied));
            prop_assert_eq!(ranges.skipped_bytes(), count(RangeState::Skipped));
            prop_assert_eq!(ranges.unreadable_bytes(), count(RangeState::Unreadable));

            let within = Extent::between(from, (from + length).min(256));
            let mut at = within.start.0;
            for (part, state) in ranges.states(within) {
                prop_assert_eq!(part.start.0, at);
                prop_assert!(!part.is_empty());
                for byte in part.start.0..part.end() {
                    prop_assert_eq!(expected[usize::try_from(byte).unwrap()], state);
                }
                at = part.end();
            }
            prop_assert!(at == within.end() || within.is_empty());
            let touching = |list: &[Extent]| list.windows(2).any(|pair| pair[0].end() >= pair[1].start.0);
            let all = Extent::between(0, 256);
            prop_assert!(!touching(&ranges.skipped(all)) && !touching(&ranges.unreadable(all)));
            prop_assert_eq!(ranges.iter_skipped().collect::<Vec<_>>(), ranges.skipped(all));
            prop_assert_eq!(ranges.iter_unreadable().collect::<Vec<_>>(), ranges.unreadable(all));
        }

        /// The claims of version 1 commute, so that it made no difference in which order they were taken.
        #[test]
        fn without_withdrawal_and_retry_the_order_does_not_matter(claims in claims(3), turn in 0usize..25) {
            let states = |claims: &[JournalClaim]| ranges(claims).states(Extent::between(0, 256));
            let forward = states(&claims);
            let turned = turn.min(claims.len());
            let backward: Vec<JournalClaim> = claims.iter().rev().copied().collect();
            prop_assert_eq!(&forward, &states(&backward));
            prop_assert_eq!(&forward, &states(&[&claims[turned..], &claims[..]].concat()));
        }
    }

    #[test]
    fn reasons_and_tries_stay_with_their_places() {
        let mut ranges = Ranges::new();
        let (one, two) = (Extent::between(0, 512), Extent::between(512, 1024));
        let failure = Failure::default();
        ranges.mark(&RangeMark::Skipped { extent: one, why: Skip::Near, failure });
        ranges.mark(&RangeMark::Skipped { extent: two, why: Skip::Suspect, failure });
        let both = Extent::between(0, 1024);
        assert_eq!(ranges.skipped(both), [both]);
        assert_eq!(ranges.skips(both), [(one, Skip::Near), (two, Skip::Suspect)]);
        ranges.mark(&RangeMark::Unreadable { extent: two, tries: 2, failure });
        assert_eq!(ranges.tries(both), [(two, 2)]);
        ranges.mark(&RangeMark::Retry { extent: both });
        assert_eq!(ranges.skips(both), [(one, Skip::Near), (two, Skip::Again)]);
    }

    #[test]
    fn the_ends_of_the_address_range() {
        let last = Extent::between(u64::MAX - 512, u64::MAX);
        let mut ranges = Ranges::new();
        ranges.mark(&RangeMark::Skipped { extent: last, why: Skip::Near, failure: Failure::default() });
        let all = Extent::between(0, u64::MAX);
        assert_eq!(ranges.states(all).len(), 2);
        assert_eq!(ranges.held(Extent::between(5, 5)), []);
        assert_eq!(ranges.states(Extent::between(5, 5)), []);
    }
}
