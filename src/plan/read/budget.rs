//! Bounds how much of a file may go by without an extent in it, and with that what a hostile file can make us keep.

use std::cell::Cell;
use std::io::{self, Read};

/// Bytes that may still be read before the next extent.
pub(super) struct Budget {
    left: Cell<u64>,
    used_up: Cell<bool>,
}

impl Budget {
    /// For the header: room for 100,000 findings of ordinary length.
    const HEADER: u64 = 64 << 20;
    /// Between two passes: the pass's own fields, of which only the pattern has no fixed length.
    const PASS: u64 = 1 << 20;
    /// Between two extents or gaps.
    const EXTENT: u64 = 1 << 12;

    pub(super) fn new() -> Budget {
        Budget { left: Cell::new(Self::HEADER), used_up: Cell::new(false) }
    }

    pub(super) fn at_pass(&self) {
        self.left.set(Self::PASS);
    }

    /// The end of a pass, after its last extent, may be followed by another pass.
    pub(super) fn at_extent(&self) {
        self.left.set(Self::EXTENT);
    }

    pub(super) fn is_used_up(&self) -> bool {
        self.used_up.get()
    }

    pub(super) fn limit<R: Read>(&self, input: R) -> Limited<'_, R> {
        Limited { budget: self, input }
    }
}

/// A reader that fails when the budget is used up.
pub(super) struct Limited<'b, R> {
    budget: &'b Budget,
    input: R,
}

impl<R: Read> Read for Limited<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let left = self.budget.left.get();
        let most = usize::try_from(left).unwrap_or(usize::MAX).min(buffer.len());
        if most == 0 && !buffer.is_empty() {
            self.budget.used_up.set(true);
            return Err(io::ErrorKind::InvalidData.into());
        }
        let count = self.input.read(&mut buffer[..most])?;
        self.budget.left.set(left - count as u64);
        Ok(count)
    }
}
