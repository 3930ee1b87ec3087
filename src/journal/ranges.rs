//! What a journal's claims come to: for each byte of the drive, whether it is copied, deferred, unreadable or waiting.

use super::Claim;
use crate::extent::Extent;
use rangemap::RangeSet;

/// What is known of a stretch of the drive.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum RangeState {
    /// Nothing is claimed.
    Waiting,
    /// Tried or skipped, to be come back to.
    Deferred,
    /// Given up.
    Unreadable,
    /// Durably in the image.
    Copied,
}

/// The state of every byte of the drive. Each claim costs the logarithm of the number of stretches, wherever it lies.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Ranges {
    copied: Counted,
    deferred: Counted,
    unreadable: Counted,
}

impl Ranges {
    /// Everything is waiting.
    pub fn new() -> Ranges {
        Ranges::default()
    }

    /// Takes a claim on. A copied place stays copied whatever is claimed later, an unreadable one is not deferred again.
    pub fn apply(&mut self, claim: &Claim) {
        match *claim {
            Claim::Copied { extent, .. } => {
                self.copied.insert(extent);
                self.deferred.remove(extent);
                self.unreadable.remove(extent);
            }
            Claim::Unreadable { extent } => {
                self.deferred.remove(extent);
                for rest in self.copied.gaps(extent) {
                    self.unreadable.insert(rest);
                }
            }
            Claim::Deferred { extent } => {
                for uncopied in self.copied.gaps(extent) {
                    for rest in self.unreadable.gaps(uncopied) {
                        self.deferred.insert(rest);
                    }
                }
            }
        }
    }

    /// What of `extent` is copied, ascending.
    pub fn held(&self, extent: Extent) -> Vec<Extent> {
        self.copied.within(extent).collect()
    }

    /// What of `extent` is deferred, ascending.
    pub fn deferred(&self, extent: Extent) -> Vec<Extent> {
        self.deferred.within(extent).collect()
    }

    /// What of `extent` is unreadable, ascending.
    pub fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        self.unreadable.within(extent).collect()
    }

    /// `extent` cut where the state changes: the pieces cover it, ascending, without gap.
    pub fn states(&self, extent: Extent) -> Vec<(Extent, RangeState)> {
        let mut pieces: Vec<(Extent, RangeState)> = [
            (&self.copied, RangeState::Copied),
            (&self.deferred, RangeState::Deferred),
            (&self.unreadable, RangeState::Unreadable),
        ]
        .into_iter()
        .flat_map(|(set, state)| set.within(extent).map(move |piece| (piece, state)))
        .collect();
        pieces.sort_unstable();
        let mut states = Vec::with_capacity(pieces.len() * 2 + 1);
        let mut at = extent.start.0;
        for (piece, state) in pieces {
            if piece.start.0 > at {
                states.push((Extent::between(at, piece.start.0), RangeState::Waiting));
            }
            at = piece.end();
            states.push((piece, state));
        }
        if at < extent.end() {
            states.push((Extent::between(at, extent.end()), RangeState::Waiting));
        }
        states
    }

    /// All that is copied, ascending, no two touching.
    pub fn iter_copied(&self) -> impl Iterator<Item = Extent> {
        self.copied.iter()
    }

    /// All that is deferred, ascending, no two touching.
    pub fn iter_deferred(&self) -> impl Iterator<Item = Extent> {
        self.deferred.iter()
    }

    /// All that is unreadable, ascending, no two touching.
    pub fn iter_unreadable(&self) -> impl Iterator<Item = Extent> {
        self.unreadable.iter()
    }

    /// Number of bytes copied.
    pub fn copied_bytes(&self) -> u64 {
        self.copied.bytes
    }

    /// Number of bytes deferred.
    pub fn deferred_bytes(&self) -> u64 {
        self.deferred.bytes
    }

    /// Number of bytes unreadable.
    pub fn unreadable_bytes(&self) -> u64 {
        self.unreadable.bytes
    }
}

/// A set of bytes that knows how many it holds.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct Counted {
    ranges: RangeSet<u64>,
    bytes: u64,
}

impl Counted {
    fn insert(&mut self, extent: Extent) {
        if extent.is_empty() {
            return;
        }
        self.bytes += extent.bytes - self.shared(extent);
        self.ranges.insert(extent.start.0..extent.end());
    }

    fn remove(&mut self, extent: Extent) {
        let shared = self.shared(extent);
        if shared > 0 {
            self.bytes -= shared;
            self.ranges.remove(extent.start.0..extent.end());
        }
    }

    fn shared(&self, extent: Extent) -> u64 {
        self.within(extent).map(|piece| piece.bytes).sum()
    }

    fn within(&self, extent: Extent) -> impl Iterator<Item = Extent> {
        // An empty range is a mistake in the crate's eyes, not an empty answer.
        let asked = (!extent.is_empty()).then_some(extent.start.0..extent.end());
        asked.into_iter().flat_map(move |asked| {
            self.ranges
                .overlapping(asked)
                .filter_map(move |range| Extent::between(range.start, range.end).intersection(&extent))
        })
    }

    fn gaps(&self, extent: Extent) -> Vec<Extent> {
        if extent.is_empty() {
            return Vec::new();
        }
        self.ranges.gaps(&(extent.start.0..extent.end())).map(|gap| Extent::between(gap.start, gap.end)).collect()
    }

    fn iter(&self) -> impl Iterator<Item = Extent> {
        self.ranges.iter().map(|range| Extent::between(range.start, range.end))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::ChunkHash;
    use proptest::prelude::*;

    fn claims() -> impl Strategy<Value = Vec<Claim>> {
        let one = (0u8..3, 0u64..200, 1u64..50).prop_map(|(kind, start, bytes)| {
            let extent = Extent::new(start, bytes).unwrap();
            match kind {
                0 => Claim::Copied { extent, hash: ChunkHash([0; 32]) },
                1 => Claim::Deferred { extent },
                _ => Claim::Unreadable { extent },
            }
        });
        prop::collection::vec(one, 0..25)
    }

    /// The plain meaning, byte by byte: the strongest claim made of it.
    fn by_byte(claims: &[Claim]) -> [RangeState; 256] {
        let mut states = [RangeState::Waiting; 256];
        for claim in claims {
            let state = match claim {
                Claim::Copied { .. } => RangeState::Copied,
                Claim::Deferred { .. } => RangeState::Deferred,
                Claim::Unreadable { .. } => RangeState::Unreadable,
            };
            let extent = claim.extent();
            for at in extent.start.0..extent.end() {
                let held = &mut states[usize::try_from(at).unwrap()];
                *held = state.max(*held);
            }
        }
        states
    }

    proptest! {
        #[test]
        fn ranges_agree_with_a_byte_map(claims in claims(), from in 0u64..250, length in 0u64..250) {
            let expected = by_byte(&claims);
            let mut ranges = Ranges::new();
            for claim in &claims {
                ranges.apply(claim);
            }
            let count = |state| expected.iter().filter(|&&held| held == state).count() as u64;
            prop_assert_eq!(ranges.copied_bytes(), count(RangeState::Copied));
            prop_assert_eq!(ranges.deferred_bytes(), count(RangeState::Deferred));
            prop_assert_eq!(ranges.unreadable_bytes(), count(RangeState::Unreadable));

            let within = Extent::between(from, (from + length).min(256));
            let mut at = within.start.0;
            for (piece, state) in ranges.states(within) {
                prop_assert_eq!(piece.start.0, at);
                prop_assert!(!piece.is_empty());
                for byte in piece.start.0..piece.end() {
                    prop_assert_eq!(expected[usize::try_from(byte).unwrap()], state);
                }
                at = piece.end();
            }
            prop_assert!(at == within.end() || within.is_empty());
            let held = |list: Vec<Extent>| list.iter().map(|piece| piece.bytes).sum::<u64>();
            let in_states = |wanted| -> u64 {
                ranges.states(within).iter().filter(|(_, state)| *state == wanted).map(|(piece, _)| piece.bytes).sum()
            };
            prop_assert_eq!(held(ranges.held(within)), in_states(RangeState::Copied));
            prop_assert_eq!(held(ranges.deferred(within)), in_states(RangeState::Deferred));
            prop_assert_eq!(held(ranges.unreadable(within)), in_states(RangeState::Unreadable));
        }

        #[test]
        fn neither_order_nor_repetition_matters(claims in claims(), turn in 0usize..25) {
            let apply = |list: &mut dyn Iterator<Item = &Claim>| {
                let mut ranges = Ranges::new();
                list.for_each(|claim| ranges.apply(claim));
                ranges
            };
            let forward = apply(&mut claims.iter());
            let turned = turn.min(claims.len());
            prop_assert_eq!(&forward, &apply(&mut claims.iter().rev()));
            prop_assert_eq!(&forward, &apply(&mut claims[turned..].iter().chain(&claims)));
        }
    }

    #[test]
    fn the_ends_of_the_address_range() {
        let last = Extent::between(u64::MAX - 512, u64::MAX);
        let mut ranges = Ranges::new();
        ranges.apply(&Claim::Deferred { extent: last });
        let all = Extent::between(0, u64::MAX);
        assert_eq!(ranges.states(all).len(), 2);
        assert_eq!(ranges.held(Extent::between(5, 5)), []);
        assert_eq!(ranges.states(Extent::between(5, 5)), []);
    }
}
