//! Ranges of the drive, and sorted sets of them.

use crate::base::units::ByteOffset;
use serde::{Deserialize, Serialize};

/// A range of the drive: `bytes` bytes from `start`. The end never lies beyond 2^64-1; [`Extent::new`] checks it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Extent {
    /// First byte.
    pub start: ByteOffset,
    /// Length in bytes.
    pub bytes: u64,
}

impl Extent {
    /// `bytes` bytes from byte `start`, or `None` when the end would lie beyond 2^64-1.
    pub fn new(start: u64, bytes: u64) -> Option<Extent> {
        start.checked_add(bytes)?;
        Some(Extent { start: ByteOffset(start), bytes })
    }

    /// The bytes from `start` up to, not including, `end`; empty when `end` is not above `start`.
    pub fn between(start: u64, end: u64) -> Extent {
        Extent { start: ByteOffset(start), bytes: end.saturating_sub(start) }
    }

    /// The first byte behind the extent.
    pub fn end(&self) -> u64 {
        self.start.0 + self.bytes
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.bytes == 0
    }

    /// What this and `other` share, or `None`.
    pub fn intersection(&self, other: &Extent) -> Option<Extent> {
        let shared = Extent::between(self.start.0.max(other.start.0), self.end().min(other.end()));
        (!shared.is_empty()).then_some(shared)
    }

    /// Whether every byte of `other` lies in this extent.
    pub fn contains(&self, other: &Extent) -> bool {
        self.start <= other.start && other.end() <= self.end()
    }

    /// The smallest extent on multiples of `unit` bytes that holds this one; `unit` must be a power of two.
    pub fn aligned_to(&self, unit: u64) -> Extent {
        let start = self.start.0 & !(unit - 1);
        let end = self.end().checked_next_multiple_of(unit).unwrap_or(self.end());
        Extent::between(start, end)
    }

    /// Cut at all multiples of `size` bytes, in order.
    pub fn cut_at_multiples(self, size: u64) -> impl DoubleEndedIterator<Item = Extent> {
        let (start, end) = (self.start.0, self.end());
        let cut = move |number: u64| {
            let from = number * size;
            Extent::between(from.max(start), from.saturating_add(size).min(end))
        };
        let numbers = if self.is_empty() { 0..0 } else { start / size..end.div_ceil(size) };
        numbers.map(cut)
    }

    /// Cut into pieces of at most `piece` bytes, in order.
    pub fn pieces(self, piece: u64) -> impl Iterator<Item = Extent> {
        let end = self.end();
        let mut at = self.start.0;
        std::iter::from_fn(move || {
            (at < end).then(|| {
                let next = at.saturating_add(piece).min(end);
                let cut = Extent::between(at, next);
                at = next;
                cut
            })
        })
    }
}

/// A set of bytes of the drive, kept as ascending extents that neither overlap nor touch.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
#[serde(transparent)]
pub struct ExtentSet {
    extents: Vec<Extent>,
}

impl ExtentSet {
    /// The empty set.
    pub fn new() -> ExtentSet {
        ExtentSet::default()
    }

    /// The extents, ascending, with a gap between each two.
    pub fn extents(&self) -> &[Extent] {
        &self.extents
    }

    /// Number of bytes in the set.
    pub fn bytes(&self) -> u64 {
        self.extents.iter().map(|e| e.bytes).sum()
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.extents.is_empty()
    }

    /// Adds an extent. Costs little when extents arrive in ascending order.
    pub fn insert(&mut self, extent: Extent) {
        if extent.is_empty() {
            return;
        }
        let first = self.extents.partition_point(|e| e.end() < extent.start.0);
        let mut merged = extent;
        let mut last = first;
        while let Some(next) = self.extents.get(last).filter(|e| e.start.0 <= merged.end()) {
            merged = Extent::between(merged.start.0.min(next.start.0), merged.end().max(next.end()));
            last += 1;
        }
        if last == first + 1 {
            self.extents[first] = merged;
        } else {
            self.extents.splice(first..last, [merged]);
        }
    }

    /// What `within` shares with the set, in ascending order.
    pub fn intersection(&self, within: Extent) -> Vec<Extent> {
        let first = self.extents.partition_point(|e| e.end() <= within.start.0);
        self.extents[first..]
            .iter()
            .map_while(|e| (e.start.0 < within.end()).then(|| e.intersection(&within)).flatten())
            .collect()
    }

    /// What of `within` is not in the set, in ascending order.
    pub fn missing_from(&self, within: Extent) -> Vec<Extent> {
        let mut gaps = Vec::new();
        let mut at = within.start.0;
        for held in self.intersection(within) {
            if held.start.0 > at {
                gaps.push(Extent::between(at, held.start.0));
            }
            at = held.end();
        }
        if at < within.end() {
            gaps.push(Extent::between(at, within.end()));
        }
        gaps
    }

    /// Number of bytes that `within` shares with the set.
    pub fn bytes_within(&self, within: Extent) -> u64 {
        self.intersection(within).iter().map(|e| e.bytes).sum()
    }

    /// Whether every byte of `extent` is in the set (true for an empty extent).
    pub fn covers(&self, extent: Extent) -> bool {
        self.bytes_within(extent) == extent.bytes
    }
}

impl Extend<Extent> for ExtentSet {
    fn extend<I: IntoIterator<Item = Extent>>(&mut self, extents: I) {
        for extent in extents {
            self.insert(extent);
        }
    }
}

impl FromIterator<Extent> for ExtentSet {
    fn from_iter<I: IntoIterator<Item = Extent>>(extents: I) -> ExtentSet {
        let mut sorted: Vec<Extent> = extents.into_iter().filter(|e| !e.is_empty()).collect();
        sorted.sort_unstable();
        let mut set = ExtentSet::new();
        for extent in sorted {
            match set.extents.last_mut() {
                Some(last) if extent.start.0 <= last.end() => {
                    *last = Extent::between(last.start.0, last.end().max(extent.end()));
                }
                _ => set.extents.push(extent),
            }
        }
        set
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The same set, byte by byte: the plain meaning that the range arithmetic must agree with.
    fn by_byte(extents: &[(u64, u64)]) -> Vec<bool> {
        let mut held = vec![false; 256];
        for &(start, bytes) in extents {
            for at in start..start + bytes {
                held[usize::try_from(at).unwrap()] = true;
            }
        }
        held
    }

    proptest! {
        #[test]
        fn set_agrees_with_a_byte_map(list in prop::collection::vec((0u64..200, 0u64..50), 0..20),
                                      from in 0u64..200, len in 0u64..56) {
            let held = by_byte(&list);
            let collected: ExtentSet = list.iter().map(|&(s, b)| Extent::new(s, b).unwrap()).collect();
            let mut inserted = ExtentSet::new();
            for &(s, b) in &list {
                inserted.insert(Extent::new(s, b).unwrap());
            }
            prop_assert_eq!(&collected, &inserted);
            prop_assert_eq!(collected.bytes(), held.iter().filter(|&&h| h).count() as u64);
            for pair in collected.extents().windows(2) {
                prop_assert!(pair[0].end() < pair[1].start.0);
            }
            let within = Extent::new(from, len).unwrap();
            let count = |list: Vec<Extent>| list.iter().map(|e| e.bytes).sum::<u64>();
            let expected = (from..from + len).filter(|&b| held[usize::try_from(b).unwrap()]).count() as u64;
            prop_assert_eq!(count(collected.intersection(within)), expected);
            prop_assert_eq!(count(collected.missing_from(within)), len - expected);
            prop_assert_eq!(collected.covers(within), expected == len);
        }
    }

    #[test]
    fn alignment_and_pieces() {
        let extent = Extent::new(700, 1000).unwrap();
        assert_eq!(extent.aligned_to(512), Extent::new(512, 1536).unwrap());
        let cut: Vec<_> = extent.pieces(600).collect();
        assert_eq!(cut, [Extent::new(700, 600).unwrap(), Extent::new(1300, 400).unwrap()]);
        let cut: Vec<_> = extent.cut_at_multiples(600).map(|piece| (piece.start.0, piece.bytes)).collect();
        assert_eq!(cut, [(700, 500), (1200, 500)]);
        assert_eq!(extent.cut_at_multiples(4096).collect::<Vec<_>>(), [extent]);
        assert_eq!(Extent::between(700, 700).cut_at_multiples(600).count(), 0);
        assert_eq!(Extent::new(u64::MAX, 1), None);
    }
}
