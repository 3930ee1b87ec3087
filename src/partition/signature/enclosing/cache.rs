//! bcache devices, and bcachefs, which grew out of it.
//!
//! Sources (from memory): Linux `include/uapi/linux/bcache.h`, `struct cache_sb`; `fs/bcachefs/bcachefs_format.h`,
//! `struct bch_sb`. bcache is held against `make-bcache` and `blkid` by the tests.

use crate::base::fields::{byte, le16, le64};
use crate::partition::signature::sign::{Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

const AT: u64 = 4096;
const BCACHE: [u8; 16] =
    [0xC6, 0x85, 0x73, 0xF6, 0x4E, 0x1A, 0x45, 0xCA, 0x82, 0x65, 0xF5, 0x7F, 0x48, 0xBA, 0x6D, 0x81];
const BCACHEFS: [u8; 16] =
    [0xC6, 0x85, 0x73, 0xF6, 0x66, 0xCE, 0x90, 0xA9, 0xD9, 0x6A, 0x60, 0xCF, 0x80, 0x3D, 0xF7, 0xEF];

pub fn bcache(volume: &VolumeBytes) -> Option<Recognised> {
    let sb = volume.get(AT, 512).filter(|sb| sb[24..40] == BCACHE)?;
    // Where it stands, in sectors; bcachefs, which used the same signature, has it elsewhere.
    if le64(sb, 8)? != AT / 512 {
        return None;
    }
    let role = match le64(sb, 16)? {
        0 | 3 => "cache",
        1 | 4 => "holds the data",
        _ => "unknown",
    };
    let mut found = volume.recognised(Sign::Bcache, AT, 4096, "superblock of bcache");
    found.uuid = uuid(sb, 40);
    found.label = text(sb, 72, 32);
    found.facts = vec![("role", role.to_owned())];
    found.facts.extend(uuid(sb, 56).map(|set| ("set", set)));
    found.first.extend(volume.place(0, 64 << 10));
    Some(found)
}

pub fn bcachefs(volume: &VolumeBytes) -> Option<Recognised> {
    let sb = volume.get(AT, 512).filter(|sb| sb[24..40] == BCACHEFS || sb[24..40] == BCACHE)?;
    let (device, devices) = (byte(sb, 122)?, byte(sb, 123)?);
    if le64(sb, 104)? != AT / 512 || device >= devices || le16(sb, 120)? == 0 {
        return None;
    }
    let mut found = volume.recognised(Sign::Bcachefs, AT, 4096, "superblock of bcachefs");
    found.uuid = uuid(sb, 56);
    found.label = text(sb, 72, 32);
    found.facts = vec![("devices", devices.to_string())];
    found.first.extend(volume.place(0, 64 << 10));
    Some(found)
}
