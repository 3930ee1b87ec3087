//! The container's blocks as they can be read.

use crate::base::extent::{Extent, ExtentSet};
use crate::base::units::ByteOffset;
use crate::source::{SourceLost, Window};
use std::ops::ControlFlow;

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

    /// Streams blocks in ascending order, neighbours in one request, and hands each to `each` with the key it was asked by: all
    /// that lie in the window, `None` for those that were not read. Those outside come first.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read_each<K: Copy + Ord>(
        &self,
        what: &'static str,
        mut wanted: Vec<(u64, K)>,
        mut each: impl FnMut(K, Option<&[u8]>),
    ) -> Result<(), SourceLost> {
        wanted.sort_unstable();
        wanted.retain(|(block, key)| {
            let inside = self.whole(*block).is_some();
            if !inside {
                each(*key, None);
            }
            inside
        });
        let extents: ExtentSet = wanted.iter().filter_map(|(block, _)| self.whole(*block)).collect();
        let reader = self.window.reader();
        reader.announce(what, extents.bytes());
        let mut next = wanted.into_iter().peekable();
        // Requests end on multiples of their size, not on the container's blocks.
        let mut block: Vec<u8> = Vec::new();
        let mut is_read = true;
        let length = usize::try_from(self.block_bytes).expect("a block is at most 64 KiB");
        reader.stream(extents.extents(), |arrived| {
            let mut bytes = arrived.bytes;
            let mut at = arrived.extent.start.0;
            while !bytes.is_empty() {
                let (part, rest) = bytes.split_at(bytes.len().min(length - block.len()));
                let end = at + part.len() as u64;
                is_read &= arrived.unreadable.bytes_within(Extent::between(at, end)) == 0;
                block.extend_from_slice(part);
                (bytes, at) = (rest, end);
                if block.len() == length {
                    let number = (end - self.window.extent().start.0) / self.block_bytes - 1;
                    while let Some((_, key)) = next.next_if(|(wanted, _)| *wanted == number) {
                        each(key, is_read.then_some(&block));
                    }
                    block.clear();
                    is_read = true;
                }
            }
            ControlFlow::Continue(())
        })
    }
}
