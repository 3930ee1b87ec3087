//! A store for whole drives: it remembers what it has, not the bytes. Those it can give back, because it knows what the
//! drive holds; what arrives is held against that.

use gleaner::extent::Extent;
use gleaner::sick::{Content, NUMBERED};
use gleaner::source::Store;
use gleaner::units::ByteOffset;
use rangemap::RangeSet;
use std::io;
use std::sync::{Mutex, MutexGuard};

#[derive(Default)]
struct Places {
    held: RangeSet<u64>,
    skipped: RangeSet<u64>,
    given_up: RangeSet<u64>,
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

impl Store for PlayStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().held, extent)
    }

    fn deferred(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().skipped, extent)
    }

    fn given_up(&self, extent: Extent) -> Vec<Extent> {
        within(&self.places().given_up, extent)
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
        places.given_up.remove(range(extent));
        Ok(())
    }

    fn defer(&self, extent: Extent) -> io::Result<()> {
        let mut places = self.places();
        let free = |set: &RangeSet<u64>| set.gaps(&range(extent)).collect::<RangeSet<u64>>();
        let (held, given_up) = (free(&places.held), free(&places.given_up));
        for part in held.intersection(&given_up) {
            places.skipped.insert(part);
        }
        Ok(())
    }

    fn give_up(&self, extent: Extent) -> io::Result<()> {
        let mut places = self.places();
        let gaps: Vec<_> = places.held.gaps(&range(extent)).collect();
        places.skipped.remove(range(extent));
        gaps.into_iter().for_each(|gap| places.given_up.insert(gap));
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        Ok(())
    }
}
