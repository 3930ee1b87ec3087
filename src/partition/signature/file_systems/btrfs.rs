//! Btrfs.
//!
//! Source: Linux `include/uapi/linux/btrfs_tree.h`, `struct btrfs_super_block` (from memory; held against `mkfs.btrfs` and
//! `blkid` by the tests).

use crate::base::fields::{le16, le32, le64};
use crate::partition::signature::checksums::crc32c;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

const AT: u64 = 64 << 10;
/// Where the second superblock stands.
pub const COPY_AT: u64 = 64 << 20;
/// Length of a superblock.
pub(super) const BYTES: u64 = 4096;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    superblock(volume, AT).or_else(|| superblock(volume, COPY_AT))
}

fn superblock(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sb = volume.get(at, BYTES).filter(|sb| &sb[64..72] == b"_BHRfS_M")?;
    let (sector, node) = (le32(sb, 144)?, le32(sb, 148)?);
    if le64(sb, 48)? != at || !sector.is_power_of_two() || !(512..=65536).contains(&sector) || node < sector {
        return None;
    }
    // Of this device, not of the whole volume.
    let bytes = le64(sb, 209)?;
    let devices = le64(sb, 136)?;
    let mut found = volume.recognised(Sign::Btrfs, at, BYTES, "superblock _BHRfS_M");
    found.uuid = uuid(sb, 32);
    found.label = text(sb, 299, 256);
    found.bytes = Some(bytes);
    found.facts = vec![("node", format!("{node} bytes")), ("devices", devices.to_string())];
    // Types other than 0 (CRC-32C) are hashes that are not computed here.
    let sum_holds = (le16(sb, 196)? == 0).then(|| le32(sb, 0) == Some(crc32c(&[&sb[32..]])));
    found.certainty = Certainty::of(volume.holds(bytes), sum_holds);
    if at != AT {
        found.certainty = found.certainty.min(Certainty::Copy);
    }
    found.first.extend(volume.place(AT, BYTES));
    found.first.extend(volume.place(COPY_AT, BYTES));
    Some(found)
}
