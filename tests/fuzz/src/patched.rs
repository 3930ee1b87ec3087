//! A base with changes that the fuzzer's input describes.
//!
//! The input: one byte that chooses the base; one of flags (1: checksums are set right, 2: the drive ends early); then
//! changes. A change is a byte that says which kind, three that give its place among the structure's bytes, and what
//! the kind needs: below 200 up to 24 bytes to write, below 220 nothing (a sector of zeros), below 240 nothing (a sector
//! that cannot be read), else three more for the place of a sector that is copied there.

use crate::base::Base;
use crate::mend;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::source::{ReadError, Source, SourceIdentity, SourceKind};
use gleaner::base::units::ByteOffset;
use std::collections::BTreeMap;
use std::io;
use std::sync::Arc;

/// Bytes that a change of a whole sector concerns.
pub const SECTOR: u64 = 512;

/// Most changes that one input makes.
const CHANGES: usize = 64;

/// The changed drive.
#[derive(Clone)]
pub struct Patched {
    base: Arc<Base>,
    changed: BTreeMap<u64, [u8; SECTOR as usize]>,
    unreadable: ExtentSet,
    identity: SourceIdentity,
}

/// The fuzzer's input, taken from the front.
struct Input<'i>(&'i [u8]);

impl<'i> Input<'i> {
    fn take(&mut self, count: usize) -> &'i [u8] {
        let (taken, rest) = self.0.split_at(count.min(self.0.len()));
        self.0 = rest;
        taken
    }

    fn number(&mut self, bytes: usize) -> u64 {
        self.take(bytes).iter().rev().fold(0, |number, byte| number << 8 | u64::from(*byte))
    }
}

impl Patched {
    /// Without a change.
    pub fn sound(base: &Arc<Base>) -> Patched {
        let identity = SourceIdentity {
            path: "memory".into(),
            kind: SourceKind::ImageFile,
            bytes: base.bytes,
            logical_sector: base.sector,
            physical_sector: base.sector,
            model: None,
            serial: None,
            details: Default::default(),
        };
        Patched { base: base.clone(), changed: BTreeMap::new(), unreadable: ExtentSet::new(), identity }
    }

    /// As the input describes it; `None` when that is too short.
    pub fn from_input(bases: &[Arc<Base>], input: &[u8]) -> Option<Patched> {
        let (&[which, flags], rest) = input.split_first_chunk::<2>()?;
        let mut input = Input(rest);
        let mut drive = Patched::sound(&bases[usize::from(which) % bases.len()]);
        for _ in 0..CHANGES {
            if input.0.is_empty() {
                break;
            }
            let kind = input.number(1);
            let place = drive.base.place(input.number(3));
            let sector = place / SECTOR * SECTOR;
            match kind {
                0..200 => {
                    let bytes = input.take(usize::try_from(kind % 24).ok()? + 1).to_vec();
                    drive.write(place, &bytes);
                }
                200..220 => drive.write(sector, &[0; SECTOR as usize]),
                220..240 => drive.unreadable.insert(Extent::between(sector, sector + SECTOR)),
                _ => {
                    let from = drive.base.place(input.number(3)) / SECTOR * SECTOR;
                    let copy: [u8; SECTOR as usize] = drive.get(from);
                    drive.write(sector, &copy);
                }
            }
        }
        if flags & 1 != 0 {
            mend::all(&mut drive);
        }
        if flags & 2 != 0 {
            // Somewhere in the middle, on a byte that need not be a sector's first.
            drive.identity.bytes = drive.base.bytes * (1 + u64::from(flags >> 2)) / 65;
        }
        Some(drive)
    }

    /// A drive of zeros that starts with `front`.
    pub fn starting_with(bytes: u64, sector: gleaner::base::units::SectorSize, front: &[u8]) -> Patched {
        let mut drive = Patched::sound(&Base::zeros(bytes, sector));
        drive.write(0, front);
        drive
    }

    /// Size in bytes.
    pub fn bytes(&self) -> u64 {
        self.identity.bytes
    }

    /// Places that were changed, in sectors of 512 bytes.
    pub fn changed_sectors(&self) -> Vec<u64> {
        self.changed.keys().copied().collect()
    }

    /// `N` bytes from `at`; zero beyond the end.
    pub fn get<const N: usize>(&self, at: u64) -> [u8; N] {
        let mut bytes = [0; N];
        self.fill(at, &mut bytes);
        bytes
    }

    /// Fills `buffer` from byte `at`; zero beyond the end.
    pub fn fill(&self, at: u64, buffer: &mut [u8]) {
        let end = at.saturating_add(buffer.len() as u64);
        let held = self.base.bytes.saturating_sub(at).min(buffer.len() as u64);
        let (inside, beyond) = buffer.split_at_mut(usize::try_from(held).expect("a buffer's length"));
        beyond.fill(0);
        self.base.read(at, inside);
        for (number, sector) in self.changed.range(at / SECTOR..end.div_ceil(SECTOR)) {
            let start = number * SECTOR;
            let (from, to) = (at.max(start), end.min(start + SECTOR).min(at + held));
            if from < to {
                let part = &sector[(from - start) as usize..(to - start) as usize];
                buffer[(from - at) as usize..][..part.len()].copy_from_slice(part);
            }
        }
    }

    /// Writes what of `bytes` lies on the drive.
    pub fn write(&mut self, at: u64, bytes: &[u8]) {
        let mut at = at;
        let mut left = bytes;
        while !left.is_empty() && at < self.base.bytes {
            let number = at / SECTOR;
            let inside = (at % SECTOR) as usize;
            let count = left.len().min(SECTOR as usize - inside);
            let mut sector: [u8; SECTOR as usize] = self.get(number * SECTOR);
            sector[inside..inside + count].copy_from_slice(&left[..count]);
            self.changed.insert(number, sector);
            at += count as u64;
            left = &left[count..];
        }
    }
}

impl Source for Patched {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let wanted = Extent::new(start.0, buffer.len() as u64).expect("within 2^64");
        assert!(wanted.end() <= self.identity.bytes, "a read behind the end of the drive");
        if self.unreadable.bytes_within(wanted) > 0 {
            return Err(ReadError::Unreadable(io::Error::other("made unreadable")));
        }
        self.fill(start.0, buffer);
        Ok(())
    }
}
