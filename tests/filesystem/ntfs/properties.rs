//! Real volumes with random damage to their metadata: whatever it is, reading ends, does not panic, and gives a map
//! that is in order.

use crate::ntfs::{Outcome, fixture};
use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::filesystem::Role;
use gleaner::source::{MemorySource, ReadError, Source, SourceIdentity};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Damaged copies of each of the volumes.
const ROUNDS: u64 = 100;

/// A small generator (the constants of Knuth's MMIX), so that a failure can be run again from its seed.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    fn below(&mut self, bound: usize) -> usize {
        usize::try_from(self.next()).unwrap() % bound
    }
}

/// Bytes that hold metadata which the survey reads, by the undamaged volume's own map.
fn metadata(outcome: &Outcome) -> Vec<Extent> {
    let map = outcome.map();
    let system = map.catalog.nodes().filter(|n| matches!(n.number(), 0 | 1 | 6));
    let streams = system.flat_map(|n| n.streams()).filter(|s| matches!(s.role(), Role::Data | Role::AttributeList));
    let mut places: Vec<Extent> = map.fixed.iter().map(|(e, _)| Extent { bytes: 512, ..*e }).collect();
    places.extend(streams.flat_map(|s| s.runs()).map(|run| map.geometry.extent(run).unwrap()));
    places
}

fn in_order(outcome: &Outcome) {
    let Ok(map) = &outcome.volume else {
        assert!(outcome.findings().highest_severity().is_some());
        return;
    };
    let (allocated, unknown) = (&map.allocation.allocated, &map.allocation.unknown);
    assert!(allocated.intersection(unknown).is_empty());
    for set in [allocated, unknown, &map.allocation.bad] {
        assert!(set.runs().iter().all(|r| map.geometry.holds(*r)));
    }
    for node in map.catalog.nodes() {
        for stream in node.streams() {
            assert!(stream.runs().all(|r| r.count > 0 && map.geometry.holds(r)));
            assert!(stream.layout().map(|(_, n)| n).try_fold(0u64, u64::checked_add).is_some());
        }
        for link in node.links() {
            assert!(link.path().starts_with('/') && !link.name().contains(['/', '\0']));
        }
    }
}

/// A volume in memory with a few changed sectors, so that a thousand damaged copies need not be copied.
struct Patched {
    image: Arc<Vec<u8>>,
    changed: BTreeMap<usize, [u8; SECTOR]>,
    unreadable: Vec<usize>,
    identity: SourceIdentity,
}

const SECTOR: usize = 512;

impl Patched {
    fn new(image: &Arc<Vec<u8>>, identity: &SourceIdentity) -> Patched {
        Patched { image: image.clone(), changed: BTreeMap::new(), unreadable: Vec::new(), identity: identity.clone() }
    }

    fn sector(&self, number: usize) -> [u8; SECTOR] {
        let original = || self.image[number * SECTOR..(number + 1) * SECTOR].try_into().unwrap();
        self.changed.get(&number).copied().unwrap_or_else(original)
    }

    fn get(&self, at: usize) -> u8 {
        self.sector(at / SECTOR)[at % SECTOR]
    }

    fn set(&mut self, at: usize, value: u8) {
        let mut sector = self.sector(at / SECTOR);
        sector[at % SECTOR] = value;
        self.changed.insert(at / SECTOR, sector);
    }

    /// Gives a record sound stride ends again. Without this, damage inside records would be found by their fixups
    /// and reach nothing behind them.
    fn mend(&mut self, record: usize, record_bytes: usize) {
        let array = usize::from(u16::from_le_bytes([self.get(record + 4), self.get(record + 5)]));
        if array + 2 <= SECTOR - 2 {
            let number = [self.get(record + array), self.get(record + array + 1)];
            for end in (SECTOR..=record_bytes).step_by(SECTOR) {
                self.set(record + end - 2, number[0]);
                self.set(record + end - 1, number[1]);
            }
        }
    }
}

impl Source for Patched {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let start = usize::try_from(start.0).unwrap();
        let end = start + buffer.len();
        if self.unreadable.iter().any(|s| (start / SECTOR..end.div_ceil(SECTOR)).contains(s)) {
            return Err(ReadError::Unreadable(std::io::Error::other("made unreadable")));
        }
        buffer.copy_from_slice(&self.image[start..end]);
        for (number, sector) in self.changed.range(start / SECTOR..end.div_ceil(SECTOR)) {
            for (at, byte) in sector.iter().enumerate().map(|(i, b)| (number * SECTOR + i, b)) {
                if (start..end).contains(&at) {
                    buffer[at - start] = *byte;
                }
            }
        }
        Ok(())
    }
}

fn damage(volume: &mut Patched, places: &[Extent], record_bytes: usize, random: &mut Random) {
    let mending = random.below(4) != 0;
    for _ in 0..1 + random.below(12) {
        let place = places[random.below(places.len())];
        // The first kilobytes of $MFT (its own record and the system's) are hit more often than chance would.
        let reach = if random.below(3) == 0 { place.bytes.min(16 << 10) } else { place.bytes };
        let (start, reach) = (usize::try_from(place.start.0).unwrap(), usize::try_from(reach).unwrap());
        let at = start + random.below(reach);
        let sector = at / SECTOR;
        match random.below(8) {
            0 => volume.set(at, volume.get(at) ^ 1 << random.below(8)),
            1 => volume.set(at, 0xFF),
            2 => volume.set(at, 0x80),
            3 => {
                let value = if random.below(2) == 0 { 0xFF } else { 0x7F };
                (at..(at + 8).min(start + reach)).for_each(|at| volume.set(at, value));
            }
            4 => {
                volume.changed.insert(sector, [0; SECTOR]);
            }
            5 => {
                let other = volume.sector((start + random.below(reach)) / SECTOR);
                volume.changed.insert(sector, other);
            }
            6 => volume.unreadable.push(sector),
            _ => volume.set(at, u8::try_from(random.below(256)).unwrap()),
        }
        let record = start + (at - start) / record_bytes * record_bytes;
        if mending && volume.sector(record / SECTOR).starts_with(b"FILE") && record + record_bytes <= start + reach {
            volume.mend(record, record_bytes);
        }
    }
}

#[test]
fn damaged_volumes_never_stop_the_survey() {
    for (index, name) in ["ntfs-cluster-512", "ntfs-cluster-8k", "ntfs-mft-list", "ntfs-sector-4096"].iter().enumerate()
    {
        let image = Arc::new(fixture(name));
        let places = metadata(&crate::ntfs::read(image.to_vec()));
        let identity = MemorySource::new(image.to_vec(), SectorSize::S512).identity().clone();
        let record_bytes = if name.contains("sector-4096") { 4096 } else { 1024 };
        for round in 0..ROUNDS {
            let seed = round << 8 | index as u64;
            let mut random = Random(seed);
            let mut volume = Patched::new(&image, &identity);
            damage(&mut volume, &places, record_bytes, &mut random);
            let outcome = std::panic::catch_unwind(|| in_order(&crate::ntfs::read_source(Box::new(volume))));
            assert!(outcome.is_ok(), "{name}: panic with seed {seed}");
        }
    }
}
