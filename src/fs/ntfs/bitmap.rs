//! $Bitmap: one bit for each cluster, the lowest bit of the first byte for cluster 0; 1 means in use.
//!
//! Source: Linux fs/ntfs/layout.h (words on `FILE_Bitmap`) and fs/ntfs3/bitmap.c.

use super::findings as found;
use super::runlist::Run;
use super::volume::Volume;
use crate::extent::Extent;
use crate::finding::{Finding, Findings};
use crate::fs::{ClusterRun, ClusterSet};
use crate::source::SourceLost;
use std::ops::ControlFlow;

/// What the bitmap says.
#[derive(Default)]
pub(super) struct Marks {
    pub allocated: ClusterSet,
    pub unknown: ClusterSet,
}

/// Where the bitmap is.
pub(super) enum BitmapPlace {
    /// Nobody knows.
    Lost,
    /// In the file record (tiny volumes).
    Resident(Vec<u8>),
    /// In clusters: its runs, and how many bytes of it were ever written.
    Clusters { layout: Vec<Run>, valid: u64 },
}

/// Reads the bitmap.
pub(super) fn read(volume: &Volume<'_>, place: BitmapPlace, findings: &mut Findings) -> Result<Marks, SourceLost> {
    let clusters = volume.geometry.cluster_count;
    let mut scan = Scan::new(clusters);
    match place {
        BitmapPlace::Lost => {
            scan.skip_to(clusters);
            let sentence = format!("The record of $Bitmap is lost: the marks of all {clusters} clusters are unknown.");
            findings.push(Finding::general(&found::BITMAP_LOST, sentence));
            return Ok(scan.finish());
        }
        BitmapPlace::Resident(bytes) => scan.feed(&bytes),
        BitmapPlace::Clusters { layout, valid } => {
            let parts = parts(volume, &layout, clusters.div_ceil(8).min(valid));
            let extents: Vec<Extent> = parts.iter().map(|p| p.1).collect();
            volume.window.reader().announce("allocation bitmap", extents.iter().map(|e| e.bytes).sum());
            let mut part = 0;
            volume.window.reader().stream(&extents, |block| {
                while parts[part].1.intersection(&block.extent).is_none() {
                    part += 1;
                }
                let (byte, extent) = parts[part];
                let base = byte + (block.extent.start.0 - extent.start.0);
                for readable in block.unreadable.missing_from(block.extent) {
                    let from = readable.start.0 - block.extent.start.0;
                    scan.skip_to((base + from).saturating_mul(8));
                    let index = |at: u64| usize::try_from(at).expect("inside a block");
                    scan.feed(&block.bytes[index(from)..index(from + readable.bytes)]);
                }
                ControlFlow::Continue(())
            })?;
        }
    }
    scan.skip_to(clusters);
    let marks = scan.finish();
    if !marks.unknown.is_empty() {
        let sentence = format!(
            "The marks of {} of {clusters} clusters could not be read, the first is {}.",
            marks.unknown.count(),
            marks.unknown.runs()[0].first
        );
        findings.push(Finding::general(&found::BITMAP_PARTLY, sentence));
    }
    Ok(marks)
}

/// The first `wanted` bytes of the bitmap: byte of the bitmap and place, in order; holes and what is not on the drive
/// left out.
fn parts(volume: &Volume<'_>, layout: &[Run], wanted: u64) -> Vec<(u64, Extent)> {
    let mut parts = Vec::new();
    let mut byte = 0u64;
    for &(place, count) in layout {
        if byte >= wanted {
            break;
        }
        if let Some(extent) = place.and_then(|first| volume.extent(first, count)) {
            parts.push((byte, Extent { bytes: extent.bytes.min(wanted - byte), ..extent }));
        }
        byte = byte.saturating_add(count.saturating_mul(volume.boot.cluster_bytes));
    }
    parts
}

/// Turns bits into runs.
struct Scan {
    /// The next bit.
    at: u64,
    end: u64,
    /// Where the run of set bits started that is being scanned.
    open: Option<u64>,
    marks: Marks,
}

impl Scan {
    fn new(end: u64) -> Scan {
        Scan { at: 0, end, open: None, marks: Marks::default() }
    }

    /// Everything from the next bit up to bit `to` is unknown.
    fn skip_to(&mut self, to: u64) {
        let to = to.min(self.end);
        if to > self.at {
            self.close();
            self.marks.unknown.push(ClusterRun::new(self.at, to - self.at));
            self.at = to;
        }
    }

    /// Ends the run of set bits before the next bit.
    fn close(&mut self) {
        if let Some(start) = self.open.take() {
            let end = self.at.min(self.end);
            self.marks.allocated.push(ClusterRun::new(start, end.saturating_sub(start)));
        }
    }

    /// Takes the next bits. Those behind the last cluster are ignored: the last byte is filled up with ones.
    fn feed(&mut self, bytes: &[u8]) {
        let (words, tail) = bytes.as_chunks::<8>();
        for word in words {
            self.word(u64::from_le_bytes(*word), 64);
        }
        for byte in tail {
            self.word(u64::from(*byte), 8);
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

    fn finish(mut self) -> Marks {
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

    proptest! {
        /// Against the plain meaning, bit by bit, with unknown stretches in between.
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
