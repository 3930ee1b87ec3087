//! Where the parts of $MFT lie on the drive.

use crate::base::extent::Extent;
use crate::base::finding::{Finding, Findings};
use crate::base::units::ByteOffset;
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::structure::runlist::Run;
use crate::filesystem::ntfs::volume::Volume;
use crate::source::SourceLost;
use std::collections::BTreeMap;

/// A part of $MFT that is contiguous both in $MFT and on the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct TableExtent {
    /// Byte of $MFT it starts at.
    pub offset: u64,
    /// Where it lies on the drive.
    pub extent: Extent,
}

impl TableExtent {
    fn end(&self) -> u64 {
        self.offset + self.extent.bytes
    }
}

/// The known parts of $MFT.
pub struct TableMap {
    /// Bytes of $MFT that hold valid records, whole records only.
    pub length: u64,
    /// Extents on the drive by byte of $MFT, without overlap.
    known: BTreeMap<u64, Extent>,
    /// The same on the drive, end by start: no byte may be two records.
    taken: BTreeMap<u64, u64>,
    /// Those not yet handed out for reading.
    fresh: Vec<TableExtent>,
}

impl TableMap {
    pub fn new(length: u64) -> TableMap {
        TableMap { length, known: BTreeMap::new(), taken: BTreeMap::new(), fresh: Vec::new() }
    }

    /// Takes in the runs of $MFT from VCN `first_vcn` on. What is known already stays as it is.
    pub fn add(&mut self, volume: &Volume<'_>, first_vcn: u64, runs: &[Run], findings: &mut Findings) {
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
                self.take(TableExtent { offset: a, extent: Extent::between(start, start + (b - a)) }, findings);
            }
        }
    }

    fn take(&mut self, part: TableExtent, findings: &mut Findings) {
        let extent = part.extent;
        if self.taken.range(..extent.end()).next_back().is_some_and(|(_, end)| *end > extent.start.0) {
            let sentence =
                format!("Bytes {} to {} of $MFT should lie where another part of it lies.", part.offset, part.end());
            findings.push(Finding::at(&found::TABLE_RUN, part.extent.start, sentence));
            return;
        }
        self.taken.insert(extent.start.0, extent.end());
        self.known.insert(part.offset, extent);
        self.fresh.push(part);
    }

    /// The known parts that touch bytes `from` to `to` of $MFT, in order.
    fn known_within(&self, from: u64, to: u64) -> impl Iterator<Item = TableExtent> + '_ {
        let first = self.known.range(..=from).next_back().map_or(from, |(offset, _)| *offset);
        self.known
            .range(first..to.max(first))
            .map(|(offset, extent)| TableExtent { offset: *offset, extent: *extent })
            .filter(move |part| part.end() > from)
    }

    /// The parts of bytes `from` to `to` of $MFT that are not known.
    fn unknown_within(&self, from: u64, to: u64) -> Vec<(u64, u64)> {
        let mut gaps = Vec::new();
        let mut at = from;
        for known in self.known_within(from, to) {
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
    pub fn missing(&self) -> Vec<(u64, u64)> {
        self.unknown_within(0, self.length)
    }

    /// All parts whose place is known, by byte of $MFT, ascending.
    pub fn known(&self) -> impl Iterator<Item = (u64, Extent)> + '_ {
        self.known.iter().map(|(offset, extent)| (*offset, *extent))
    }

    /// Number of contiguous parts.
    pub fn parts(&self) -> usize {
        merged(self.known_within(0, self.length)).len()
    }

    /// The parts that came in since this was asked last, in $MFT's order, neighbours joined.
    pub(super) fn take_fresh(&mut self) -> Vec<TableExtent> {
        let mut fresh = std::mem::take(&mut self.fresh);
        fresh.sort_by_key(|s| s.offset);
        merged(fresh)
    }

    /// Whether the place of all of a part of $MFT is known.
    pub fn knows(&self, offset: u64, bytes: u64) -> bool {
        let end = offset.saturating_add(bytes);
        end <= self.length && self.unknown_within(offset, end).is_empty()
    }

    /// Where a byte of $MFT lies on the drive.
    pub fn place(&self, offset: u64) -> Option<ByteOffset> {
        let (start, extent) = self.known.range(..=offset).next_back()?;
        let within = offset - start;
        (within < extent.bytes).then(|| ByteOffset(extent.start.0 + within))
    }

    /// Reads a small part of $MFT (a record); `None` when its place is not all known or it cannot be read.
    pub fn read(&self, volume: &Volume<'_>, offset: u64, bytes: u64) -> Result<Option<Vec<u8>>, SourceLost> {
        if !self.knows(offset, bytes) {
            return Ok(None);
        }
        let end = offset + bytes;
        let mut all = Vec::new();
        for part in self.known_within(offset, end) {
            let (a, b) = (offset.max(part.offset), end.min(part.end()));
            let start = part.extent.start.0 + (a - part.offset);
            let block = volume.window.read_extent(Extent::between(start, start + (b - a)))?;
            match block.whole() {
                Some(part) => all.extend_from_slice(part),
                None => return Ok(None),
            }
        }
        Ok(Some(all))
    }
}

fn merged(parts: impl IntoIterator<Item = TableExtent>) -> Vec<TableExtent> {
    let mut joined: Vec<TableExtent> = Vec::new();
    for part in parts {
        match joined.last_mut() {
            Some(last) if last.end() == part.offset && last.extent.end() == part.extent.start.0 => {
                last.extent.bytes += part.extent.bytes;
            }
            _ => joined.push(part),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::{Lcn, SectorSize};
    use crate::filesystem::ntfs::structure::boot::BootSector;
    use crate::source::{MemorySource, Reader, Window};

    /// A drive of 1000 clusters of 512 bytes, each filled with the low byte of its number; records of 1024 bytes.
    fn with_volume(test: impl FnOnce(&Volume<'_>)) {
        let bytes = (0..1000u32).flat_map(|cluster| [cluster.to_le_bytes()[0]; 512]).collect();
        let reader = Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None);
        let window = Window::new(&reader, reader.identity().extent());
        let boot = BootSector {
            sector_bytes: 512,
            cluster_bytes: 512,
            total_sectors: 1200,
            mft: Lcn(4),
            mirror: Lcn(8),
            record_bytes: 1024,
            index_bytes: 4096,
            serial: 0,
            signed: true,
        };
        test(&Volume::new(&window, boot));
    }

    fn run(lcn: u64, count: u64) -> Run {
        (Some(Lcn(lcn)), count)
    }

    #[test]
    fn parts_come_in_any_order_and_are_read_across_their_ends() {
        with_volume(|volume| {
            let mut findings = Findings::new();
            let mut map = TableMap::new(20 * 512);
            map.add(volume, 9, &[run(50, 2), run(30, 9)], &mut findings);
            assert_eq!(map.missing(), [(0, 9 * 512)]);
            map.add(volume, 0, &[run(100, 4), run(104, 5)], &mut findings);
            assert!(map.missing().is_empty() && findings.kept().is_empty());
            assert_eq!(map.parts(), 3);
            // Record 4 is cluster 8 (the last of the first part) and cluster 9 (the first of the second).
            let record = map.read(volume, 4 * 1024, 1024).unwrap().unwrap();
            assert_eq!((record[0], record[511], record[512], record[1023]), (108, 108, 50, 50));
            assert_eq!(map.read(volume, 10 * 1024, 1024).unwrap(), None);
            let fresh: Vec<_> = map.take_fresh().iter().map(|s| (s.offset / 512, s.extent.start.0 / 512)).collect();
            assert_eq!(fresh, [(0, 100), (9, 50), (11, 30)]);
            map.add(volume, 0, &[run(100, 4)], &mut findings);
            assert!(map.take_fresh().is_empty(), "what is known is not read again");
        });
    }

    #[test]
    fn impossible_parts_are_refused() {
        with_volume(|volume| {
            let mut findings = Findings::new();
            let mut map = TableMap::new(100 * 512);
            map.add(volume, 0, &[run(10, 10)], &mut findings);
            // On top of the first part; outside the volume; behind the end of the drive; half behind it.
            map.add(volume, 10, &[run(19, 5)], &mut findings);
            map.add(volume, 20, &[run(1199, 5)], &mut findings);
            map.add(volume, 30, &[run(1100, 5)], &mut findings);
            map.add(volume, 40, &[run(998, 4)], &mut findings);
            map.add(volume, u64::MAX - 3, &[run(10, u64::MAX)], &mut findings);
            assert_eq!(findings.count(&found::TABLE_RUN), 4);
            assert_eq!(map.missing(), [(10 * 512, 40 * 512), (42 * 512, 100 * 512)]);
        });
    }
}
