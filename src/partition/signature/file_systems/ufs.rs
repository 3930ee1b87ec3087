//! UFS1 and UFS2, in both byte orders.
//!
//! Source: FreeBSD `sys/ufs/ffs/fs.h`, `struct fs` (as quoted by dissect.ffs 3.12).

use crate::base::fields::{be32, be64, le32, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::text;
use crate::partition::signature::volume_bytes::VolumeBytes;

const BYTES: u64 = 1376;
const MAGIC_AT: usize = 1372;
/// `SBLOCK_UFS2`, `SBLOCK_UFS1`, `SBLOCK_FLOPPY`.
const PLACES: [u64; 3] = [64 << 10, 8 << 10, 0];

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    PLACES.into_iter().find_map(|at| superblock(volume, at))
}

fn superblock(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    type Word = fn(&[u8], usize) -> Option<u32>;
    type Long = fn(&[u8], usize) -> Option<u64>;
    let sb = volume.get(at, BYTES)?;
    let orders: [(Word, Long); 2] = [(le32, le64), (be32, be64)];
    orders.into_iter().find_map(|(word, long)| {
        let kind = match word(sb, MAGIC_AT)? {
            0x0001_1954 => Sign::Ufs1,
            0x1954_0119 => Sign::Ufs2,
            _ => return None,
        };
        let (block, fragment) = (word(sb, 48)?, word(sb, 52)?);
        let in_range = block.is_power_of_two()
            && (4096..=65536).contains(&block)
            && fragment.is_power_of_two()
            && (512..=block).contains(&fragment)
            && word(sb, 56)? == block / fragment
            && word(sb, 44)? > 0;
        if !in_range {
            return None;
        }
        let fragments = if kind == Sign::Ufs2 { long(sb, 1080)? } else { u64::from(word(sb, 36)?) };
        let bytes = fragments.checked_mul(u64::from(fragment))?;
        let mut found = volume.recognised(kind, at, BYTES, "superblock 011954 or 19540119");
        found.label = text(sb, 680, 32);
        let (high, low) = (word(sb, 144)?, word(sb, 148)?);
        found.uuid = (high | low != 0).then(|| format!("{high:08x}{low:08x}"));
        found.bytes = Some(bytes);
        found.facts = vec![("block", format!("{block} bytes")), ("fragment", format!("{fragment} bytes"))];
        found.certainty = Certainty::of(volume.holds(bytes), None);
        Some(found)
    })
}
