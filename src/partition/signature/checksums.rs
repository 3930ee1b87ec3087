//! Checksums that superblocks are sealed with.

use crc::{CRC_16_MODBUS, CRC_16_XMODEM, CRC_32_ISCSI, CRC_32_ISO_HDLC, Crc};

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

static CRC16: Crc<u16> = Crc::<u16>::new(&CRC_16_XMODEM);
static CRC16_REFLECTED: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// The Fletcher-64 of APFS objects: two sums of 32-bit words modulo 2^32-1, made so that the sums over the whole object are zero.
///
/// Source: Apple File System Reference (2020), "Objects" (from memory, held against `mkapfs` and containers of macOS by the tests).
pub(crate) fn fletcher64(bytes: &[u8]) -> u64 {
    const MODULUS: u64 = 0xFFFF_FFFF;
    let (mut low, mut high) = (0u64, 0u64);
    let (words, _) = bytes.as_chunks::<4>();
    for word in words {
        low = (low + u64::from(u32::from_le_bytes(*word))) % MODULUS;
        high = (high + low) % MODULUS;
    }
    let check_low = MODULUS - (low + high) % MODULUS;
    let check_high = MODULUS - (low + check_low) % MODULUS;
    check_high << 32 | check_low
}

/// CRC-32C from `seed`, without the closing inversion.
pub(crate) fn crc32c_from(seed: u32, bytes: &[u8]) -> u32 {
    let mut digest = CRC32C.digest_with_initial(seed.reverse_bits());
    digest.update(bytes);
    !digest.finalize()
}

/// CRC-32 as Ethernet has it.
pub(crate) fn crc32_ieee(parts: &[&[u8]]) -> u32 {
    let mut digest = CRC32.digest();
    parts.iter().for_each(|part| digest.update(part));
    digest.finalize()
}

/// CRC-16 of ext group descriptors: reflected polynomial A001 from all ones, without a closing inversion.
pub(crate) fn crc16_reflected(parts: &[&[u8]]) -> u16 {
    let mut digest = CRC16_REFLECTED.digest();
    parts.iter().for_each(|part| digest.update(part));
    digest.finalize()
}

/// The CRC of ECMA-167, 7.2.6: polynomial 11021, from zero.
pub(super) fn crc16(bytes: &[u8]) -> u16 {
    CRC16.checksum(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "123456789", the check value of the catalogue of parametrised CRC algorithms (Cook), as the `crc` crate quotes it.
    const TEXT: &[u8] = b"123456789";

    #[test]
    fn each_gives_its_check_value() {
        assert_eq!(crc32c(&[&TEXT[..4], &TEXT[4..]]), 0xE306_9283);
        assert_eq!(crc32c_from(u32::MAX, TEXT), !0xE306_9283);
        assert_eq!(crc32_ieee(&[TEXT]), 0xCBF4_3926);
        assert_eq!(crc32_le(u32::MAX, &[TEXT]), !0xCBF4_3926);
        // A worked example computed from the published description; containers of macOS and mkapfs hold it too (tests/apfs).
        let words = [1u32, 2, 3, u32::MAX, 5, 6].map(u32::to_le_bytes).concat();
        assert_eq!(fletcher64(&words), 0x0000_002C_FFFF_FFC2);
        // ECMA-167, 7.2.6: the worked example 70 6A 77 gives 3299.
        assert_eq!(crc16(&[0x70, 0x6A, 0x77]), 0x3299);
    }
}
