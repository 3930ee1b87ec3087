//! Where there was trouble, in stretches of 10 MiB.

use super::pieces::WINDOW;
use gleaner::base::extent::Extent;
use gleaner::source::CopyStore;

pub(super) struct Nearby {
    marked: Vec<bool>,
}

const STRETCH: u64 = 10 << 20;

impl Nearby {
    pub(super) fn from_store(drive_bytes: u64, store: &dyn CopyStore) -> Nearby {
        let mut nearby = Nearby { marked: vec![false; usize::try_from(drive_bytes / STRETCH + 1).unwrap()] };
        for window in Extent::between(0, drive_bytes).pieces(WINDOW) {
            for place in store.unreadable(window) {
                nearby.mark(place);
            }
            for place in store.skipped(window) {
                nearby.mark(Extent::between(place.start.0, place.start.0 + 1));
            }
        }
        nearby
    }

    fn stretches(place: Extent) -> std::ops::RangeInclusive<usize> {
        let index = |byte: u64| usize::try_from(byte / STRETCH).unwrap();
        index(place.start.0)..=index(place.end().max(1) - 1)
    }

    pub(super) fn mark(&mut self, place: Extent) {
        Self::stretches(place).for_each(|index| self.marked[index] = true);
    }

    pub(super) fn has_trouble(&self, place: Extent) -> bool {
        let near = Self::stretches(place);
        let last = (near.end() + 1).min(self.marked.len() - 1);
        self.marked[near.start().saturating_sub(1)..=last].contains(&true)
    }
}
