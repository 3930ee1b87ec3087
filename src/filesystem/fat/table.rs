//! The file allocation table: entries of 12, 16 or 28 bits and what they say of their clusters.

use crate::base::fields::{u16_at, u32_at};
use crate::base::units::Lcn;
use crate::filesystem::chain::{FatEntry, Links};
use crate::filesystem::{AllocationMap, ClusterRun, ClusterSet, FsKind};
use std::ops::Range;

/// How entries are packed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Width {
    /// Two entries in three bytes.
    Bits12,
    /// Little-endian words.
    Bits16,
    /// Little-endian double words whose upper four bits are reserved.
    Bits32,
}

impl Width {
    pub fn of(kind: FsKind) -> Width {
        match kind {
            FsKind::Fat12 => Width::Bits12,
            FsKind::Fat16 => Width::Bits16,
            _ => Width::Bits32,
        }
    }

    /// Bytes that `entries` entries take.
    pub fn bytes_for(self, entries: u64) -> u64 {
        match self {
            Width::Bits12 => (entries * 3).div_ceil(2),
            Width::Bits16 => entries * 2,
            Width::Bits32 => entries * 4,
        }
    }

    /// Whole entries in `bytes` bytes.
    pub fn entries_in(self, bytes: u64) -> u64 {
        match self {
            Width::Bits12 => bytes * 2 / 3,
            Width::Bits16 => bytes / 2,
            Width::Bits32 => bytes / 4,
        }
    }

    /// The bytes of entry `n`. The first byte of a FAT12 entry is shared with the one before or behind it.
    pub fn place(self, n: u32) -> Range<u64> {
        let n = u64::from(n);
        match self {
            Width::Bits12 => n + n / 2..n + n / 2 + 2,
            Width::Bits16 => n * 2..n * 2 + 2,
            Width::Bits32 => n * 4..n * 4 + 4,
        }
    }

    /// Entries that lie wholly in a range of bytes.
    pub fn entries_within(self, bytes: &Range<u64>) -> Range<u32> {
        let first = match self {
            Width::Bits12 => (bytes.start * 2).div_ceil(3),
            Width::Bits16 => bytes.start.div_ceil(2),
            Width::Bits32 => bytes.start.div_ceil(4),
        };
        let small = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
        small(first)..small(self.entries_in(bytes.end).max(first))
    }

    /// Entry `n` out of `bytes`, which start at byte `base` of the FAT and hold the whole entry.
    pub fn decode(self, bytes: &[u8], base: u64, n: u32) -> u32 {
        let at = usize::try_from(self.place(n).start - base).expect("within bytes in memory");
        match self {
            Width::Bits12 => {
                let pair = u32::from(u16_at(bytes, at));
                if n % 2 == 1 { pair >> 4 } else { pair & 0xFFF }
            }
            Width::Bits16 => u32::from(u16_at(bytes, at)),
            Width::Bits32 => u32_at(bytes, at) & 0x0FFF_FFFF,
        }
    }

    /// The mark of a bad cluster; all values above it end a chain. Same source as the type rule, 1.03, "FAT Data
    /// Structure" (from memory).
    fn bad_mark(self) -> u32 {
        match self {
            Width::Bits12 => 0xFF7,
            Width::Bits16 => 0xFFF7,
            Width::Bits32 => 0x0FFF_FFF7,
        }
    }
}

/// The FAT as put together from its copies, in its packed form.
pub(super) struct FatTable {
    pub width: Width,
    pub bytes: Vec<u8>,
    /// Numbers below this have an entry, whether readable or not.
    pub entries: u32,
    /// The highest valid cluster number.
    pub last: u32,
    /// Numbers whose entry was readable in no copy; also those above `entries`.
    pub unknown: ClusterSet,
    /// Clusters that are free in the copy that decides, and in use in another.
    pub in_use_elsewhere: ClusterSet,
    /// Whether entries 0 and 1 were read.
    pub marks_known: bool,
}

impl FatTable {
    pub fn raw(&self, n: u32) -> u32 {
        self.width.decode(&self.bytes, 0, n)
    }

    /// Which clusters are in use. A cluster counts as such if any readable copy says so: reading a free cluster costs
    /// a moment, leaving out a used one costs a file.
    pub fn allocation(&self) -> AllocationMap {
        let mut allocated = ClusterSet::new();
        let mut bad = ClusterSet::new();
        let bad_mark = self.width.bad_mark();
        let mut from = None;
        for n in 2..self.entries {
            let value = self.raw(n);
            match (value != 0, from) {
                (true, None) => from = Some(n),
                (false, Some(first)) => {
                    allocated.push(ClusterRun::new(first.into(), (n - first).into()));
                    from = None;
                }
                _ => {}
            }
            if value == bad_mark && value > self.last {
                bad.push(ClusterRun::new(n.into(), 1));
            }
        }
        if let Some(first) = from {
            allocated.push(ClusterRun::new(first.into(), (self.entries - first).into()));
        }
        if !self.in_use_elsewhere.is_empty() {
            allocated = allocated.union(&self.in_use_elsewhere);
        }
        if !self.unknown.is_empty() {
            allocated = allocated.without(&self.unknown);
            bad = bad.without(&self.unknown);
        }
        AllocationMap { allocated, bad, unknown: self.unknown.clone() }
    }

    /// Whether entry 1 marks the volume as not cleanly unmounted, and whether as having met errors; `None` on FAT12,
    /// which has no such marks. Same source, 1.03, "FAT Data Structure": ClnShutBitMask, HrdErrBitMask (from memory).
    pub fn marks(&self) -> Option<(bool, bool)> {
        let (clean, no_errors) = match self.width {
            Width::Bits12 => return None,
            Width::Bits16 => (0x8000, 0x4000),
            Width::Bits32 => (0x0800_0000, 0x0400_0000),
        };
        let value = self.raw(1);
        Some((value & clean == 0, value & no_errors == 0))
    }
}

impl Links for FatTable {
    fn entries(&self) -> u32 {
        self.entries
    }

    fn last(&self) -> u32 {
        self.last
    }

    fn mark(&self, n: u32) -> FatEntry {
        if n >= self.entries || (!self.unknown.is_empty() && self.unknown.contains(Lcn(n.into()))) {
            return FatEntry::Unknown;
        }
        match self.raw(n) {
            0 => FatEntry::Free,
            // Numbers first: on the fullest FAT12 and FAT16 volumes they reach into the reserved values.
            next if (2..=self.last).contains(&next) => FatEntry::Next(next),
            bad if bad == self.width.bad_mark() => FatEntry::Bad,
            end if end > self.width.bad_mark() => FatEntry::End,
            other => FatEntry::Invalid(other),
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A table with the given entries from number 2 on, as if every one had been read.
    pub fn table(width: Width, entries: &[u32]) -> FatTable {
        let mut values = vec![0, 0];
        values.extend_from_slice(entries);
        let numbers = u32::try_from(values.len()).unwrap();
        FatTable {
            width,
            bytes: pack(width, &values),
            entries: numbers,
            last: numbers - 1,
            unknown: ClusterSet::new(),
            in_use_elsewhere: ClusterSet::new(),
            marks_known: true,
        }
    }

    /// Packs entries one by one, bit by bit: the plain meaning of the packing.
    pub fn pack(width: Width, values: &[u32]) -> Vec<u8> {
        let bits = match width {
            Width::Bits12 => 12,
            Width::Bits16 => 16,
            Width::Bits32 => 32,
        };
        let mut bytes = vec![0u8; (values.len() * bits).div_ceil(8)];
        for (n, value) in values.iter().enumerate() {
            for bit in (0..bits).filter(|bit| value >> bit & 1 != 0) {
                bytes[(n * bits + bit) / 8] |= 1 << ((n * bits + bit) % 8);
            }
        }
        bytes
    }

    /// Entry n of FAT12 at byte n + n/2, the low 12 bits for even n and the high ones for odd n: "FAT: General
    /// Overview of On-Disk Format" 1.03, "FAT Type Determination"; this vector computed by that rule.
    #[test]
    fn fat12_packing() {
        let bytes = [0xF0, 0xFF, 0xFF, 0x03, 0x40, 0x00, 0xFF, 0x6F, 0x00];
        let entries: Vec<u32> = (0..6).map(|n| Width::Bits12.decode(&bytes, 0, n)).collect();
        assert_eq!(entries, [0xFF0, 0xFFF, 0x003, 0x004, 0xFFF, 0x006]);
        assert_eq!(pack(Width::Bits12, &entries), bytes);
    }

    /// Same source: only 28 bits of a FAT32 entry count.
    #[test]
    fn fat32_ignores_the_upper_four_bits() {
        let table = table(Width::Bits32, &[0xF000_0003, 0xFFFF_FFFF, 0xF000_0000, 0xAFFF_FFF7, 0x0FFF_FFF6]);
        let expected =
            [FatEntry::Next(3), FatEntry::End, FatEntry::Free, FatEntry::Bad, FatEntry::Invalid(0x0FFF_FFF6)];
        assert_eq!((2..7).map(|n| table.mark(n)).collect::<Vec<_>>(), expected);
        assert_eq!(table.mark(7), FatEntry::Unknown);
    }

    /// A FAT12 volume with the most clusters it may have, 4084, numbers them up to 4085 = FF5.
    #[test]
    fn the_highest_cluster_numbers_are_links_not_marks() {
        let mut entries = vec![0; 4084];
        entries[0] = 0xFF5;
        let table = table(Width::Bits12, &entries);
        assert_eq!((table.last, table.mark(2)), (0xFF5, FatEntry::Next(0xFF5)));
    }
}
