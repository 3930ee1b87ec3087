//! A drive kept without its zeros, and damaged copies of it that share its bytes.

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::source::{ReadError, Source, SourceIdentity, SourceKind};
use std::collections::BTreeMap;
use std::io;
use std::sync::Arc;

/// The unit of damage: no read of a drive can give less than that.
pub const SECTOR: u64 = 512;
const SECTOR_LENGTH: usize = 512;

type Sector = [u8; SECTOR_LENGTH];

/// A sound drive.
pub struct Sound {
    pub bytes: u64,
    pub sector: SectorSize,
    sectors: BTreeMap<u64, Box<Sector>>,
}

impl Sound {
    pub fn new(image: &[u8], sector: SectorSize) -> Sound {
        let mut sectors = BTreeMap::new();
        for (number, bytes) in image.as_chunks::<SECTOR_LENGTH>().0.iter().enumerate() {
            if bytes.iter().any(|byte| *byte != 0) {
                sectors.insert(number as u64, Box::new(*bytes));
            }
        }
        assert!(image.len().is_multiple_of(SECTOR_LENGTH));
        Sound { bytes: image.len() as u64, sector, sectors }
    }

    /// A drive of zeros.
    pub fn blank(bytes: u64, sector: SectorSize) -> Sound {
        Sound { bytes, sector, sectors: BTreeMap::new() }
    }

    /// Puts whole sectors at a place.
    pub fn put(&mut self, at: u64, bytes: &[u8]) {
        for (number, sector) in (at / SECTOR..).zip(bytes.as_chunks::<SECTOR_LENGTH>().0) {
            self.sectors.insert(number, Box::new(*sector));
        }
    }

    /// What is not all zero, by its place.
    pub fn written(&self) -> impl Iterator<Item = (u64, &[u8])> {
        self.sectors.iter().map(|(number, sector)| (number * SECTOR, &sector[..]))
    }

    pub fn sector_at(&self, at: u64) -> Sector {
        self.sectors.get(&(at / SECTOR)).map_or([0; SECTOR_LENGTH], |sector| **sector)
    }

    /// Any bytes of it.
    pub fn read(&self, at: u64, bytes: u64) -> Vec<u8> {
        let whole = Extent::between(at, at + bytes).aligned_to(SECTOR);
        let all: Vec<u8> = whole.pieces(SECTOR).flat_map(|piece| self.sector_at(piece.start.0)).collect();
        let from = usize::try_from(at - whole.start.0).unwrap();
        all[from..from + usize::try_from(bytes).unwrap()].to_vec()
    }
}

/// A damaged copy.
#[derive(Clone)]
pub struct Damaged {
    sound: Arc<Sound>,
    identity: SourceIdentity,
    changed: BTreeMap<u64, Box<Sector>>,
    unreadable: ExtentSet,
}

impl Damaged {
    /// Without damage so far.
    pub fn new(sound: &Arc<Sound>) -> Damaged {
        let identity = SourceIdentity {
            path: "memory".into(),
            kind: SourceKind::ImageFile,
            bytes: sound.bytes,
            logical_sector: sound.sector,
            physical_sector: sound.sector,
            model: None,
            serial: None,
            details: Default::default(),
        };
        Damaged { sound: sound.clone(), identity, changed: BTreeMap::new(), unreadable: ExtentSet::new() }
    }

    pub fn sector_at(&self, at: u64) -> Sector {
        self.changed.get(&(at / SECTOR)).map_or_else(|| self.sound.sector_at(at), |sector| **sector)
    }

    /// Puts other bytes in the sector at `at`.
    pub fn set_sector(&mut self, at: u64, bytes: Sector) {
        self.changed.insert(at / SECTOR, Box::new(bytes));
    }

    /// Makes a place unreadable, out to whole sectors of the drive.
    pub fn lose(&mut self, place: Extent) {
        self.unreadable.insert(place.aligned_to(self.sound.sector.bytes()));
    }

    /// Ends the drive at `bytes`.
    pub fn cut(&mut self, bytes: u64) {
        self.identity.bytes = bytes;
    }

    pub fn bytes(&self) -> u64 {
        self.identity.bytes
    }

    /// Where bytes differ from the sound drive's and can be read, in sectors.
    pub fn altered(&self) -> ExtentSet {
        let changed = self.changed.iter().map(|(number, bytes)| (*number * SECTOR, **bytes));
        let places = changed.filter(|(at, bytes)| *bytes != self.sound.sector_at(*at)).map(|(at, _)| at);
        places.map(|at| Extent::between(at, at + SECTOR)).collect()
    }

    /// Where nothing can be read, what lies behind the drive's early end with it.
    pub fn lost(&self) -> ExtentSet {
        let beyond = Extent::between(self.identity.bytes, self.sound.bytes);
        self.unreadable.extents().iter().copied().chain([beyond]).collect()
    }
}

impl Source for Damaged {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let wanted = Extent::new(start.0, buffer.len() as u64).unwrap();
        assert!(wanted.end() <= self.identity.bytes, "a read behind the end of the drive");
        if self.unreadable.bytes_within(wanted) > 0 {
            return Err(ReadError::Unreadable(io::Error::other("damaged")));
        }
        buffer.fill(0);
        let numbers = wanted.start.0 / SECTOR..wanted.end().div_ceil(SECTOR);
        // What was changed comes second and lies over what was there.
        for (number, bytes) in self.sound.sectors.range(numbers.clone()).chain(self.changed.range(numbers)) {
            let place = Extent::between(number * SECTOR, (number + 1) * SECTOR);
            let Some(shared) = place.intersection(&wanted) else { continue };
            let index = |at: u64| usize::try_from(at).unwrap();
            let (from, to, count) = (shared.start.0 - place.start.0, shared.start.0 - start.0, shared.bytes);
            buffer[index(to)..index(to + count)].copy_from_slice(&bytes[index(from)..index(from + count)]);
        }
        Ok(())
    }
}
