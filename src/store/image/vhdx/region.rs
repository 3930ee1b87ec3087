//! The region tables: where the block allocation table and the metadata lie (2.2.3).

use super::MIB;
use super::header::{CRC_32C, Header, LOG_AT, LOG_BYTES, check_sum_is_right, guid_at};
use crate::base::extent::Extent;
use crate::base::fields::{u32_at, u64_at};
use crate::store::durable_file::DurableFile;
use crate::store::image::{ImageError, VhdxFault};
use std::io;
use uuid::{Uuid, uuid};

const TABLES: [u64; 2] = [192 << 10, 256 << 10];
const TABLE_BYTES: usize = 64 << 10;
const ENTRY: usize = 32;
const HEADER: usize = 16;
/// As many entries as fit in a table (2.2.3.1, from memory).
const MOST_ENTRIES: u32 = 2047;

const BAT: Uuid = uuid!("2DC27766-F623-4200-9D64-115E9BFD4A08");
const METADATA: Uuid = uuid!("8B7CA206-4790-4B9A-B8FE-575F050F886E");

/// The metadata's place in a file made here.
pub(super) const METADATA_AT: u64 = LOG_AT + LOG_BYTES as u64;
const METADATA_BYTES: u64 = MIB;
const BAT_AT: u64 = METADATA_AT + METADATA_BYTES;

/// Where the regions of a file lie.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Regions {
    pub(super) bat: Extent,
    pub(super) metadata: Extent,
    /// All that is no payload: the header section, the log, every region. Ascending and apart.
    pub(super) taken: Vec<Extent>,
}

/// Writes both tables of a new file; gives the end of the last region.
pub(super) fn lay_out(storage: &dyn DurableFile, bat_bytes: u64) -> io::Result<u64> {
    let mut table = vec![0; TABLE_BYTES];
    table[0..4].copy_from_slice(b"regi");
    table[8..12].copy_from_slice(&2u32.to_le_bytes());
    for (index, (guid, at, bytes)) in
        [(BAT, BAT_AT, bat_bytes), (METADATA, METADATA_AT, METADATA_BYTES)].iter().enumerate()
    {
        let entry = &mut table[HEADER + index * ENTRY..][..ENTRY];
        entry[0..16].copy_from_slice(&guid.to_bytes_le());
        entry[16..24].copy_from_slice(&at.to_le_bytes());
        let bytes = u32::try_from(*bytes).expect("a region made here has at most 16 MiB");
        entry[24..28].copy_from_slice(&bytes.to_le_bytes());
        entry[28..32].copy_from_slice(&1u32.to_le_bytes());
    }
    let crc = CRC_32C.checksum(&table);
    table[4..8].copy_from_slice(&crc.to_le_bytes());
    for at in TABLES {
        storage.write_at(at, &table)?;
    }
    Ok(BAT_AT + bat_bytes)
}

impl Regions {
    /// Reads the first sound table of a file of `bytes` bytes. Every region, and the log, lies in the file on whole MiB,
    /// behind the first MiB and apart from the others.
    pub(super) fn read(storage: &dyn DurableFile, header: &Header, bytes: u64) -> Result<Regions, ImageError> {
        let mut table = vec![0; TABLE_BYTES];
        let mut sound = false;
        for at in TABLES {
            if at + TABLE_BYTES as u64 <= bytes {
                storage.read_at(at, &mut table)?;
                sound = &table[0..4] == b"regi" && check_sum_is_right(&table) && u32_at(&table, 8) <= MOST_ENTRIES;
            }
            if sound {
                break;
            }
        }
        if !sound {
            return Err(VhdxFault::RegionTables.into());
        }
        let (mut bat, mut metadata) = (None, None);
        let mut taken =
            vec![("header", Extent::between(0, MIB)), ("log", place("log", header.log_at, header.log_bytes, bytes)?)];
        for index in 0..u32_at(&table, 8) as usize {
            let entry = &table[HEADER + index * ENTRY..][..ENTRY];
            let guid = guid_at(entry, 0);
            let (what, found) = match guid {
                BAT => ("block allocation table", Some(&mut bat)),
                METADATA => ("metadata", Some(&mut metadata)),
                _ if u32_at(entry, 28) & 1 != 0 => return Err(VhdxFault::UnknownRegion.into()),
                _ => ("optional", None),
            };
            let extent = place(what, u64_at(entry, 16), u32_at(entry, 24), bytes)?;
            if let Some(found) = found
                && found.replace(extent).is_some()
            {
                return Err(VhdxFault::Region { what }.into());
            }
            taken.push((what, extent));
        }
        taken.sort_unstable_by_key(|(_, extent)| *extent);
        if let Some(pair) = taken.windows(2).find(|pair| pair[0].1.end() > pair[1].1.start.0) {
            return Err(VhdxFault::Region { what: pair[1].0 }.into());
        }
        Ok(Regions {
            bat: bat.ok_or(VhdxFault::Region { what: "block allocation table" })?,
            metadata: metadata.ok_or(VhdxFault::Region { what: "metadata" })?,
            taken: taken.into_iter().map(|(_, extent)| extent).collect(),
        })
    }
}

fn place(what: &'static str, at: u64, length: u32, bytes: u64) -> Result<Extent, VhdxFault> {
    let extent = Extent::new(at, u64::from(length)).filter(|extent| {
        at >= MIB
            && at.is_multiple_of(MIB)
            && extent.bytes.is_multiple_of(MIB)
            && !extent.is_empty()
            && extent.end() <= bytes
    });
    extent.ok_or(VhdxFault::Region { what })
}
