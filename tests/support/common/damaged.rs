//! A volume with some bytes changed and a place unreadable, without copying the volume; and random numbers to choose
//! them by, the same in every run.

use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::source::{MemorySource, ReadError, Source, SourceIdentity};
use std::io;
use std::sync::Arc;

/// The volume.
pub struct Damaged {
    pub base: Arc<Vec<u8>>,
    pub identity: SourceIdentity,
    /// Place and new value of each changed byte.
    pub changes: Vec<(u64, u8)>,
    pub unreadable: Extent,
}

impl Source for Damaged {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let wanted = Extent::new(start.0, buffer.len() as u64).unwrap();
        if wanted.intersection(&self.unreadable).is_some() {
            return Err(ReadError::Unreadable(io::Error::other("damaged")));
        }
        buffer.copy_from_slice(&self.base[usize::try_from(start.0).unwrap()..][..buffer.len()]);
        for (at, byte) in self.changes.iter().filter(|(at, _)| wanted.start.0 <= *at && *at < wanted.end()) {
            buffer[usize::try_from(at - start.0).unwrap()] = *byte;
        }
        Ok(())
    }
}

/// What a drive with these bytes says about itself.
pub fn identity_of(bytes: &[u8]) -> SourceIdentity {
    MemorySource::new(bytes.to_vec(), SectorSize::S512).identity().clone()
}

/// Numbers below a limit, by Marsaglia's xorshift.
pub struct Random(pub u64);

impl Random {
    /// The next one, below `below`.
    pub fn below(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % below
    }

    /// One of a list.
    pub fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[usize::try_from(self.below(list.len() as u64)).unwrap()]
    }
}
