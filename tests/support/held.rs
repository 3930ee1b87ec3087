//! A drive's bytes of which a case holds only some.

#![allow(dead_code, reason = "each test program uses its part")]

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::source::{CopyStore, MemorySource, RangeMark, Reader};
use gleaner::survey::allocation::{DriveMap, read_drive};
use std::io;

/// What a case holds after all of a drive was copied, save some places.
pub struct Held {
    pub bytes: Vec<u8>,
    given_up: ExtentSet,
    not_read: ExtentSet,
}

impl Held {
    /// All of it.
    pub fn all(bytes: Vec<u8>) -> Held {
        Held { bytes, given_up: ExtentSet::new(), not_read: ExtentSet::new() }
    }

    /// Without a place that could not be read. What stands there is spoilt, so that nobody uses it unseen.
    pub fn give_up_at(&mut self, extent: Extent) {
        self.spoil(extent);
        self.given_up.insert(extent);
    }

    /// Without a place that was not read yet.
    pub fn leave_out(&mut self, extent: Extent) {
        self.spoil(extent);
        self.not_read.insert(extent);
    }

    fn spoil(&mut self, extent: Extent) {
        self.bytes[index(extent.start.0)..index(extent.end())].fill(0xA5);
    }

    fn without(&self, extent: Extent) -> ExtentSet {
        let mut missing: ExtentSet = self.given_up.intersection(extent).into_iter().collect();
        missing.extend(self.not_read.intersection(extent));
        missing
    }
}

impl CopyStore for Held {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        let within = Extent::between(extent.start.0, extent.end().min(self.bytes.len() as u64));
        self.without(extent).missing_from(within)
    }

    fn skipped(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        self.given_up.intersection(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        assert_eq!(self.held(extent), [extent], "only what is held may be requested");
        buffer.copy_from_slice(&self.bytes[index(extent.start.0)..index(extent.end())]);
        Ok(())
    }

    fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }

    fn mark(&self, _: RangeMark) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }

    fn commit(&self) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }
}

/// The structure of a drive that is all there.
pub fn drive(image: &[u8]) -> DriveMap {
    let reader = Reader::new(Box::new(MemorySource::new(image.to_vec(), SectorSize::S512)), None);
    read_drive(&reader).expect("memory does not vanish")
}

pub fn index(at: u64) -> usize {
    usize::try_from(at).unwrap()
}
