//! The metadata region: a table of items, and the five that a disk without a parent needs (2.6).

use super::VhdxGeometry;
use super::header::guid_at;
use crate::base::extent::Extent;
use crate::base::fields::{u16_at, u32_at, u64_at};
use crate::store::durable_file::DurableFile;
use crate::store::image::{ImageError, VhdxFault};
use std::io;
use uuid::{Uuid, uuid};

const TABLE_BYTES: usize = 64 << 10;
const ENTRY: usize = 32;
/// As many entries as fit behind the table's header (2.6.1.1, from memory).
const MOST_ENTRIES: u16 = 2047;

// The items' identifiers, 2.6.2 (from memory; held against a second implementation by the tests).
const FILE_PARAMETERS: Uuid = uuid!("CAA16737-FA36-4D43-B3B6-33F0AA44E76B");
const DISK_SIZE: Uuid = uuid!("2FA54224-CD1B-4876-B211-5DBED83BF4B8");
const DISK_ID: Uuid = uuid!("BECA12AB-B2E6-4523-93EF-C309E000C746");
const LOGICAL_SECTOR: Uuid = uuid!("8141BF1D-A96F-4709-BA47-F233A8FAAB5F");
const PHYSICAL_SECTOR: Uuid = uuid!("CDA348C7-445D-4471-9CC9-E9885251C556");
const PARENT_LOCATOR: Uuid = uuid!("A8D35F2D-B30B-454D-ABF7-D3D84834AB0C");

/// The item says something of the virtual disk, not of the file (2.6.1.2).
const IS_VIRTUAL_DISK: u32 = 2;
/// The item must be understood.
const IS_REQUIRED: u32 = 4;
/// File parameters: the disk holds only differences from a parent (2.6.2.1).
const HAS_PARENT: u32 = 2;

/// Writes the table and the items of a new file.
pub(super) fn lay_out(storage: &dyn DurableFile, at: u64, geometry: &VhdxGeometry) -> io::Result<()> {
    let small = |bytes: u64| u32::try_from(bytes).expect("block and sector sizes are at most 256 MiB").to_le_bytes();
    // Neither "leave blocks allocated", which would make it a fixed disk, nor "has parent".
    let mut parameters = small(geometry.block_bytes()).to_vec();
    parameters.extend([0; 4]);
    let items = [
        (FILE_PARAMETERS, IS_REQUIRED, parameters),
        (DISK_SIZE, IS_REQUIRED | IS_VIRTUAL_DISK, geometry.bytes().to_le_bytes().to_vec()),
        (DISK_ID, IS_REQUIRED | IS_VIRTUAL_DISK, Uuid::new_v4().to_bytes_le().to_vec()),
        (LOGICAL_SECTOR, IS_REQUIRED | IS_VIRTUAL_DISK, small(geometry.logical().bytes()).to_vec()),
        (PHYSICAL_SECTOR, IS_REQUIRED | IS_VIRTUAL_DISK, small(geometry.physical().bytes()).to_vec()),
    ];
    let mut region = vec![0; TABLE_BYTES];
    region[0..8].copy_from_slice(b"metadata");
    let count = u16::try_from(items.len()).expect("five");
    region[10..12].copy_from_slice(&count.to_le_bytes());
    for (index, (guid, flags, value)) in items.iter().enumerate() {
        let offset = u32::try_from(region.len()).expect("little more than 64 KiB");
        let length = u32::try_from(value.len()).expect("at most 16");
        let entry = &mut region[ENTRY * (index + 1)..][..ENTRY];
        entry[0..16].copy_from_slice(&guid.to_bytes_le());
        entry[16..20].copy_from_slice(&offset.to_le_bytes());
        entry[20..24].copy_from_slice(&length.to_le_bytes());
        entry[24..28].copy_from_slice(&flags.to_le_bytes());
        region.extend_from_slice(value);
    }
    storage.write_at(at, &region)
}

/// Reads what a disk's metadata say of its sizes.
pub(super) fn read(storage: &dyn DurableFile, region: Extent) -> Result<VhdxGeometry, ImageError> {
    let mut table = vec![0; TABLE_BYTES];
    storage.read_at(region.start.0, &mut table)?;
    let wrong = |what| VhdxFault::Metadata { what };
    let count = u16_at(&table, 10);
    if &table[0..8] != b"metadata" || count > MOST_ENTRIES {
        return Err(wrong("the table has no signature, or too many entries").into());
    }
    let (mut parameters, mut bytes, mut logical, mut physical) = (None, None, None, None);
    for index in 0..usize::from(count) {
        let entry = &table[ENTRY * (index + 1)..][..ENTRY];
        let value = || item(storage, region, u32_at(entry, 16), u32_at(entry, 20));
        let flags = u32_at(entry, 24);
        match guid_at(entry, 0) {
            FILE_PARAMETERS => parameters = Some(value()?),
            DISK_SIZE => bytes = Some(value()?),
            LOGICAL_SECTOR => logical = Some(value()?),
            PHYSICAL_SECTOR => physical = Some(value()?),
            DISK_ID => {}
            PARENT_LOCATOR => return Err(VhdxFault::HasParent.into()),
            _ if flags & IS_REQUIRED != 0 => return Err(wrong("an item that must be understood is not known").into()),
            _ => {}
        }
    }
    let missing = || wrong("a required item is missing");
    let parameters = parameters.ok_or_else(missing)?;
    if u32_at(&parameters, 4) & HAS_PARENT != 0 {
        return Err(VhdxFault::HasParent.into());
    }
    let geometry = VhdxGeometry::from_metadata(
        u64_at(&bytes.ok_or_else(missing)?, 0),
        u64::from(u32_at(&parameters, 0)),
        u64::from(u32_at(&logical.ok_or_else(missing)?, 0)),
        u64::from(u32_at(&physical.ok_or_else(missing)?, 0)),
    );
    Ok(geometry.map_err(wrong)?)
}

/// An item of 4 or 8 bytes, filled up with zeros.
fn item(storage: &dyn DurableFile, region: Extent, offset: u32, length: u32) -> Result<[u8; 8], ImageError> {
    let fits = (4..=8).contains(&length)
        && offset as usize >= TABLE_BYTES
        && u64::from(offset) + u64::from(length) <= region.bytes;
    if !fits {
        return Err(VhdxFault::Metadata { what: "an item has an impossible length or offset" }.into());
    }
    let mut value = [0; 8];
    storage.read_at(region.start.0 + u64::from(offset), &mut value[..length as usize])?;
    Ok(value)
}
