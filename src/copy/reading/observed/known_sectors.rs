//! Sectors whose content is known: reading one again shows whether the drive still answers, and with its own bytes.

use crate::base::extent::Extent;
use crate::source::CopyStore;

/// Sectors kept at hand.
const MOST: usize = 64;

/// Sectors read again in one check.
pub(super) const CHECKED_AT_ONCE: usize = 4;

/// What a drive may still have in its own memory: what was read more recently is no proof that its heads read. 256 MiB is
/// the largest buffer of drives on the market (common practice, no source); on small drives a share of their size.
const BUFFER: u64 = 256 << 20;
const SMALL_DRIVE_SHARE: u64 = 64;

/// A sector whose content is known and not constant.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct KnownSector {
    pub(super) extent: Extent,
    pub(super) bytes: Vec<u8>,
    /// Bytes that had arrived in this copy when it did; `None` when it was held before.
    arrived_at: Option<u64>,
}

/// Known sectors, spread evenly over what was read.
pub(super) struct KnownSectors {
    sectors: EvenSample<KnownSector>,
    /// Sectors of earlier runs whose content has not been looked at yet.
    unseen: Vec<Extent>,
    unit: u64,
    buffer: u64,
    /// Bytes that were held before.
    held_before: u64,
    /// Which of them comes first in the next check.
    turn: usize,
}

impl KnownSectors {
    /// For a drive of `drive_bytes` bytes with physical sectors of `unit` bytes; `held` are ranges that a store has.
    pub(super) fn new(drive_bytes: u64, unit: u64, held: &EvenSample<Extent>) -> KnownSectors {
        KnownSectors {
            sectors: EvenSample::default(),
            unseen: held.items().map(|place| first_sector(*place, unit)).collect(),
            unit,
            buffer: BUFFER.min(drive_bytes / SMALL_DRIVE_SHARE),
            held_before: held.offered,
            turn: 0,
        }
    }

    /// Bytes have arrived; `arrived` is how many had before.
    pub(super) fn arrived(&mut self, extent: Extent, bytes: &[u8], arrived: u64) {
        let unit = self.unit;
        self.sectors.offer(extent.bytes, || {
            // The first that tells something.
            let mut at = extent.start.0;
            while at < extent.end() {
                let sector = first_sector(Extent::between(at, extent.end()), unit);
                let from = usize::try_from(at - extent.start.0).expect("a request is in memory");
                let content = &bytes[from..from + usize::try_from(sector.bytes).expect("a sector")];
                if !is_constant(content) {
                    return Some(KnownSector { extent: sector, bytes: content.to_vec(), arrived_at: Some(arrived) });
                }
                at = sector.end();
            }
            None
        });
    }

    /// Sectors to read again, far apart: those read long ago, and whether they are. When all are recent, the oldest.
    pub(super) fn choose(&mut self, store: &dyn CopyStore, arrived: u64) -> (Vec<KnownSector>, bool) {
        self.look_at_unseen(store);
        // Of what was held before, more than the drive's buffer holds, some was read last; which is not known.
        let is_old = |sector: &&KnownSector| match sector.arrived_at {
            Some(at) => arrived.saturating_sub(at) >= self.buffer,
            None => arrived + self.held_before >= self.buffer,
        };
        let mut old: Vec<&KnownSector> = self.sectors.items().filter(is_old).collect();
        let are_old = !old.is_empty();
        if !are_old {
            old = self.sectors.items().take(CHECKED_AT_ONCE).collect();
        }
        old.sort_by_key(|sector| sector.extent);
        let count = old.len().min(CHECKED_AT_ONCE);
        // Quarters of the list, another sector of each every time, so that none is read again and again.
        let quarter = old.len().div_ceil(CHECKED_AT_ONCE).max(1);
        let chosen =
            (0..count).filter_map(|n| old.get((n * quarter + self.turn % quarter).min(old.len() - 1)).copied());
        let mut chosen: Vec<KnownSector> = chosen.cloned().collect();
        chosen.dedup();
        let first = self.turn % chosen.len().max(1);
        chosen.rotate_left(first);
        self.turn += 1;
        (chosen, are_old)
    }

    /// Takes the sectors of earlier runs on that are not constant.
    fn look_at_unseen(&mut self, store: &dyn CopyStore) {
        for extent in std::mem::take(&mut self.unseen) {
            let mut bytes = vec![0; usize::try_from(extent.bytes).expect("a sector")];
            let held = store.held(extent) == [extent] && store.load(extent, &mut bytes).is_ok();
            if held && !is_constant(&bytes) {
                self.sectors.put(KnownSector { extent, bytes, arrived_at: None });
            }
        }
    }
}

fn first_sector(extent: Extent, unit: u64) -> Extent {
    Extent::between(extent.start.0, extent.end().min((extent.start.0 / unit + 1) * unit))
}

/// Whether all bytes are the same.
fn is_constant(bytes: &[u8]) -> bool {
    bytes.windows(2).all(|pair| pair[0] == pair[1])
}

/// Whether the bytes are one block of `unit` bytes again and again, or all the same.
pub(super) fn is_repeated(bytes: &[u8], unit: usize) -> bool {
    if bytes.len() <= unit {
        return is_constant(bytes);
    }
    let (first, rest) = bytes.split_at(unit);
    rest.chunks(unit).all(|block| *block == first[..block.len()])
}

/// Some of what is offered, spread evenly over the bytes that it stands for.
pub(in crate::copy::reading) struct EvenSample<T> {
    /// With the bytes that had been offered before each.
    kept: Vec<(u64, T)>,
    every: u64,
    offered: u64,
}

impl<T> Default for EvenSample<T> {
    fn default() -> EvenSample<T> {
        EvenSample { kept: Vec::new(), every: 0, offered: 0 }
    }
}

impl<T> EvenSample<T> {
    /// Takes what `make` gives for the next `bytes` bytes, if it is time for another.
    pub(in crate::copy::reading) fn offer(&mut self, bytes: u64, make: impl FnOnce() -> Option<T>) {
        let at = self.offered;
        self.offered = self.offered.saturating_add(bytes);
        if self.kept.last().is_some_and(|(last, _)| at - last < self.every) {
            return;
        }
        self.kept.extend(make().map(|item| (at, item)));
        while self.kept.len() > MOST {
            self.every = (self.every * 2).max(1 << 10);
            let mut next = 0;
            self.kept.retain(|(at, _)| {
                let keep = *at >= next;
                next = if keep { at + self.every } else { next };
                keep
            });
        }
    }

    /// Adds something that stands for none of the bytes offered.
    fn put(&mut self, item: T) {
        self.kept.insert(0, (0, item));
    }

    pub(super) fn items(&self) -> impl Iterator<Item = &T> {
        self.kept.iter().map(|(_, item)| item)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sector(at: u64) -> (Extent, Vec<u8>) {
        let mut bytes = vec![0; 4096];
        bytes[7] = u8::try_from(at % 251 + 1).unwrap();
        (Extent::new(at, 4096).unwrap(), bytes)
    }

    struct NoStore;

    impl CopyStore for NoStore {
        fn held(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }
        fn skipped(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }
        fn unreadable(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }
        fn load(&self, _: Extent, _: &mut [u8]) -> std::io::Result<()> {
            unreachable!("nothing is held")
        }
        fn keep(&self, _: Extent, _: &[u8]) -> std::io::Result<()> {
            Ok(())
        }
        fn mark(&self, _: crate::source::RangeMark) -> std::io::Result<()> {
            Ok(())
        }
        fn commit(&self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn those_checked_lie_far_apart_and_were_read_long_ago() {
        let drive = 1 << 40;
        let mut known = KnownSectors::new(drive, 512, &EvenSample::default());
        for n in 0..10_000_u64 {
            let (extent, bytes) = sector(n * (drive / 10_000) / 4096 * 4096);
            known.arrived(extent, &bytes, n << 20);
        }
        assert!(known.sectors.kept.len() <= MOST && known.sectors.kept.len() > MOST / 4);
        let now = 10_000 << 20;
        let (chosen, old) = known.choose(&NoStore, now);
        assert!(old);
        assert_eq!(chosen.len(), CHECKED_AT_ONCE);
        let mut places: Vec<u64> = chosen.iter().map(|sector| sector.extent.start.0).collect();
        places.sort_unstable();
        for pair in places.windows(2) {
            assert!(pair[1] - pair[0] > drive / 10, "{places:?}");
        }
        assert!(chosen.iter().all(|sector| sector.extent.bytes == 512 && now - sector.arrived_at.unwrap() >= BUFFER));
        // Nothing is old yet at the beginning: the oldest serve, and that is told.
        let mut young = KnownSectors::new(drive, 512, &EvenSample::default());
        for n in 0..10 {
            let (extent, bytes) = sector(n << 30);
            young.arrived(extent, &bytes, n << 20);
        }
        let (chosen, old) = young.choose(&NoStore, 10 << 20);
        assert!(!old && chosen.len() == CHECKED_AT_ONCE);
    }

    #[test]
    fn constant_and_repeated_bytes() {
        let mut bytes = vec![7; 4096];
        assert!(is_repeated(&bytes, 512) && is_repeated(&bytes[..512], 512));
        bytes.chunks_mut(512).for_each(|block| block[3] = 9);
        assert!(is_repeated(&bytes, 512));
        assert!(!is_repeated(&bytes[..512], 512));
        bytes[4000] = 1;
        assert!(!is_repeated(&bytes, 512));
        let mut known = KnownSectors::new(1 << 30, 512, &EvenSample::default());
        known.arrived(Extent::new(0, 4096).unwrap(), &[0; 4096], 0);
        assert_eq!(known.choose(&NoStore, 1 << 30).0, []);
    }

    /// Of what an earlier run copied it is not known when it was read: it is old when more bytes than the buffer holds have
    /// arrived, then and now.
    #[test]
    fn what_was_held_before_is_old_once_more_than_the_buffer_has_arrived() {
        let mut held = EvenSample::default();
        held.offer(100 << 20, || Some(Extent::between(0, 512)));
        let mut known = KnownSectors::new(1 << 40, 512, &held);
        let (extent, bytes) = sector(8192);
        known.sectors.put(KnownSector { extent, bytes, arrived_at: None });
        for (arrived, is_old) in [(0, false), (BUFFER - (100 << 20) - 1, false), (BUFFER - (100 << 20), true)] {
            let (chosen, are_old) = known.choose(&NoStore, arrived);
            assert_eq!((chosen.len(), are_old), (1, is_old), "{arrived}");
        }
    }
}
