//! Where the parts of $MFT lie on the drive.

use super::findings as found;
use super::runlist::Run;
use super::volume::Volume;
use crate::extent::{Extent, ExtentSet};
use crate::finding::{Finding, Findings};
use crate::source::SourceLost;

/// A part of $MFT that is contiguous both in $MFT and on the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Stretch {
    /// Byte of $MFT it starts at.
    pub offset: u64,
    /// Where it lies on the drive.
    pub extent: Extent,
}

impl Stretch {
    fn end(&self) -> u64 {
        self.offset + self.extent.bytes
    }
}

/// The known parts of $MFT.
pub(super) struct TableMap {
    /// Bytes of $MFT that hold valid records, whole records only.
    pub length: u64,
    /// By offset, without overlap.
    stretches: Vec<Stretch>,
    /// The same on the drive: no byte may be two records.
    taken: ExtentSet,
    /// Those not yet handed out for reading.
    fresh: Vec<Stretch>,
}

impl TableMap {
    pub(super) fn new(length: u64) -> TableMap {
        TableMap { length, stretches: Vec::new(), taken: ExtentSet::new(), fresh: Vec::new() }
    }

    /// Takes in the runs of $MFT from VCN `first_vcn` on. What is known already stays as it is.
    pub(super) fn add(&mut self, volume: &Volume<'_>, first_vcn: u64, runs: &[Run], findings: &mut Findings) {
        let cluster = volume.boot.cluster_bytes;
        let mut vcn = first_vcn;
        for &(place, count) in runs {
            let whole_start = vcn.saturating_mul(cluster);
            vcn = vcn.saturating_add(count);
            let (from, to) = (whole_start.min(self.length), vcn.saturating_mul(cluster).min(self.length));
            let Some(first) = place.filter(|_| from < to) else { continue };
            let Some(drive) = volume.extent(first, count) else {
                let sentence = format!(
                    "Bytes {from} to {to} of $MFT should lie in {count} clusters from {first}, outside the volume or behind the end of the drive."
                );
                findings.push(Finding::general(&found::TABLE_RUN, sentence));
                continue;
            };
            let on_drive = from.saturating_add(drive.bytes).min(to);
            if on_drive < to {
                let sentence =
                    format!("Bytes {on_drive} to {to} of $MFT lie behind the end of the drive or partition.");
                findings.push(Finding::at(
                    &found::TABLE_RUN,
                    volume.window.absolute(volume.window.extent().bytes),
                    sentence,
                ));
            }
            for (a, b) in self.unknown_within(from, on_drive) {
                let start = drive.start.0 + (a - from);
                self.take(Stretch { offset: a, extent: Extent::between(start, start + (b - a)) }, findings);
            }
        }
    }

    fn take(&mut self, stretch: Stretch, findings: &mut Findings) {
        if self.taken.bytes_within(stretch.extent) > 0 {
            let sentence = format!(
                "Bytes {} to {} of $MFT should lie where another part of it lies.",
                stretch.offset,
                stretch.end()
            );
            findings.push(Finding::at(&found::TABLE_RUN, stretch.extent.start, sentence));
            return;
        }
        self.taken.insert(stretch.extent);
        let at = self.stretches.partition_point(|s| s.offset < stretch.offset);
        self.stretches.insert(at, stretch);
        self.fresh.push(stretch);
    }

    /// The parts of bytes `from` to `to` of $MFT that are not known.
    fn unknown_within(&self, from: u64, to: u64) -> Vec<(u64, u64)> {
        let mut gaps = Vec::new();
        let mut at = from;
        let first = self.stretches.partition_point(|s| s.end() <= from);
        for known in self.stretches[first..].iter().take_while(|s| s.offset < to) {
            if known.offset > at {
                gaps.push((at, known.offset));
            }
            at = at.max(known.end());
        }
        if at < to {
            gaps.push((at, to));
        }
        gaps
    }

    /// The parts of $MFT, in bytes of it, whose place is not known.
    pub(super) fn missing(&self) -> Vec<(u64, u64)> {
        self.unknown_within(0, self.length)
    }

    /// Number of contiguous parts.
    pub(super) fn parts(&self) -> usize {
        merged(&self.stretches).len()
    }

    /// The parts that came in since this was asked last, in $MFT's order, neighbours joined.
    pub(super) fn take_fresh(&mut self) -> Vec<Stretch> {
        let mut fresh = std::mem::take(&mut self.fresh);
        fresh.sort_by_key(|s| s.offset);
        merged(&fresh)
    }

    /// Reads a small part of $MFT (a record); `None` when its place is not all known or it cannot be read.
    pub(super) fn read(&self, volume: &Volume<'_>, offset: u64, bytes: u64) -> Result<Option<Vec<u8>>, SourceLost> {
        let Some(end) = offset.checked_add(bytes).filter(|end| *end <= self.length) else { return Ok(None) };
        if !self.unknown_within(offset, end).is_empty() {
            return Ok(None);
        }
        let mut all = Vec::new();
        let first = self.stretches.partition_point(|s| s.end() <= offset);
        for stretch in self.stretches[first..].iter().take_while(|s| s.offset < end) {
            let (a, b) = (offset.max(stretch.offset), end.min(stretch.end()));
            let start = stretch.extent.start.0 + (a - stretch.offset);
            let block = volume.window.reader().read(Extent::between(start, start + (b - a)))?;
            match block.whole() {
                Some(part) => all.extend_from_slice(part),
                None => return Ok(None),
            }
        }
        Ok(Some(all))
    }
}

fn merged(stretches: &[Stretch]) -> Vec<Stretch> {
    let mut joined: Vec<Stretch> = Vec::new();
    for stretch in stretches {
        match joined.last_mut() {
            Some(last) if last.end() == stretch.offset && last.extent.end() == stretch.extent.start.0 => {
                last.extent.bytes += stretch.extent.bytes;
            }
            _ => joined.push(*stretch),
        }
    }
    joined
}
