//! Checksums that superblocks are sealed with.

use crc::{CRC_32_ISCSI, CRC_32_ISO_HDLC, Crc};

static CRC32C: Crc<u32> = Crc::<u32>::new(&CRC_32_ISCSI);
static CRC32: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// CRC-32C, as published (starting from and ending with all ones).
pub(super) fn crc32c(parts: &[&[u8]]) -> u32 {
    let mut digest = CRC32C.digest();
    parts.iter().for_each(|part| digest.update(part));
    digest.finalize()
}

/// CRC-32 as the Linux kernel's `crc32_le` has it: from `seed`, without the closing inversion.
pub(super) fn crc32_le(seed: u32, parts: &[&[u8]]) -> u32 {
    let mut digest = CRC32.digest_with_initial(seed.reverse_bits());
    parts.iter().for_each(|part| digest.update(part));
    !digest.finalize()
}
