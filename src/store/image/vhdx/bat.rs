//! The block allocation table: for each block, whether it is in the file and where (2.5).

use super::region::Regions;
use super::{MIB, VhdxGeometry};
use crate::base::fields::u64_at;
use crate::store::durable_file::DurableFile;
use crate::store::image::{ImageError, VhdxFault};
use std::collections::BTreeSet;
use std::io;

const ENTRY: u64 = 8;
/// The largest table kept in memory: 64 MiB. Images made here stay below 16 MiB.
const MOST_ENTRIES: u64 = 8 << 20;

// States of a payload block (2.5.1.1).
const NOT_PRESENT: u64 = 0;
const UNDEFINED: u64 = 1;
const ZERO: u64 = 2;
const UNMAPPED: u64 = 3;
const FULLY_PRESENT: u64 = 6;
const STATE: u64 = 7;
/// Bits 20 to 63 are the place in MiB, so the entry without its low bits is the place in bytes.
const PLACE: u64 = !(MIB - 1);
/// No state: marks, in memory only, an entry that was found damaged. (4 is not assigned.)
const DAMAGED: u64 = 4;

/// Where a block is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Block {
    /// In the file from this byte on.
    At(u64),
    /// Not in the file: reads as zero.
    Absent,
    /// Its entry is damaged.
    Damaged,
}

/// The table in memory, and which of its entries the file does not have yet.
pub(super) struct Bat {
    geometry: VhdxGeometry,
    /// Where the table lies in the file.
    at: u64,
    entries: Vec<u64>,
    changed: BTreeSet<usize>,
    /// The file's end in bytes, a multiple of 1 MiB: the next block's place.
    end: u64,
    first_damaged: Option<(u64, u64)>,
}

impl Bat {
    /// Reads and checks the table in a file of `bytes` bytes. An entry is damaged when its state is none that a disk
    /// without a parent has, or its block does not lie in the file and apart from all else.
    pub(super) fn read(
        storage: &dyn DurableFile,
        geometry: &VhdxGeometry,
        regions: &Regions,
        bytes: u64,
    ) -> Result<Bat, ImageError> {
        let count = geometry.entries();
        if count * ENTRY > regions.bat.bytes {
            return Err(VhdxFault::Region { what: "block allocation table" }.into());
        }
        if count > MOST_ENTRIES {
            return Err(VhdxFault::TableTooLarge { entries: count, limit: MOST_ENTRIES }.into());
        }
        let mut entries = Vec::with_capacity(usize::try_from(count).expect("at most 8 Mi"));
        let mut buffer = vec![0; 1 << 16];
        while (entries.len() as u64) < count {
            let done = entries.len() as u64 * ENTRY;
            let part = usize::try_from(count * ENTRY - done).map_or(buffer.len(), |left| left.min(buffer.len()));
            storage.read_at(regions.bat.start.0 + done, &mut buffer[..part])?;
            entries.extend((0..part).step_by(8).map(|at| u64_at(&buffer, at)));
        }
        let mut bat = Bat {
            geometry: *geometry,
            at: regions.bat.start.0,
            entries,
            changed: BTreeSet::new(),
            end: 0,
            first_damaged: None,
        };
        bat.check(regions, bytes);
        Ok(bat)
    }

    fn check(&mut self, regions: &Regions, bytes: u64) {
        let block_bytes = self.geometry.block_bytes();
        let taken = &regions.taken;
        let in_file = |place: u64| {
            let end = place.checked_add(block_bytes);
            let apart = || {
                let next = taken.partition_point(|extent| extent.end() <= place);
                taken.get(next).is_none_or(|extent| end.is_some_and(|end| end <= extent.start.0))
            };
            end.is_some_and(|end| end <= bytes) && apart()
        };
        let mut damaged = Vec::new();
        let mut places = Vec::new();
        for block in 0..self.geometry.blocks() {
            let index = self.index(block);
            let entry = self.entries[index];
            match entry & STATE {
                NOT_PRESENT | UNDEFINED | ZERO | UNMAPPED => {}
                FULLY_PRESENT if in_file(entry & PLACE) => places.push((entry & PLACE, index)),
                _ => damaged.push(index),
            }
        }
        places.sort_unstable();
        // Of two entries that share bytes, nothing tells which is right.
        for pair in places.windows(2) {
            if pair[0].0 + block_bytes > pair[1].0 {
                damaged.extend([pair[0].1, pair[1].1]);
            }
        }
        let last_block = places.last().map_or(0, |(place, _)| place + block_bytes);
        let last_region = taken.last().map_or(0, |extent| extent.end());
        self.end = last_block.max(last_region);
        damaged.sort_unstable();
        self.first_damaged = damaged.first().map(|&index| (index as u64, self.entries[index]));
        for index in damaged {
            self.entries[index] = DAMAGED;
        }
    }

    fn index(&self, block: u64) -> usize {
        usize::try_from(self.geometry.entry_of(block)).expect("at most 8 Mi entries")
    }

    /// Index and content of the first damaged entry.
    pub(super) fn first_damaged(&self) -> Option<(u64, u64)> {
        self.first_damaged
    }

    /// The end of all that is in use.
    pub(super) fn end(&self) -> u64 {
        self.end
    }

    /// Where a block is.
    pub(super) fn block(&self, block: u64) -> Block {
        let entry = self.entries[self.index(block)];
        match entry & STATE {
            FULLY_PRESENT => Block::At(entry & PLACE),
            DAMAGED => Block::Damaged,
            _ => Block::Absent,
        }
    }

    /// Gives an absent block a place at the file's end, which becomes a hole as long as the block: whatever of it is
    /// never written reads as zero.
    pub(super) fn allocate(&mut self, block: u64, storage: &dyn DurableFile) -> io::Result<u64> {
        let place = self.end;
        let end = place + self.geometry.block_bytes();
        storage.set_bytes(end)?;
        self.end = end;
        self.set(block, place | FULLY_PRESENT);
        Ok(place)
    }

    /// Says of an absent block that it is known to be zero as far as anything of it is known: without it, another
    /// program might take the content for undefined.
    pub(super) fn set_zero(&mut self, block: u64) {
        self.set(block, ZERO);
    }

    fn set(&mut self, block: u64, entry: u64) {
        let index = self.index(block);
        if self.entries[index] != entry {
            self.entries[index] = entry;
            self.changed.insert(index);
        }
    }

    /// The entries that the file does not have yet, as bytes with their places; from now on they count as written.
    pub(super) fn take_changed(&mut self) -> Vec<(u64, Vec<u8>)> {
        let mut runs: Vec<(u64, Vec<u8>)> = Vec::new();
        for index in std::mem::take(&mut self.changed) {
            let place = self.at + index as u64 * ENTRY;
            let entry = self.entries[index].to_le_bytes();
            match runs.last_mut() {
                Some((start, run)) if *start + run.len() as u64 == place => run.extend(entry),
                _ => runs.push((place, entry.to_vec())),
            }
        }
        runs
    }

    /// Takes entries back that could not be made durable: they are changed still.
    pub(super) fn put_back(&mut self, runs: &[(u64, Vec<u8>)]) {
        for (place, entries) in runs {
            let first = usize::try_from((place - self.at) / ENTRY).expect("at most 8 Mi entries");
            self.changed.extend(first..first + entries.len() / 8);
        }
    }
}
