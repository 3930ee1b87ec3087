//! GFS2 and OCFS2, file systems that several machines use at once.
//!
//! Sources (from memory; held against the formatters and `blkid` by the tests): Linux `include/uapi/linux/gfs2_ondisk.h`
//! (big-endian), `fs/ocfs2/ocfs2_fs.h`.

use crate::base::fields::{be32, le32};
use crate::partition::signature::sign::{Recognised, Sign};
use crate::partition::signature::texts::{text, uuid};
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn gfs2(volume: &VolumeBytes) -> Option<Recognised> {
    const AT: u64 = 64 << 10;
    let sb = volume.get(AT, 272).filter(|sb| be32(sb, 0) == Some(0x0116_1970))?;
    let (block, shift) = (be32(sb, 36)?, be32(sb, 40)?);
    let in_range = be32(sb, 4)? == 1
        && (1800..1900).contains(&be32(sb, 24)?)
        && (512..=65536).contains(&block)
        && 1u32.checked_shl(shift) == Some(block);
    if !in_range {
        return None;
    }
    let mut found = volume.recognised(Sign::Gfs2, AT, 512, "superblock 01161970");
    found.label = text(sb, 160, 64);
    found.uuid = uuid(sb, 256);
    found.facts = vec![("block", format!("{block} bytes"))];
    Some(found)
}

pub fn ocfs2(volume: &VolumeBytes) -> Option<Recognised> {
    // In the third block, whatever a block is.
    [512u64, 1024, 2048, 4096].into_iter().find_map(|block| {
        let at = block * 2;
        let inode = volume.get(at, 512).filter(|inode| inode.starts_with(b"OCFSV2"))?;
        let sb = &inode[192..];
        let (block_bits, cluster_bits) = (le32(sb, 56)?, le32(sb, 60)?);
        if 1u64.checked_shl(block_bits) != Some(block) || !(12..=20).contains(&cluster_bits) {
            return None;
        }
        let mut found = volume.recognised(Sign::Ocfs2, at, block, "superblock OCFSV2");
        found.label = text(sb, 80, 64);
        found.uuid = uuid(sb, 144);
        found.facts = vec![("cluster", format!("{} bytes", 1u32 << cluster_bits))];
        Some(found)
    })
}
