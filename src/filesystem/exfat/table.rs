//! The file allocation table (4): the chains of clusters. It does not say what is in use; the bitmap does.

use super::boot::sector::ExFatBoot;
use super::findings::{TABLE_HEAD, TABLE_LOST, TABLE_OTHER_COPY};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::u32_at;
use crate::base::finding::{Finding, Findings};
use crate::base::units::Lcn;
use crate::filesystem::chain::{FatEntry, Links};
use crate::filesystem::{ClusterRun, ClusterSet};
use crate::source::{SourceLost, Window};
use std::ops::ControlFlow;

/// Marks of entries (4.1.3).
const BAD: u32 = 0xFFFF_FFF7;
const END: u32 = 0xFFFF_FFFF;
/// What entries 0 and 1 hold (4.1.1, 4.1.2).
const HEAD: [u32; 2] = [0xFFFF_FFF8, 0xFFFF_FFFF];

/// The FAT in use.
pub(super) struct ExFatTable {
    bytes: Vec<u8>,
    /// Numbers below this have an entry, whether readable or not.
    entries: u32,
    last: u32,
    /// Numbers whose entry could not be read.
    unknown: ClusterSet,
}

impl ExFatTable {
    /// Clusters marked bad. The entries of contiguous files mean nothing (6.3.4.2), so what is found here counts only
    /// where the bitmap agrees that the cluster is not free.
    pub fn bad(&self) -> ClusterSet {
        let mut bad = ClusterSet::new();
        for n in 2..self.entries {
            if self.mark(n) == FatEntry::Bad {
                bad.push(ClusterRun::new(n.into(), 1));
            }
        }
        bad
    }

    fn raw(&self, n: u32) -> u32 {
        u32_at(&self.bytes, n as usize * 4)
    }
}

impl Links for ExFatTable {
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
            BAD => FatEntry::Bad,
            END => FatEntry::End,
            next if (2..=self.last).contains(&next) => FatEntry::Next(next),
            other => FatEntry::Invalid(other),
        }
    }
}

/// Reads as much of FAT number `active` (from 0) as there are clusters for. What of it cannot be read is taken from the
/// other one, if there is one: between the two only what was being written can differ.
pub(super) fn read(
    window: &Window<'_>,
    boot: &ExFatBoot,
    active: u64,
    findings: &mut Findings,
) -> Result<ExFatTable, SourceLost> {
    let sized = boot.table_bytes().next_multiple_of(boot.sector_bytes).min(boot.fat_bytes());
    let start = boot.fat_start(active);
    let length = window.extent().bytes.saturating_sub(start).min(sized);
    let mut bytes = vec![0; index(length)];
    let place = window.absolute(start).0;
    window.reader().announce("file allocation table", length);
    let mut lost = ExtentSet::new();
    if let Some(extent) = window.locate(start, length) {
        window.stream(&[extent], |block| {
            let from = index(block.extent.start.0 - place);
            bytes[from..from + block.bytes.len()].copy_from_slice(block.bytes);
            lost.extend(block.unreadable.extents().iter().copied());
            ControlFlow::Continue(())
        })?;
    }
    let mut unknown = Vec::new();
    for piece in lost.extents() {
        let offset = piece.start.0 - place;
        let mut gaps = vec![Extent::between(offset, offset + piece.bytes)];
        if boot.fat_count > 1 {
            gaps =
                from_other_copy(window, boot, 1 - active, offset, &mut bytes[index(offset)..][..index(piece.bytes)])?;
            let filled = piece.bytes - gaps.iter().map(|gap| gap.bytes).sum::<u64>();
            let sentence = format!("{} bytes of the FAT were not read; {filled} came from the other FAT.", piece.bytes);
            findings.push(Finding::at(&TABLE_OTHER_COPY, piece.start, sentence));
        }
        for gap in gaps {
            let (first, end) = (gap.start.0 / 4, gap.end().div_ceil(4));
            let sentence = format!("The chain entries of {} clusters from cluster {first} were not read.", end - first);
            findings.push(Finding::at(&TABLE_LOST, window.absolute(start + gap.start.0), sentence));
            unknown.push(ClusterRun::new(first, end - first));
        }
    }
    let entries = (length / 4).min(u64::from(boot.cluster_count) + 2);
    let table = ExFatTable {
        bytes,
        entries: u32::try_from(entries).expect("at most 2^32-9"),
        last: boot.last_cluster(),
        unknown: unknown.into_iter().collect(),
    };
    if entries >= 2 && !table.unknown.contains(Lcn(0)) {
        let head = [table.raw(0), table.raw(1)];
        if head != HEAD {
            let sentence = format!("The FAT starts with {:08X} {:08X}, not FFFFFFF8 FFFFFFFF.", head[0], head[1]);
            findings.push(Finding::at(&TABLE_HEAD, window.absolute(start), sentence));
        }
    }
    Ok(table)
}

/// Fills `bytes` from the other FAT; returns the places, counted from the FAT's start, that it does not give either.
fn from_other_copy(
    window: &Window<'_>,
    boot: &ExFatBoot,
    other: u64,
    offset: u64,
    bytes: &mut [u8],
) -> Result<Vec<Extent>, SourceLost> {
    let start = boot.fat_start(other) + offset;
    let whole = Extent::between(offset, offset + bytes.len() as u64);
    let Some(extent) = window.locate(start, whole.bytes) else { return Ok(vec![whole]) };
    let mut gaps = Vec::new();
    window.stream(&[extent], |block| {
        for part in block.unreadable.missing_from(block.extent) {
            let from = index(part.start.0 - block.extent.start.0);
            let to = index(part.start.0 - extent.start.0);
            let count = index(part.bytes);
            bytes[to..to + count].copy_from_slice(&block.bytes[from..from + count]);
        }
        let counted = |gap: &Extent| {
            let from = gap.start.0 - extent.start.0 + offset;
            Extent::between(from, from + gap.bytes)
        };
        gaps.extend(block.unreadable.extents().iter().map(counted));
        ControlFlow::Continue(())
    })?;
    Ok(gaps)
}

/// An offset within a table in memory.
fn index(offset: u64) -> usize {
    usize::try_from(offset).expect("an offset into bytes in memory")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 4.1.3: FFFFFFF7 bad, FFFFFFFF end of a chain, from 2 to ClusterCount+1 the next cluster, nothing else is valid.
    #[test]
    fn every_kind_of_entry() {
        let values = [HEAD[0], HEAD[1], 3, END, BAD, 0, 8, 7, 1, 0xFFFF_FFF6];
        let table = |unknown: &[u64]| ExFatTable {
            bytes: values.iter().flat_map(|v: &u32| v.to_le_bytes()).collect(),
            entries: 10,
            last: 7,
            unknown: unknown.iter().map(|n| ClusterRun::new(*n, 1)).collect(),
        };
        let marks: Vec<FatEntry> = (2..11).map(|n| table(&[3]).mark(n)).collect();
        let invalid = FatEntry::Invalid;
        let expected = [
            FatEntry::Next(3),
            FatEntry::Unknown,
            FatEntry::Bad,
            FatEntry::Free,
            invalid(8),
            FatEntry::Next(7),
            invalid(1),
            invalid(0xFFFF_FFF6),
        ];
        assert_eq!(marks[..8], expected);
        assert_eq!(marks[8], FatEntry::Unknown);
        assert_eq!(table(&[]).bad().runs(), [ClusterRun::new(4, 1)]);
    }
}
