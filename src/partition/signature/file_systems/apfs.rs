//! APFS containers.
//!
//! Source: Apple File System Reference (2020), `nx_superblock_t` (from memory, held against `mkapfs` and `blkid` by the tests).

use crate::base::fields::{le32, le64};
use crate::partition::signature::HEAD_BYTES;
use crate::partition::signature::checksums::fletcher64;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::uuid;
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    let found = look_at(volume, 0);
    if found.as_ref().is_some_and(|found| found.certainty >= Certainty::Consistent) {
        return found;
    }
    // Superblocks of checkpoints: as a rule their area begins at block one. The checksum must hold.
    let copies = (0..HEAD_BYTES).step_by(4096).skip(1).filter_map(|at| look_at(volume, at));
    let sound = copies.filter(|copy| copy.certainty == Certainty::Checksummed).last();
    let as_copy = |copy| Recognised { certainty: Certainty::Copy, ..copy };
    sound.map(as_copy).or(found)
}

fn look_at(volume: &VolumeBytes, at: u64) -> Option<Recognised> {
    let sb = volume.get(at, 4096).filter(|sb| &sb[32..36] == b"NXSB")?;
    let block = le32(sb, 36)?;
    if !block.is_power_of_two() || !(4096..=65536).contains(&block) || !at.is_multiple_of(u64::from(block)) {
        return None;
    }
    let bytes = le64(sb, 40)?.checked_mul(u64::from(block))?;
    let sum_holds = volume.get(at, u64::from(block)).map(|whole| Some(fletcher64(&whole[8..])) == le64(whole, 0));
    let mut found = volume.recognised(Sign::Apfs, at, u64::from(block), "container superblock NXSB");
    found.uuid = uuid(sb, 72);
    found.bytes = Some(bytes);
    found.facts = vec![("block", format!("{block} bytes"))];
    found.certainty = Certainty::of(volume.holds(bytes), sum_holds);
    let place = |at: u64, blocks: u64| {
        let start = at.checked_mul(u64::from(block))?;
        volume.place(start, blocks.min(1 << 14) * u64::from(block))
    };
    found.first.extend(place(0, 1));
    // The checkpoints, among which the newest superblock lies, when they are in one piece (the top bit tells).
    let (blocks, at) = (le32(sb, 104)?, le64(sb, 112)?);
    found.first.extend((blocks >> 31 == 0).then(|| place(at, u64::from(blocks))).flatten());
    // Where the keys of encrypted volumes are kept; there is none without such a volume.
    let (keys_at, keys) = (le64(sb, 1296)?, le64(sb, 1304)?);
    if keys_at > 0 && keys > 0 {
        found.encrypted = true;
        found.facts.push(("key bag", format!("block {keys_at}: at least one volume is encrypted")));
        found.first.extend(place(keys_at, keys));
    }
    Some(found)
}
