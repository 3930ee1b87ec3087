//! Allocation bitmaps: bits turned into runs of clusters, numbered from 0.

use super::{ClusterRun, ClusterSet};
use crate::base::extent::Extent;
use crate::source::{SourceLost, Window};
use std::ops::ControlFlow;

/// What the bitmap says.
#[derive(Default)]
pub(super) struct BitmapMarks {
    /// Set bits.
    pub allocated: ClusterSet,
    /// Bits that were skipped.
    pub unknown: ClusterSet,
}

/// Which bit of a byte stands for the first of its clusters.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum BitOrder {
    /// The lowest, as in most file systems.
    LowestFirst,
    /// The highest, as in HFS+.
    HighestFirst,
}

/// Turns bits into runs.
pub(super) struct Scan {
    /// The next bit.
    at: u64,
    end: u64,
    /// Where the run of set bits started that is being scanned.
    open: Option<u64>,
    order: BitOrder,
    marks: BitmapMarks,
}

impl Scan {
    /// No bit seen yet; bits from `end` on do not count. The lowest bit of each byte comes first.
    pub fn new(end: u64) -> Scan {
        Scan::with_order(end, BitOrder::LowestFirst)
    }

    /// As [`Scan::new`], with the bits of each byte in the order given.
    pub fn with_order(end: u64, order: BitOrder) -> Scan {
        Scan { at: 0, end, open: None, order, marks: BitmapMarks::default() }
    }

    /// Everything from the next bit up to bit `to` is unknown.
    pub fn skip_to(&mut self, to: u64) {
        let to = to.min(self.end);
        if to > self.at {
            self.close();
            self.marks.unknown.push(ClusterRun::new(self.at, to - self.at));
            self.at = to;
        }
    }

    /// Everything from the next bit up to bit `to` is clear.
    pub fn clear_to(&mut self, to: u64) {
        let to = to.min(self.end);
        if to > self.at {
            self.close();
            self.at = to;
        }
    }

    /// Reads a bitmap's parts: byte of the bitmap at which each begins, ascending, and its place on the drive. What cannot
    /// be read, and what no part holds, is unknown.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read(&mut self, window: &Window<'_>, parts: &[(u64, Extent)]) -> Result<(), SourceLost> {
        let extents: Vec<Extent> = parts.iter().map(|part| part.1).collect();
        window.reader().announce("allocation bitmap", extents.iter().map(|e| e.bytes).sum());
        let (mut part, mut done) = (0, 0);
        window.stream(&extents, |block| {
            // Blocks come in the order of the parts, and end where these end. Hostile parts may overlap.
            while done == parts[part].1.bytes {
                (part, done) = (part + 1, 0);
            }
            let base = parts[part].0 + done;
            done += block.extent.bytes;
            for readable in block.unreadable.missing_from(block.extent) {
                let from = readable.start.0 - block.extent.start.0;
                self.skip_to((base + from).saturating_mul(8));
                let index = |at: u64| usize::try_from(at).expect("inside a block");
                self.feed(&block.bytes[index(from)..index(from + readable.bytes)]);
            }
            ControlFlow::Continue(())
        })
    }

    /// Ends the run of set bits before the next bit.
    fn close(&mut self) {
        if let Some(start) = self.open.take() {
            let end = self.at.min(self.end);
            self.marks.allocated.push(ClusterRun::new(start, end.saturating_sub(start)));
        }
    }

    /// Takes the next bits. Those behind the last cluster are ignored: the last byte is filled up with ones.
    pub fn feed(&mut self, bytes: &[u8]) {
        let (words, tail) = bytes.as_chunks::<8>();
        for word in words {
            let word = u64::from_le_bytes(*word);
            self.word(if self.order == BitOrder::LowestFirst { word } else { word.swap_bytes().reverse_bits() }, 64);
        }
        for byte in tail {
            let byte = if self.order == BitOrder::LowestFirst { *byte } else { byte.reverse_bits() };
            self.word(u64::from(byte), 8);
        }
    }

    fn word(&mut self, word: u64, width: u32) {
        let base = self.at;
        if base >= self.end {
            return;
        }
        let mut bit = 0;
        while bit < width {
            let rest = word >> bit;
            let same = if self.open.is_some() { rest.trailing_ones() } else { rest.trailing_zeros() };
            bit = (bit + same).min(width);
            if bit < width {
                self.at = base + u64::from(bit);
                if self.at >= self.end {
                    break;
                }
                if self.open.is_some() {
                    self.close();
                } else {
                    self.open = Some(self.at);
                }
            }
        }
        self.at = (base + u64::from(width)).min(self.end);
    }

    /// What was seen.
    pub fn finish(mut self) -> BitmapMarks {
        self.close();
        self.marks
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn runs(set: &ClusterSet) -> Vec<(u64, u64)> {
        set.runs().iter().map(|r| (r.first.0, r.count)).collect()
    }

    #[test]
    fn bits_behind_the_last_cluster_are_ignored() {
        let mut scan = Scan::new(13);
        scan.feed(&[0b0000_0110, 0b1111_1000, 0xFF]);
        assert_eq!(runs(&scan.finish().allocated), [(1, 2), (11, 2)]);
    }

    // Source: libyal/libfshfs, "Hierarchical File System (HFS)": block n is bit 7 - n % 8; the map of a volume by Mac OS X.
    #[test]
    fn the_highest_bit_may_come_first() {
        let mut map = [0; 256];
        map[..5].copy_from_slice(&[0xFF, 0xFF, 0xFF, 0xFF, 0xC0]);
        map[255] = 1;
        for cut in [0, 5, 256] {
            let mut scan = Scan::with_order(2048, BitOrder::HighestFirst);
            scan.feed(&map[..cut]);
            scan.feed(&map[cut..]);
            assert_eq!(runs(&scan.finish().allocated), [(0, 34), (2047, 1)]);
        }
    }

    proptest! {
        /// Against the plain meaning, bit by bit, with unknown ranges in between.
        #[test]
        fn scan_agrees_with_single_bits(parts in prop::collection::vec(
                (prop::collection::vec(prop_oneof![Just(0u8), Just(255), any::<u8>()], 0..40), 0u64..5), 0..6),
                cut in 0u64..16) {
            let total: u64 = parts.iter().map(|(b, gap)| b.len() as u64 + gap).sum();
            let end = (total * 8).saturating_sub(cut);
            let mut scan = Scan::new(end);
            let (mut set, mut unknown) = (Vec::new(), Vec::new());
            let mut at = 0;
            for (bytes, gap) in &parts {
                scan.feed(bytes);
                for byte in bytes {
                    set.extend((0..8).filter(|b| byte >> b & 1 == 1).map(|b| at + b).filter(|b| *b < end));
                    at += 8;
                }
                scan.skip_to(at + gap * 8);
                unknown.extend((at..at + gap * 8).filter(|b| *b < end));
                at += gap * 8;
            }
            let marks = scan.finish();
            let members = |set: &ClusterSet| set.runs().iter().flat_map(|r| r.first.0..r.end()).collect::<Vec<_>>();
            prop_assert_eq!(members(&marks.allocated), set);
            prop_assert_eq!(members(&marks.unknown), unknown);
        }
    }
}
