//! Remembering where there was trouble, coarsely, in memory that does not grow with it.

use super::pieces::WINDOW;
use crate::extent::Extent;
use crate::source::Store;

/// One bit for each stretch of the drive. "Near" is the stretch itself and its neighbours.
pub(super) struct Nearby {
    stretch: u64,
    marked: Vec<u64>,
}

/// Many errors have a neighbour within 10 MB (Bairavasundaram et al., SIGMETRICS 2007, from memory).
const STRETCH: u64 = 10 << 20;

/// At most 16 Mi bits, 2 MiB of memory; only a drive above 160 TiB gets longer stretches.
const MOST_STRETCHES: u64 = 1 << 24;

impl Nearby {
    pub(super) fn new(drive_bytes: u64) -> Nearby {
        let stretch = STRETCH.max(drive_bytes.div_ceil(MOST_STRETCHES));
        let count = usize::try_from(drive_bytes / stretch / 64 + 1).expect("at most 2^18 words");
        Nearby { stretch, marked: vec![0; count] }
    }

    /// Starts from what an earlier run left: places given up, and the starts of deferred ones, since a deferred place
    /// begins with the request that failed.
    pub(super) fn from_store(drive_bytes: u64, store: &dyn Store) -> Nearby {
        let mut nearby = Nearby::new(drive_bytes);
        for window in Extent::between(0, drive_bytes).pieces(WINDOW.max(drive_bytes >> 20)) {
            for place in store.unreadable(window) {
                nearby.mark(place);
            }
            for place in store.skipped(window) {
                nearby.mark(Extent::between(place.start.0, place.start.0 + 1));
            }
        }
        nearby
    }

    pub(super) fn mark(&mut self, place: Extent) {
        for index in place.start.0 / self.stretch..=(place.end().max(1) - 1) / self.stretch {
            if let Some((word, bit)) = self.word(index) {
                self.marked[word] |= bit;
            }
        }
    }

    /// Whether there was trouble within 10 MiB of `place`.
    pub(super) fn has_trouble(&self, place: Extent) -> bool {
        let first = (place.start.0 / self.stretch).saturating_sub(1);
        let last = (place.end().max(1) - 1) / self.stretch + 1;
        (first..=last).any(|index| self.word(index).is_some_and(|(word, bit)| self.marked[word] & bit != 0))
    }

    fn word(&self, index: u64) -> Option<(usize, u64)> {
        let word = usize::try_from(index / 64).ok().filter(|word| *word < self.marked.len())?;
        Some((word, 1 << (index % 64)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn within_ten_mib_is_near_and_beyond_twenty_is_not() {
        let mut nearby = Nearby::new(1 << 40);
        let bad = 3_000 << 20;
        nearby.mark(Extent::new(bad, 512).unwrap());
        for mib in [0, 1, 9, 10] {
            assert!(nearby.has_trouble(Extent::new(bad + (mib << 20), 512).unwrap()), "{mib}");
            assert!(nearby.has_trouble(Extent::new(bad - (mib << 20), 512).unwrap()), "-{mib}");
        }
        assert!(!nearby.has_trouble(Extent::new(bad + (20 << 20), 512).unwrap()));
        assert!(!nearby.has_trouble(Extent::new(bad - (20 << 20), 512).unwrap()));
        assert!(nearby.has_trouble(Extent::new(bad - (50 << 20), 100 << 20).unwrap()));
    }

    #[test]
    fn memory_is_bounded_for_the_largest_drive() {
        let nearby = Nearby::new((1 << 53) - 1);
        assert!(nearby.marked.len() <= (1 << 18) + 1);
        let mut small = Nearby::new(512);
        small.mark(Extent::new(0, 512).unwrap());
        assert!(small.has_trouble(Extent::new(0, 512).unwrap()));
    }
}
