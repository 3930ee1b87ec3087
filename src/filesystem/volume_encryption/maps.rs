//! The maps that tell which parts of a volume are encrypted while Windows 10 and later convert it: a descriptor (two copies), a map
//! for each region of the volume, and in each map two records, of which the newer counts.
//!
//! Sources, seen: dissect.fve 4.6, bde/eow.py and c_bde.py.

use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::{le16, le32, le64, u32_at, u64_at};
use crate::partition::signature::checksums::crc32_ieee;

/// Bytes of a descriptor without its list, of a map's header and of a record's.
const DESCRIPTOR: usize = 56;
const MAP: usize = 60;
const RECORD: usize = 36;
/// Largest map that is read. One of 16 MiB has marks of 128 million chunks.
const LARGEST_MAP: u64 = 16 << 20;
/// Most ranges in the clear that a map may have: 16 bytes each. A conversion has few.
const MOST_RANGES: usize = 1 << 20;

/// A descriptor.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MapsDescriptor {
    /// Its size in bytes.
    pub bytes: u64,
    /// Bytes that a mark stands for.
    pub chunk_bytes: u64,
    /// Bytes of each map's log.
    pub log_bytes: u64,
    /// Where the maps begin, in bytes from the volume's start.
    pub maps: Vec<u64>,
}

/// A map.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ConversionMap {
    /// Its size in bytes.
    pub bytes: u64,
    /// The part of the volume that it is about, in bytes from the volume's start.
    pub region: Extent,
    /// Where its log begins.
    pub log: u64,
    /// What of the region is stored in the clear.
    pub clear: ExtentSet,
}

impl MapsDescriptor {
    /// Bytes to read of a descriptor to know how long it is.
    pub const HEADER: u64 = 512;

    /// Bytes of a descriptor by its beginning; `None` when it is none.
    pub fn needed(start: &[u8]) -> Option<u64> {
        le16(start, 10).filter(|_| start.starts_with(b"FVE-EOW\0")).map(u64::from)
    }

    /// Reads a descriptor; `None` when it is none, or damaged.
    pub fn parse(bytes: &[u8]) -> Option<MapsDescriptor> {
        let size = usize::from(le16(bytes, 10)?);
        let whole = bytes.get(..size).filter(|whole| whole.starts_with(b"FVE-EOW\0") && size >= DESCRIPTOR)?;
        let count = usize::try_from(u32_at(whole, 32)).ok()?;
        let list = whole.get(DESCRIPTOR..DESCRIPTOR.checked_add(count.checked_mul(8)?)?)?;
        let chunk_bytes = u64::from(u32_at(whole, 20));
        (has_sum(whole, 36) && chunk_bytes >= 512 && count > 0).then(|| MapsDescriptor {
            bytes: size as u64,
            chunk_bytes,
            log_bytes: u64::from(u32_at(whole, 24)),
            maps: list.chunks_exact(8).map(|at| u64_at(at, 0)).collect(),
        })
    }
}

impl ConversionMap {
    /// Bytes to read of a map to know how long it is.
    pub const HEADER: u64 = 512;

    /// Bytes of a map by its beginning; `None` when it is none.
    pub fn needed(start: &[u8]) -> Option<u64> {
        let size = le32(start, 12).filter(|_| start.starts_with(b"FVE-EOWBM\0"))?;
        Some(u64::from(size)).filter(|bytes| (MAP as u64..=LARGEST_MAP).contains(bytes))
    }

    /// Reads a map; `None` when it is none, or neither of its records is whole.
    pub fn parse(bytes: &[u8], chunk_bytes: u64) -> Option<ConversionMap> {
        let size = ConversionMap::needed(bytes)?;
        let whole = bytes.get(..usize::try_from(size).ok()?)?;
        let records = [44, 48].map(|at| le32(whole, at).and_then(|at| usize::try_from(at).ok()));
        let header = whole.get(..records[0]?).filter(|header| header.len() >= MAP && has_sum(header, 56))?;
        let region = Extent::new(u64_at(header, 20), u64_at(header, 28))?;
        let record = |at: Option<usize>| whole.get(at?..).and_then(Record::parse);
        let newest = records.into_iter().filter_map(record).max_by_key(|record| record.sequence)?;
        let clear = newest.clear(region, chunk_bytes)?;
        Some(ConversionMap { bytes: size, region, log: le64(header, 36)?, clear })
    }
}

struct Record<'b> {
    sequence: u64,
    bits: u64,
    marks: &'b [u8],
}

impl<'b> Record<'b> {
    fn parse(bytes: &'b [u8]) -> Option<Record<'b>> {
        let size = usize::try_from(le32(bytes, 12)?).ok()?;
        let whole = bytes.get(..size).filter(|whole| whole.starts_with(b"FVE-EOWBR\0") && size >= RECORD)?;
        let bits = u64::from(u32_at(whole, 16));
        let marks = whole.get(RECORD..)?;
        (has_sum(whole, 32) && bits <= marks.len() as u64 * 8).then_some(Record {
            sequence: u64_at(whole, 20),
            bits,
            marks,
        })
    }

    /// What of the region is marked as in the clear; `None` when the marks do not cover it.
    fn clear(&self, region: Extent, chunk_bytes: u64) -> Option<ExtentSet> {
        if region.bytes.div_ceil(chunk_bytes) > self.bits {
            return None;
        }
        let chunks = (0..region.bytes.div_ceil(chunk_bytes)).filter(|chunk| {
            let byte = usize::try_from(chunk / 8).ok().and_then(|at| self.marks.get(at)).copied().unwrap_or(0xFF);
            byte >> (chunk % 8) & 1 == 0
        });
        let places = chunks.map(|chunk| {
            let start = region.start.0 + chunk * chunk_bytes;
            Extent::between(start, start.saturating_add(chunk_bytes).min(region.end()))
        });
        let mut clear = ExtentSet::new();
        for place in places {
            clear.insert(place);
            if clear.extents().len() > MOST_RANGES {
                return None;
            }
        }
        Some(clear)
    }
}

/// Whether the CRC at `at` is that of the bytes with zeros in its place.
fn has_sum(bytes: &[u8], at: usize) -> bool {
    let Some((before, behind)) = bytes.split_at_checked(at) else { return false };
    le32(behind, 0) == Some(crc32_ieee(&[before, &[0; 4], behind.get(4..).unwrap_or_default()]))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: a record of the sample `bitlk-aes-xts-128-eow.img` of cryptsetup: 9 marks, all encrypted, CRC 0x7085528B.
    fn record() -> Vec<u8> {
        let mut bytes =
            hex::decode("4656452d454f57425200240000020000090000000500000000000000010000008b528570ff01").unwrap();
        bytes.resize(512, 0);
        bytes
    }

    #[test]
    fn a_record_of_a_sample_is_whole() {
        let bytes = record();
        let record = Record::parse(&bytes).unwrap();
        assert_eq!((record.bits, record.sequence), (9, 5));
        let region = Extent::between(1 << 20, (1 << 20) + 9 * 4096 - 512);
        assert!(record.clear(region, 4096).unwrap().is_empty());
        assert_eq!(record.clear(Extent::between(0, 10 * 4096), 4096), None, "ten chunks have nine marks");
        for at in 0..512 {
            let mut changed = bytes.clone();
            changed[at] ^= 4;
            assert!(Record::parse(&changed).is_none(), "byte {at}");
        }
    }

    #[test]
    fn marks_of_zero_are_in_the_clear() {
        let record = Record { sequence: 1, bits: 16, marks: &[0b1111_0011, 0b0000_0001] };
        let clear = record.clear(Extent::between(4096, 4096 + 10 * 1024), 1024).unwrap();
        let ranges: Vec<_> = clear.extents().iter().map(|e| (e.start.0, e.bytes)).collect();
        assert_eq!(ranges, [(4096 + 2 * 1024, 2048), (4096 + 9 * 1024, 1024)]);
    }
}
