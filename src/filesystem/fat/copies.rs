//! Reading the copies of the FAT and putting one table together from them.

use super::boot::sector::FatBoot;
use super::findings::{
    ACTIVE_COPY_WRONG, COPIES_DIFFER, COPY_UNREADABLE, MEDIA_DIFFERS, ONE_ACTIVE_COPY, TABLE_LOST, TABLE_TOO_SMALL,
};
use super::table::{FatTable, Width};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::{ClusterRun, ClusterSet, VolumeState};
use crate::source::{SourceLost, Window};
use std::ops::{ControlFlow, Range};

/// FATs up to this size are read in one piece, which also keeps FAT12 entries from straddling two blocks.
const SMALL: u64 = 64 << 10;

/// The smallest sector there is: what a drive loses at once.
const BLANK_SECTOR: usize = 512;

/// What reading the FATs gave.
pub(super) struct Reading {
    pub table: FatTable,
    pub state: VolumeState,
}

/// Reads as much of each copy as there are clusters for.
///
/// The first copy (or the only active one) decides; what of it cannot be read is taken from the next that can. Of a
/// volume that does not mirror its FATs only the active copy is read: the others are out of date.
pub(super) fn read(window: &Window<'_>, boot: &FatBoot, findings: &mut Findings) -> Result<Reading, SourceLost> {
    let width = Width::of(boot.kind);
    let numbers = boot.cluster_count + 2;
    let copies = copies_to_read(boot, findings, window);
    let sized = width.bytes_for(numbers).next_multiple_of(boot.sector_bytes).min(boot.fat_bytes());
    // A boot sector can promise more than there is; memory is only spent on what the window holds.
    let in_window = |copy: u64| window.extent().bytes.saturating_sub(boot.fat_start(copy)).min(sized);
    let length = copies.iter().map(|copy| in_window(*copy)).max().unwrap_or(0);
    let mut merge = Merge::new(width, numbers, length);
    window.reader().announce("file allocation tables", copies.iter().map(|copy| in_window(*copy)).sum());
    for copy in &copies {
        let start = boot.fat_start(*copy);
        let Some(extent) = window.locate(start, in_window(*copy)) else { continue };
        merge.begin_copy();
        each_block(window, extent, |place, bytes, unreadable| merge.take(extent.start.0, place, bytes, unreadable))?;
        for lost in std::mem::take(&mut merge.unreadable).extents() {
            let sentence = format!(
                "{} bytes of FAT copy {} were not read; {}.",
                lost.bytes,
                copy + 1,
                if copies.len() > 1 {
                    "other copies are used where they can be read"
                } else {
                    "there is no other copy to use"
                }
            );
            findings.push(Finding::at(&COPY_UNREADABLE, lost.start, sentence));
        }
    }
    let first_copy = copies.first().map_or(0, |copy| boot.fat_start(*copy));
    let table = merge.finish(window, boot, first_copy, findings);
    let state = note_marks(&table, window, boot, first_copy, findings);
    Ok(Reading { table, state })
}

fn copies_to_read(boot: &FatBoot, findings: &mut Findings, window: &Window<'_>) -> Vec<u64> {
    let all = || (0..boot.fat_count).collect();
    match boot.fat32.and_then(|fields| fields.active_only) {
        None => all(),
        Some(active) if active < boot.fat_count => {
            if boot.fat_count > 1 {
                let sentence = format!("Only FAT copy {} of {} is kept up to date.", active + 1, boot.fat_count);
                findings.push(Finding::at(&ONE_ACTIVE_COPY, window.absolute(boot.fat_start(active)), sentence));
            }
            vec![active]
        }
        Some(active) => {
            let sentence = format!(
                "The boot sector names FAT copy {} as the active one, but there are {}; all were read.",
                active + 1,
                boot.fat_count
            );
            findings.push(Finding::at(&ACTIVE_COPY_WRONG, window.absolute(0), sentence));
            all()
        }
    }
}

/// Hands over `extent` block by block: small ones as one kept read, large ones as a stream.
fn each_block(
    window: &Window<'_>,
    extent: Extent,
    mut each: impl FnMut(Extent, &[u8], &ExtentSet),
) -> Result<(), SourceLost> {
    if extent.bytes <= SMALL {
        let block = window.read_extent(extent)?;
        each(extent, &block.bytes, &block.unreadable);
        return Ok(());
    }
    window.stream(&[extent], |block| {
        each(block.extent, block.bytes, &block.unreadable);
        ControlFlow::Continue(())
    })
}

/// The table while its copies arrive.
struct Merge {
    width: Width,
    /// Number of entries the clusters ask for.
    numbers: u64,
    bytes: Vec<u8>,
    /// Which bytes of the table have come from some copy, counted from the table's start.
    known: ExtentSet,
    /// What of the present copy cannot be read, on the drive.
    unreadable: ExtentSet,
    differing: u64,
    first_differing: Option<u32>,
    elsewhere: ClusterSet,
    /// The same for the present copy alone, so that it can be filled in ascending order.
    elsewhere_in_copy: ClusterSet,
}

impl Merge {
    fn new(width: Width, numbers: u64, length: u64) -> Merge {
        Merge {
            width,
            numbers,
            bytes: vec![0; usize::try_from(length).expect("at most 1 GiB, 28 bits of entries")],
            known: ExtentSet::new(),
            unreadable: ExtentSet::new(),
            differing: 0,
            first_differing: None,
            elsewhere: ClusterSet::new(),
            elsewhere_in_copy: ClusterSet::new(),
        }
    }

    fn begin_copy(&mut self) {
        self.close_copy();
        self.unreadable = ExtentSet::new();
    }

    fn close_copy(&mut self) {
        let copy = std::mem::take(&mut self.elsewhere_in_copy);
        if !copy.is_empty() {
            self.elsewhere = self.elsewhere.union(&copy);
        }
    }

    /// Takes a block of the copy that starts at `copy_start`: what is new is filled in, what is known compared.
    fn take(&mut self, copy_start: u64, place: Extent, bytes: &[u8], unreadable: &ExtentSet) {
        for lost in unreadable.intersection(place) {
            self.unreadable.insert(lost);
        }
        for readable in unreadable.missing_from(place) {
            let inside = Extent::between(readable.start.0 - copy_start, readable.end() - copy_start);
            let part = |e: &Extent| {
                let from = index(e.start.0 + copy_start - place.start.0);
                &bytes[from..from + index(e.bytes)]
            };
            for known in self.known.intersection(inside) {
                self.compare(&known, part(&known));
            }
            for new in self.known.missing_from(inside) {
                self.bytes[index(new.start.0)..index(new.end())].copy_from_slice(part(&new));
            }
            self.known.insert(inside);
        }
    }

    /// Compares entries 2 and up; 0 and 1 are marks, which drivers do not always write to every copy, and what lies
    /// behind the last cluster's entry is unspecified.
    fn compare(&mut self, place: &Extent, other: &[u8]) {
        if self.bytes[index(place.start.0)..index(place.end())] == *other {
            return;
        }
        let entries = self.width.entries_within(&(place.start.0..place.end()));
        let end = u64::from(entries.end).min(self.numbers);
        for n in entries.start.max(2)..u32::try_from(end).expect("not above a 32-bit number") {
            let ours = self.width.decode(&self.bytes, 0, n);
            let theirs = self.width.decode(other, place.start.0, n);
            if ours == theirs {
                continue;
            }
            self.differing += 1;
            self.first_differing = Some(self.first_differing.map_or(n, |first| first.min(n)));
            if ours == 0 {
                self.elsewhere_in_copy.push(ClusterRun::new(n.into(), 1));
            }
        }
        self.fill_blank_sectors(place, other);
    }

    /// Takes over sectors that are all zero so far and hold something in `other`. A sector lost to zeros would break every
    /// chain through it; where it was rightly emptied no live folder entry leads into it, so that nothing follows the stale
    /// chain.
    fn fill_blank_sectors(&mut self, place: &Extent, other: &[u8]) {
        let ours = &mut self.bytes[index(place.start.0)..index(place.end())];
        for (ours, theirs) in ours.chunks_exact_mut(BLANK_SECTOR).zip(other.chunks_exact(BLANK_SECTOR)) {
            if ours.iter().all(|byte| *byte == 0) {
                ours.copy_from_slice(theirs);
            }
        }
    }

    fn finish(mut self, window: &Window<'_>, boot: &FatBoot, first_copy: u64, findings: &mut Findings) -> FatTable {
        self.close_copy();
        let place_of = |n: u32| window.absolute(first_copy + self.width.place(n).start);
        let held = self.width.entries_in(self.bytes.len() as u64).min(self.numbers);
        let entries = u32::try_from(held).expect("28 bits of entries");
        let mut unknown = self.unknown_entries(entries);
        if let Some(first) = self.first_differing {
            let sentence = format!(
                "{} entries differ between the copies of the FAT, first that of cluster {first}; {} clusters are free \
                 in the copy that decides and in use in another, and count as in use.",
                self.differing,
                self.elsewhere.count()
            );
            findings.push(Finding::at(&COPIES_DIFFER, place_of(first), sentence));
        }
        for run in unknown.runs() {
            let first = u32::try_from(run.first.0).expect("an entry's number");
            let sentence = format!(
                "The marks of {} clusters from cluster {first} were not read in any copy of the FAT; they count as \
                 in use.",
                run.count
            );
            findings.push(Finding::at(&TABLE_LOST, place_of(first), sentence));
        }
        let without_entry = self.numbers - held;
        if without_entry > 0 {
            let sentence = format!(
                "The FAT has room for {} entries (in {} sectors) where the volume asks for {}; {without_entry} \
                 clusters from cluster {entries} have none and count as in use.",
                self.width.entries_in(boot.fat_bytes()),
                boot.fat_sectors,
                self.numbers
            );
            findings.push(Finding::at(&TABLE_TOO_SMALL, window.absolute(first_copy), sentence));
        }
        let marks_known = entries >= 2 && self.known.covers(Extent::between(0, self.width.place(1).end));
        unknown.push(ClusterRun::new(u64::from(entries).max(2), self.numbers - u64::from(entries).max(2)));
        FatTable {
            width: self.width,
            bytes: self.bytes,
            entries,
            last: boot.last_cluster(),
            unknown,
            in_use_elsewhere: self.elsewhere,
            marks_known,
        }
    }

    /// Entries from 2 up that lie wholly or partly in bytes no copy gave.
    fn unknown_entries(&self, entries: u32) -> ClusterSet {
        let lost = self.known.missing_from(Extent::between(0, self.bytes.len() as u64));
        let runs = lost.iter().map(|lost| {
            let Range { start: mut first, mut end } = self.width.entries_within(&(lost.start.0..lost.end()));
            // FAT12 entries may reach into the range from either side.
            while first > 0 && self.width.place(first - 1).end > lost.start.0 {
                first -= 1;
            }
            while end < entries && self.width.place(end).start < lost.end() {
                end += 1;
            }
            let first = first.max(2);
            ClusterRun::new(first.into(), end.min(entries).saturating_sub(first).into())
        });
        runs.collect()
    }
}

/// Findings on entries 0 and 1, and what the volume's marks say.
fn note_marks(
    table: &FatTable,
    window: &Window<'_>,
    boot: &FatBoot,
    first_copy: u64,
    findings: &mut Findings,
) -> VolumeState {
    let place = window.absolute(first_copy);
    let mut marks = None;
    if table.marks_known {
        let media = table.raw(0) & 0xFF;
        if media != u32::from(boot.media) {
            let sentence =
                format!("The FAT's first entry gives media byte {media:02X}, the boot sector {:02X}.", boot.media);
            findings.push(Finding::at(&MEDIA_DIFFERS, place, sentence));
        }
        marks = table.marks();
    }
    let dirty = match marks {
        _ if boot.dirty => Some(true),
        marks => marks.map(|(dirty, _)| dirty),
    };
    let state = VolumeState { dirty, errors_noted: marks.map(|(_, errors)| errors) };
    state.note(place, findings);
    state
}

/// An offset within a table in memory.
fn index(offset: u64) -> usize {
    usize::try_from(offset).expect("an offset into bytes in memory")
}

#[cfg(test)]
mod tests {
    use super::super::table::tests::pack;
    use super::*;
    use crate::base::units::Lcn;
    use proptest::prelude::*;

    proptest! {
        /// Copies that arrive in blocks with lost places, against the same done entry by entry.
        #[test]
        fn merging_agrees_with_the_plain_rule(
            kind in prop::sample::select(vec![Width::Bits12, Width::Bits16, Width::Bits32]),
            mut first in prop::collection::vec(0u32..6, 40..60),
            changes in prop::collection::vec((2usize..40, 0u32..6), 0..6),
            lost in prop::collection::vec((0u64..2, 0u64..100, 1u64..30), 0..4),
            cut in 1u64..100,
        ) {
            first[0] = 0;
            first[1] = 0;
            let mut second = first.clone();
            changes.iter().for_each(|(n, value)| second[*n] = *value);
            let copies = [pack(kind, &first), pack(kind, &second)];
            let length = copies[0].len() as u64;
            let numbers = first.len() as u64;
            // Sectors are lost whole, so only entries of FAT12 can be lost by half.
            let unit = if kind == Width::Bits12 { 1 } else { 4 };
            let lost_in = |copy: u64, base: u64| -> ExtentSet {
                let of_copy = lost.iter().filter(|(c, ..)| *c == copy).map(|(_, at, n)| (at / unit * unit, n * unit));
                of_copy.map(|(at, n)| Extent::between(base + at.min(length), base + (at + n).min(length))).collect()
            };
            let mut merge = Merge::new(kind, numbers, length);
            for (copy, base) in [(0, 512u64), (1, 4096)] {
                merge.begin_copy();
                let unreadable = lost_in(copy, base);
                // FAT12 arrives in one piece, as in `read`; the others are cut between entries.
                let piece = if kind == Width::Bits12 { length } else { cut * 4 };
                let bytes = &copies[usize::try_from(copy).unwrap()];
                for place in Extent::between(base, base + length).pieces(piece) {
                    let inside = index(place.start.0 - base)..index(place.end() - base);
                    merge.take(base, place, &bytes[inside], &unreadable);
                }
            }
            merge.close_copy();
            let unknown = merge.unknown_entries(u32::try_from(numbers).unwrap());
            let readable = |copy: u64, n: u32| {
                let place = kind.place(n);
                lost_in(copy, 0).bytes_within(Extent::between(place.start, place.end)) == 0
            };
            for n in 2..u32::try_from(numbers).unwrap() {
                let at = n as usize;
                let known = !unknown.contains(Lcn(n.into()));
                // Half an entry may come from either copy, so with FAT12 more can be known than whole entries.
                if readable(0, n) || readable(1, n) {
                    prop_assert!(known, "entry {}", n);
                }
                if known && readable(0, n) {
                    prop_assert_eq!(kind.decode(&merge.bytes, 0, n), first[at]);
                } else if known && readable(1, n) && kind != Width::Bits12 {
                    prop_assert_eq!(kind.decode(&merge.bytes, 0, n), second[at]);
                }
                if readable(0, n) && readable(1, n) {
                    let elsewhere = merge.elsewhere.contains(Lcn(n.into()));
                    prop_assert_eq!(elsewhere, first[at] == 0 && second[at] != 0);
                }
            }
        }
    }
}
