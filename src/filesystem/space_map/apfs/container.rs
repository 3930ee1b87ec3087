//! The container's blocks as they can be read.

use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::filesystem::space_map::places::read_places;
use crate::source::{SourceLost, Window};

/// A window of the drive in blocks.
pub(super) struct Container<'w> {
    pub window: &'w Window<'w>,
    pub block_bytes: u64,
}

impl Container<'_> {
    /// Where `count` blocks from number `first` lie on the drive, cut to the window; `None` when none of them does.
    pub fn place(&self, first: u64, count: u64) -> Option<Extent> {
        let start = self.window.extent().start.0.checked_add(first.checked_mul(self.block_bytes)?)?;
        let end = start.saturating_add(count.saturating_mul(self.block_bytes));
        Extent::between(start, end).intersection(&self.window.extent())
    }

    /// Of a container of `blocks` blocks those that lie in the window, in full or in part.
    pub fn held_blocks(&self, blocks: u64) -> u64 {
        self.window.extent().bytes.div_ceil(self.block_bytes).min(blocks)
    }

    /// Where a block begins on the drive; saturates.
    pub fn start_of(&self, block: u64) -> ByteOffset {
        self.window.absolute(block.saturating_mul(self.block_bytes))
    }

    /// A block's place, if all of it lies in the window.
    fn whole(&self, block: u64) -> Option<Extent> {
        self.window.locate(block.checked_mul(self.block_bytes)?, self.block_bytes)
    }

    /// One block, kept by the reader; `None` when it was not read or lies outside.
    pub fn read(&self, block: u64) -> Result<Option<Vec<u8>>, SourceLost> {
        let Some(extent) = self.whole(block) else { return Ok(None) };
        let read = self.window.reader().read(extent)?;
        Ok(read.whole().map(<[u8]>::to_vec))
    }

    /// Reads blocks and keeps them, so that reading any of them again costs nothing; whether all of them lie in the window and
    /// arrived.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn keep(&self, first: u64, count: u64) -> Result<bool, SourceLost> {
        let Some(place) = self.place(first, count) else { return Ok(false) };
        let mut arrived = place.bytes == count.saturating_mul(self.block_bytes);
        for part in place.pieces(1 << 20) {
            arrived &= self.window.reader().read(part)?.whole().is_some();
        }
        Ok(arrived)
    }

    /// Streams blocks in ascending order, neighbours in one request, and hands each to `each` with the key it was asked by: `None` for
    /// those that were not read. Those that do not lie in the window come first.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read_each<K: Copy + Ord>(
        &self,
        what: &'static str,
        wanted: Vec<(u64, K)>,
        mut each: impl FnMut(K, Option<&[u8]>),
    ) -> Result<(), SourceLost> {
        let mut places = Vec::new();
        for (block, key) in wanted {
            match self.whole(block) {
                Some(place) => places.push((place, key)),
                None => each(key, None),
            }
        }
        read_places(self.window.reader(), what, places, |key, place| {
            each(key, place.unreadable.is_empty().then_some(place.bytes));
        })
    }

    /// Blocks in small gaps between `wanted` ones, none of which was read before: to be read along, because that saves requests.
    pub fn small_gaps(&self, mut wanted: Vec<u64>) -> Vec<u64> {
        wanted.retain(|block| self.whole(*block).is_some());
        wanted.sort_unstable();
        let is_new = |block| self.whole(block).is_some_and(|place| !self.window.reader().would_ask_again(place));
        let mut gaps = small_gaps(&wanted);
        gaps.retain(|block| is_new(*block));
        gaps
    }
}

/// The longest gap that is read through, in blocks: 64 KiB with blocks of 4 KiB, far below what a seek costs.
const LONGEST_GAP: u64 = 16;

/// Blocks between `wanted` ones (ascending): of the gaps the smallest first, and half as many blocks at most as are wanted. They lie in
/// the pool, all of which is planned as structure.
fn small_gaps(wanted: &[u64]) -> Vec<u64> {
    let between = wanted.windows(2).map(|pair| (pair[1].saturating_sub(pair[0]).saturating_sub(1), pair[0]));
    let mut gaps: Vec<(u64, u64)> = between.filter(|(length, _)| (1..=LONGEST_GAP).contains(length)).collect();
    gaps.sort_unstable();
    let mut left = wanted.len() as u64 / 2;
    let mut blocks = Vec::new();
    for (length, before) in gaps {
        let Some(rest) = left.checked_sub(length) else { break };
        left = rest;
        blocks.extend(before + 1..=before + length);
    }
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smallest_gaps_are_read_through_up_to_half_of_what_is_wanted() {
        assert!(small_gaps(&[]).is_empty());
        assert!(small_gaps(&[5, 5, 6, 7]).is_empty());
        assert_eq!(small_gaps(&[1, 3, 5, 9, 10, 11]), [2, 4]);
        assert_eq!(small_gaps(&[1, 4, 6, 7, 8, 100]), [5, 2, 3]);
        assert!(small_gaps(&[0, u64::MAX]).is_empty());
    }
}
