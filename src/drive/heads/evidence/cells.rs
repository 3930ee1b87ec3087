//! What reads told, cell by cell.

use super::index;
use crate::base::extent::Extent;
use crate::drive::model::to_f64;

/// The least cell in bytes: a request of usual length.
const LEAST_CELL: u64 = 1 << 20;
/// Requests are cut where cells begin, so that is a multiple of so many bytes.
const ROUND: u64 = 64 << 10;
/// One byte each: 4 MiB of memory. Only a drive above 4 TiB gets longer cells.
const MOST_CELLS: u64 = 1 << 22;
/// Bad cells between two good ones that are no further apart are no band: a bad sector, a short scratch.
const LEAST_BAND: u64 = 4 << 20;

/// Read at full speed.
pub(in crate::drive::heads) const READ: u8 = 1;
/// A read failed, or was slow.
pub(in crate::drive::heads) const BAD: u8 = 2;
/// Read, but nothing is known of the speed.
pub(in crate::drive::heads) const UNTIMED: u8 = 4;

/// How long the cells of a drive are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::drive::heads) enum Scale {
    /// All alike: bands keep their length within a zone.
    Even,
    /// They shrink evenly with the position, the last one half as long as the first: so do bands where zones are short
    /// (common practice, no source).
    Shrinking,
}

/// The drive in cells, each with what reads in it told.
pub(in crate::drive::heads) struct Cells {
    scale: Scale,
    /// Mean length of a cell in bytes, a power of two.
    bytes: u64,
    seen: Vec<u8>,
    /// Behind the last cell of which anything is known.
    end: usize,
    /// Whether a head reads slowly rather than not at all, so that a read of unknown speed tells nothing.
    speed_matters: bool,
}

/// Neighbouring cells that told the same.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::drive::heads) struct Run {
    pub(in crate::drive::heads) start: usize,
    pub(in crate::drive::heads) end: usize,
    pub(in crate::drive::heads) bad: bool,
}

impl Cells {
    pub(in crate::drive::heads) fn new(drive_bytes: u64, scale: Scale) -> Cells {
        let bytes = drive_bytes.div_ceil(MOST_CELLS).next_power_of_two().max(LEAST_CELL);
        let count = usize::try_from(drive_bytes.div_ceil(bytes).max(1)).expect("at most 2^22");
        Cells { scale, bytes, seen: vec![0; count], end: 0, speed_matters: false }
    }

    pub(in crate::drive::heads) fn bytes(&self) -> u64 {
        self.bytes
    }

    pub(in crate::drive::heads) fn count(&self) -> usize {
        self.seen.len()
    }

    pub(in crate::drive::heads) fn end(&self) -> usize {
        self.end
    }

    pub(in crate::drive::heads) fn let_speed_matter(&mut self) {
        self.speed_matters = true;
    }

    /// Whether anything follows from such a read.
    pub(in crate::drive::heads) fn tells(&self, what: u8) -> bool {
        !(self.speed_matters && what == UNTIMED)
    }

    /// The cell that holds a byte, or the last one.
    pub(in crate::drive::heads) fn at(&self, byte: u64) -> usize {
        let last = self.seen.len() - 1;
        if self.scale == Scale::Even {
            return usize::try_from(byte / self.bytes).map_or(last, |cell| cell.min(last));
        }
        // The reverse of what [`Cells::start_of`] has; rounding may lead beside it.
        let share = to_f64(byte) / to_f64(self.drive_bytes());
        let mut cell = index(-self.length() * (1.0 - share.min(1.0) / 2.0).log2()).min(last);
        while cell < last && self.start_of(cell + 1) <= byte {
            cell += 1;
        }
        while self.start_of(cell) > byte {
            cell -= 1;
        }
        cell
    }

    /// Where a cell begins, in bytes; behind the last one, where that ends.
    pub(in crate::drive::heads) fn start_of(&self, cell: usize) -> u64 {
        if self.scale == Scale::Even || cell >= self.seen.len() {
            return (cell as u64).saturating_mul(self.bytes).min(self.drive_bytes());
        }
        let share = to_f64(cell as u64) / self.length();
        let at = index(2.0 * to_f64(self.drive_bytes()) * (1.0 - (-share).exp2())) as u64;
        at / ROUND * ROUND
    }

    /// The drive's length, in whole cells.
    pub(in crate::drive::heads) fn drive_bytes(&self) -> u64 {
        self.seen.len() as u64 * self.bytes
    }

    fn length(&self) -> f64 {
        to_f64(self.seen.len() as u64)
    }

    /// Writes down what a read of `extent` told. Whether it is new for any cell.
    pub(in crate::drive::heads) fn mark(&mut self, extent: Extent, what: u8) -> bool {
        if extent.is_empty() {
            return false;
        }
        let (first, last) = (self.at(extent.start.0), self.at(extent.end() - 1));
        let mut new = false;
        for cell in &mut self.seen[first..=last] {
            new |= *cell & what == 0;
            *cell |= what;
        }
        self.end = self.end.max(last + 1);
        new
    }

    /// Whether any read there was bad, and whether any was good.
    pub(in crate::drive::heads) fn seen_at(&self, cell: usize) -> (bool, bool) {
        (self.seen[cell] & BAD != 0, self.seen[cell] & (READ | UNTIMED) != 0)
    }

    /// Whether a cell is bad; `None` when nothing is known, or both.
    fn is_bad(&self, cell: usize) -> Option<bool> {
        let seen = if self.speed_matters { self.seen[cell] & !UNTIMED } else { self.seen[cell] };
        match seen {
            0 => None,
            BAD => Some(true),
            _ if seen & BAD == 0 => Some(false),
            _ => None,
        }
    }

    /// The runs in a range of cells, ascending. What is too short for a band is left out: a lone bad sector says nothing
    /// about heads.
    pub(in crate::drive::heads) fn runs(&self, from: usize, to: usize) -> Vec<Run> {
        let limit = usize::try_from(LEAST_BAND / self.bytes).expect("at most 4").max(2);
        let to = to.min(self.end);
        let mut runs: Vec<Run> = Vec::new();
        for cell in from.saturating_sub(limit)..(to + limit).min(self.end) {
            let Some(bad) = self.is_bad(cell) else { continue };
            match runs.last_mut() {
                Some(run) if run.bad == bad && run.end == cell => run.end = cell + 1,
                _ => runs.push(Run { start: cell, end: cell + 1, bad }),
            }
        }
        let mut kept: Vec<Run> = Vec::with_capacity(runs.len());
        for group in runs.chunk_by(|a, b| a.bad == b.bad) {
            let before = kept.last().map(|run| run.end).filter(|_| group[0].bad);
            let after = runs.partition_point(|run| run.start <= group[0].start) + group.len() - 1;
            let is_short = before.zip(runs.get(after)).is_some_and(|(before, after)| after.start - before < limit);
            if !is_short {
                kept.extend_from_slice(group);
            }
        }
        kept.retain(|run| run.end > from && run.start < to);
        for run in &mut kept {
            (run.start, run.end) = (run.start.max(from), run.end.min(to));
        }
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn marked(list: &[(u64, u64, u8)]) -> Cells {
        let mut cells = Cells::new(1000 * MIB, Scale::Even);
        for (start, end, what) in list {
            cells.mark(Extent::between(start * MIB, end * MIB), *what);
        }
        cells
    }

    fn runs(cells: &Cells) -> Vec<(usize, usize, bool)> {
        cells.runs(0, 1000).into_iter().map(|run| (run.start, run.end, run.bad)).collect()
    }

    #[test]
    fn what_is_shorter_than_a_band_is_left_out() {
        let cells =
            marked(&[(0, 10, READ), (10, 12, BAD), (12, 20, READ), (20, 21, BAD), (30, 31, BAD), (34, 40, READ)]);
        assert_eq!(runs(&cells), [(0, 10, false), (12, 20, false), (20, 21, true), (30, 31, true), (34, 40, false)]);
    }

    #[test]
    fn a_cell_that_told_both_tells_nothing() {
        let cells = marked(&[(0, 4, READ), (3, 9, BAD), (9, 12, READ)]);
        assert_eq!(runs(&cells), [(0, 3, false), (4, 9, true), (9, 12, false)]);
    }

    #[test]
    fn where_speed_matters_an_untimed_read_tells_nothing() {
        let mut cells = marked(&[(0, 4, READ), (4, 8, UNTIMED), (8, 20, BAD)]);
        assert_eq!(runs(&cells), [(0, 8, false), (8, 20, true)]);
        cells.let_speed_matter();
        assert_eq!(runs(&cells), [(0, 4, false), (8, 20, true)]);
    }

    #[test]
    fn memory_is_bounded_for_the_largest_drive() {
        assert_eq!(Cells::new(1_000_000_000_000, Scale::Even).bytes(), MIB);
        let largest = Cells::new(u64::MAX / 2, Scale::Even);
        assert!(largest.count() <= 1 << 22);
        assert_eq!(largest.at(u64::MAX / 2), largest.count() - 1);
        assert_eq!(Cells::new(0, Scale::Even).count(), 1);
    }

    // Source: by hand. Where lengths fall evenly from 1 to 1/2, half of all cells end at 2 - sqrt(2) of the drive.
    #[test]
    fn shrinking_cells_end_half_as_long() {
        let cells = Cells::new(1 << 40, Scale::Shrinking);
        let length = |first: usize, count: usize| cells.start_of(first + count) - cells.start_of(first);
        let (first, last) = (length(0, 1024), length(cells.count() - 1024, 1024));
        assert!((2 * last).abs_diff(first) < first / 500, "{first} {last}");
        assert!(cells.start_of(cells.count() / 2).abs_diff(644_078_999_564) <= ROUND, "{}", cells.start_of(1 << 19));
        for cell in (0..cells.count()).step_by(997) {
            let start = cells.start_of(cell);
            assert_eq!((cells.at(start), cells.at(start + length(cell, 1) - 1)), (cell, cell));
            assert_eq!(start % ROUND, 0);
        }
        assert_eq!(cells.at(u64::MAX), cells.count() - 1);
        assert_eq!(cells.start_of(cells.count()), 1 << 40);
    }
}
