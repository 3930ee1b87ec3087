//! APFS containers.
//!
//! Source: Apple File System Reference (2020), `nx_superblock_t` and Fletcher-64 in "Objects" (from memory, held against
//! `mkapfs` and `blkid` by the tests).

use crate::base::fields::{le32, le64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::texts::uuid;
use crate::partition::signature::volume_bytes::VolumeBytes;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    let sb = volume.get(0, 4096).filter(|sb| &sb[32..36] == b"NXSB")?;
    let block = le32(sb, 36)?;
    if !block.is_power_of_two() || !(4096..=65536).contains(&block) {
        return None;
    }
    let bytes = le64(sb, 40)?.checked_mul(u64::from(block))?;
    let sum_holds = volume.get(0, u64::from(block)).map(|whole| fletcher64(&whole[8..]) == le64(whole, 0));
    let mut found = volume.recognised(Sign::Apfs, 0, u64::from(block), "container superblock NXSB");
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

/// Two sums of 32-bit words modulo 2^32-1, made so that the sums over the whole object are zero.
fn fletcher64(bytes: &[u8]) -> Option<u64> {
    const MODULUS: u64 = 0xFFFF_FFFF;
    let (mut low, mut high) = (0u64, 0u64);
    let (words, _) = bytes.as_chunks::<4>();
    for word in words {
        low = (low + u64::from(u32::from_le_bytes(*word))) % MODULUS;
        high = (high + low) % MODULUS;
    }
    let check_low = MODULUS - (low + high) % MODULUS;
    let check_high = MODULUS - (low + check_low) % MODULUS;
    Some(check_high << 32 | check_low)
}
