//! A store for whole drives: it remembers what it has, not the bytes. Those it can give back, because it knows what the
//! drive holds; what arrives is held against that.

use gleaner::base::extent::Extent;
use gleaner::base::units::ByteOffset;
use gleaner::drive::sick::{Content, NUMBERED};
use gleaner::source::{CopyStore, RangeMark, Skip};
use rangemap::RangeSet;
use std::io;
use std::sync::{Mutex, MutexGuard};

#[derive(Default)]
struct Places {
    held: RangeSet<u64>,
    skipped: RangeSet<u64>,
    unreadable: RangeSet<u64>,
    suspects: RangeSet<u64>,
    failed: RangeSet<u64>,
}

pub struct PlayStore {
    content: Content,
    places: Mutex<Places>,
}

impl PlayStore {
    pub fn new(content: Content) -> PlayStore {
        PlayStore { content, places: Mutex::default() }
    }

    fn places(&self) -> MutexGuard<'_, Places> {
        self.places.lock().unwrap()
    }

    fn expected(&self, start: u64, bytes: usize) -> Vec<u8> {
        let mut buffer = vec![0; bytes];
        self.content.fill(ByteOffset(start), &mut buffer).unwrap();
        buffer
    }
}

fn range(extent: Extent) -> std::ops::Range<u64> {
    extent.start.0..extent.end()
}

fn within(set: &RangeSet<u64>, extent: Extent) -> Vec<Extent> {
    let cut = |found: &std::ops::Range<u64>| Extent::between(found.start, found.end).intersection(&extent);
    set.overlapping(&range(extent)).filter_map(cut).collect()
}

impl CopyStore for PlayStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().held, extent)
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().skipped, extent)
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().unreadable, extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        assert!(self.places().held.gaps(&range(extent)).next().is_none(), "{extent:?} is not held");
        let first = extent.start.0 / NUMBERED * NUMBERED;
        let from = usize::try_from(extent.start.0 - first).unwrap();
        buffer.copy_from_slice(&self.expected(first, from + buffer.len())[from..]);
        Ok(())
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        assert_eq!(extent.bytes, bytes.len() as u64);
        assert!(extent.start.0.is_multiple_of(NUMBERED) && extent.bytes.is_multiple_of(NUMBERED));
        // The first and the last sector: enough to see that the bytes are those of the place.
        let sector = usize::try_from(NUMBERED).unwrap();
        let checked = if matches!(self.content, Content::Marks) { 8 } else { sector };
        for at in [0, bytes.len() - sector] {
            let expected = self.expected(extent.start.0 + at as u64, sector);
            assert!(bytes[at..at + checked] == expected[..checked], "wrong bytes kept at {extent:?}");
        }
        let mut places = self.places();
        places.held.insert(range(extent));
        places.skipped.remove(range(extent));
        places.unreadable.remove(range(extent));
        Ok(())
    }

    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        let places = self.places();
        let mut list = Vec::new();
        for place in within(&places.skipped, extent) {
            let failed = within(&places.failed, place);
            list.extend(places.failed.gaps(&range(place)).map(|gap| (Extent::between(gap.start, gap.end), Skip::Near)));
            list.extend(failed.into_iter().map(|place| (place, Skip::Failed)));
        }
        for (place, why) in &mut list {
            if within(&places.suspects, *place) == [*place] {
                *why = Skip::Suspect;
            }
        }
        list.sort_unstable();
        list
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        let mut places = self.places();
        let extent = mark.extent();
        match mark {
            RangeMark::Skipped { why, .. } => {
                let free = |set: &RangeSet<u64>| set.gaps(&range(extent)).collect::<RangeSet<u64>>();
                let (held, unreadable) = (free(&places.held), free(&places.unreadable));
                let parts: Vec<_> = held.intersection(&unreadable).collect();
                parts.into_iter().for_each(|part| places.skipped.insert(part));
                places.suspects.remove(range(extent));
                places.failed.remove(range(extent));
                if why == Skip::Failed {
                    places.failed.insert(range(extent));
                }
                if why == Skip::Suspect {
                    places.suspects.insert(range(extent));
                }
            }
            RangeMark::Unreadable { .. } => {
                let gaps: Vec<_> = places.held.gaps(&range(extent)).collect();
                places.skipped.remove(range(extent));
                gaps.into_iter().for_each(|gap| places.unreadable.insert(gap));
            }
            RangeMark::Withdrawn { .. } => places.held.remove(range(extent)),
            RangeMark::Retry { .. } => {
                places.unreadable.remove(range(extent));
                places.skipped.insert(range(extent));
            }
        }
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        Ok(())
    }
}
