//! One pass over all of $MFT, in large requests, cut into records.

use super::collect::Collector;
use super::locate::{MftTable, unpacked};
use super::mirror::Mirror;
use super::table_map::TableExtent;
use crate::base::extent::Extent;
use crate::base::finding::Finding;
use crate::base::units::ByteOffset;
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::structure::record::{self, RecordError};
use crate::filesystem::ntfs::volume::{Volume, small};
use crate::source::{SourceLost, StreamBlock};
use std::collections::BTreeMap;
use std::ops::ControlFlow;

/// Hands every record of $MFT to `collector`. Extension records of $MFT that turn up on the way may describe further
/// parts of it (its list may be damaged); those are swept as well, until nothing new turns up.
pub fn sweep(volume: &Volume<'_>, table: &mut MftTable, collector: &mut Collector) -> Result<(), SourceLost> {
    let window = &volume.window;
    let mut cutter = Cutter::new(volume.boot.record_bytes);
    loop {
        let parts = table.map.take_fresh();
        if parts.is_empty() {
            break;
        }
        let extents: Vec<Extent> = parts.iter().map(|s| s.extent).collect();
        window.reader().announce("file records", extents.iter().map(|e| e.bytes).sum());
        let mut part = 0;
        window.stream(&extents, |block| {
            while parts[part].extent.intersection(&block.extent).is_none() {
                part += 1;
            }
            cutter.take(&parts[part], &block, &table.mirror, collector);
            ControlFlow::Continue(())
        })?;
        for part in collector.take_table_parts() {
            let runs = unpacked(&part.packed, part.next_vcn - part.first_vcn, &mut collector.findings);
            table.map.add(volume, part.first_vcn, &runs, &mut collector.findings);
        }
    }
    cutter.finish(table, collector);
    Ok(())
}

/// A run of record numbers that were lost, with the place of the first.
struct LostRecords {
    first: u32,
    count: u32,
    place: ByteOffset,
}

fn lose(list: &mut Vec<LostRecords>, number: u32, place: ByteOffset) {
    match list.last_mut() {
        Some(last) if last.first + last.count == number => last.count += 1,
        _ => list.push(LostRecords { first: number, count: 1, place }),
    }
}

/// How the bytes of a record arrived.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Arrival {
    Read,
    /// Some of them are only not read yet.
    NotReadYet,
    Unreadable,
}

impl Arrival {
    fn of(block: &StreamBlock<'_>, extent: Extent) -> Arrival {
        match block.unreadable.bytes_within(extent) {
            0 => Arrival::Read,
            lost if lost == block.not_read_yet.bytes_within(extent) => Arrival::NotReadYet,
            _ => Arrival::Unreadable,
        }
    }
}

/// Bytes of a record, as they lie one behind the other.
struct RecordPart<'b> {
    number: u32,
    /// Where in the record they begin.
    within: usize,
    place: ByteOffset,
    bytes: &'b [u8],
    arrival: Arrival,
}

/// A record of which only a part has arrived: records larger than clusters may lie in several pieces.
struct Pieces {
    bytes: Vec<u8>,
    arrived: usize,
    place: ByteOffset,
    arrival: Arrival,
}

struct Cutter {
    record_bytes: usize,
    scratch: Vec<u8>,
    pieces: BTreeMap<u32, Pieces>,
    unreadable: Vec<LostRecords>,
    not_read_yet: Vec<LostRecords>,
    /// Mirrored records that differ from $MFT's.
    differing: Vec<u32>,
    mirror_unreadable: u32,
}

impl Cutter {
    fn new(record_bytes: u64) -> Cutter {
        Cutter {
            record_bytes: small(record_bytes),
            scratch: vec![0; small(record_bytes)],
            pieces: BTreeMap::new(),
            unreadable: Vec::new(),
            not_read_yet: Vec::new(),
            differing: Vec::new(),
            mirror_unreadable: 0,
        }
    }

    fn take(&mut self, part: &TableExtent, block: &StreamBlock<'_>, mirror: &Mirror, collector: &mut Collector) {
        let mut place = block.extent.start.0;
        let mut offset = part.offset + (place - part.extent.start.0);
        let mut rest = block.bytes;
        let record = self.record_bytes as u64;
        while !rest.is_empty() {
            // $MFT is cut to fewer than 2^32 records when its length is set.
            let number = u32::try_from(offset / record).expect("record numbers have 32 bits");
            let within = small(offset % record);
            let (bytes, behind) = rest.split_at(rest.len().min(self.record_bytes - within));
            let extent = Extent::between(place, place + bytes.len() as u64);
            let arrival = Arrival::of(block, extent);
            let part = RecordPart { number, within, place: extent.start, bytes, arrival };
            if bytes.len() == self.record_bytes {
                self.record(&part, mirror, collector);
            } else {
                self.piece(&part, mirror, collector);
            }
            rest = behind;
            place = extent.end();
            offset += extent.bytes;
        }
    }

    fn piece(&mut self, part: &RecordPart<'_>, mirror: &Mirror, collector: &mut Collector) {
        let RecordPart { number, within, place, bytes, arrival } = *part;
        let whole = self.record_bytes;
        let entry = self.pieces.entry(number).or_insert_with(|| Pieces {
            bytes: vec![0; whole],
            arrived: 0,
            place,
            arrival: Arrival::Read,
        });
        entry.bytes[within..within + bytes.len()].copy_from_slice(bytes);
        entry.arrived += bytes.len();
        entry.arrival = entry.arrival.max(arrival);
        if within == 0 {
            entry.place = place;
        }
        if entry.arrived == whole
            && let Some(Pieces { bytes, place, arrival, .. }) = self.pieces.remove(&number)
        {
            self.record(&RecordPart { number, within: 0, place, bytes: &bytes, arrival }, mirror, collector);
        }
    }

    /// Takes a record of which all bytes are there, read or not.
    fn record(&mut self, whole: &RecordPart<'_>, mirror: &Mirror, collector: &mut Collector) {
        let RecordPart { number, place, bytes: raw, arrival, .. } = *whole;
        let outcome = if arrival == Arrival::Read {
            self.scratch.copy_from_slice(raw);
            record::open(&mut self.scratch).map_err(Some)
        } else {
            Err(None)
        };
        if u64::from(number) < mirror.count() && arrival == Arrival::Read {
            match mirror.raw(number) {
                Some(copy) if copy != raw => self.differing.push(number),
                Some(_) => {}
                None => self.mirror_unreadable += 1,
            }
        }
        match &outcome {
            Ok(_) => collector.counts.sound += 1,
            Err(Some(RecordError::Unused)) => collector.counts.unused += 1,
            Err(Some(_)) => collector.counts.damaged += 1,
            Err(None) if arrival == Arrival::NotReadYet => collector.counts.not_read_yet += 1,
            Err(None) => collector.counts.unreadable += 1,
        }
        match outcome {
            Ok(header) => collector.take(number, place, &header, &self.scratch),
            // The first four are never unused (Linux fs/ntfs/layout.h, the words on `FILE_MFTMirr`): zeros there are a loss.
            Err(Some(RecordError::Unused)) if number >= 4 || mirror.sound(number).is_none() => {
                collector.seen.blank.add(number);
            }
            Err(error) => {
                if let Some((header, bytes)) = mirror.sound(number) {
                    let why = match error {
                        Some(error) => error.to_string(),
                        None if arrival == Arrival::NotReadYet => "it is not read yet".to_owned(),
                        None => "it was not read".to_owned(),
                    };
                    let sentence = format!("Record {number} was taken from the mirror: {why}.");
                    collector.findings.push(Finding::at(&found::RECORD_BY_MIRROR, place, sentence));
                    collector.take(number, place, &header, &bytes);
                } else if let Some(error) = error {
                    let sentence = format!("Record {number} is not usable: {error}.");
                    collector.findings.push(Finding::at(&found::RECORD_DAMAGED, place, sentence));
                    collector.incomplete = true;
                } else if arrival == Arrival::NotReadYet {
                    lose(&mut self.not_read_yet, number, place);
                } else {
                    lose(&mut self.unreadable, number, place);
                }
            }
        }
    }

    /// Says what did not arrive.
    fn finish(mut self, table: &MftTable, collector: &mut Collector) {
        let record = self.record_bytes as u64;
        // A piece of a record without the rest: the rest lies in a missing part and is counted there.
        self.pieces.clear();
        collector.incomplete |= !self.unreadable.is_empty() || !self.not_read_yet.is_empty();
        for lost in &self.unreadable {
            let (first, count) = (u64::from(lost.first), u64::from(lost.count));
            let sentence =
                format!("{} were not read ({} bytes of $MFT).", found::records(first, count), count * record);
            collector.findings.push(Finding::at(&found::RECORDS_UNREADABLE, lost.place, sentence));
        }
        for lost in &self.not_read_yet {
            let (first, count) = (u64::from(lost.first), u64::from(lost.count));
            let be = if count == 1 { "is" } else { "are" };
            let sentence =
                format!("{} {be} not read yet ({} bytes of $MFT).", found::records(first, count), count * record);
            collector.findings.push(Finding::at(&found::RECORDS_NOT_READ, lost.place, sentence));
        }
        for (from, to) in table.map.missing() {
            collector.incomplete = true;
            let (first, end) = (from / record, to.div_ceil(record));
            let sentence = format!(
                "Bytes {from} to {to} of $MFT could not be located: {} file records, numbers {first} to {}; they may hide as many files.",
                end - first,
                end - 1
            );
            collector.findings.push(Finding::general(&found::TABLE_PARTS_MISSING, sentence));
        }
        self.check_mirror(&table.mirror, collector);
    }

    fn check_mirror(&self, mirror: &Mirror, collector: &mut Collector) {
        let Some(place) = mirror.place() else {
            let sentence = "$MFTMirr lies outside the volume or behind the end of the drive.";
            collector.findings.push(Finding::general(&found::MIRROR_UNREADABLE, sentence));
            return;
        };
        if self.mirror_unreadable > 0 {
            let sentence =
                format!("{} of {} records of $MFTMirr were not read.", self.mirror_unreadable, mirror.count());
            collector.findings.push(Finding::at(&found::MIRROR_UNREADABLE, place, sentence));
        }
        if let Some(first) = self.differing.first() {
            let sentence = format!(
                "{} of the {} mirrored records differ from $MFT's, the first is record {first}.",
                self.differing.len(),
                mirror.count()
            );
            collector.findings.push(Finding::at(&found::MIRROR_DIFFERS, place, sentence));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lost_records_that_follow_each_other_are_one_run() {
        let mut lost = Vec::new();
        for number in [0, 1, 5, 6, 7, 9] {
            lose(&mut lost, number, ByteOffset(u64::from(number) * 1024));
        }
        let runs: Vec<(u32, u32, u64)> = lost.iter().map(|run| (run.first, run.count, run.place.0)).collect();
        assert_eq!(runs, [(0, 2, 0), (5, 3, 5120), (9, 1, 9216)]);
    }
}
