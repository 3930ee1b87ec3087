//! Fields of on-disk structures by position. No field is ever read past the end of its structure, and none can panic.
//!
//! Two forms, by what is known of the structure: [`le16`] and its like say `None` where it ends before the field does;
//! [`u16_at`] and its like are for structures whose length was checked when they were taken from the drive, and read
//! zero there.

/// The `N` bytes at `at`.
pub fn bytes_at<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}

/// One byte.
pub fn byte(bytes: &[u8], at: usize) -> Option<u8> {
    bytes.get(at).copied()
}

/// Little-endian, 16 bits.
pub fn le16(bytes: &[u8], at: usize) -> Option<u16> {
    bytes_at(bytes, at).map(u16::from_le_bytes)
}

/// Little-endian, 32 bits.
pub fn le32(bytes: &[u8], at: usize) -> Option<u32> {
    bytes_at(bytes, at).map(u32::from_le_bytes)
}

/// Little-endian, 64 bits.
pub fn le64(bytes: &[u8], at: usize) -> Option<u64> {
    bytes_at(bytes, at).map(u64::from_le_bytes)
}

/// Big-endian, 16 bits.
pub fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    bytes_at(bytes, at).map(u16::from_be_bytes)
}

/// Big-endian, 32 bits.
pub fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    bytes_at(bytes, at).map(u32::from_be_bytes)
}

/// Big-endian, 64 bits.
pub fn be64(bytes: &[u8], at: usize) -> Option<u64> {
    bytes_at(bytes, at).map(u64::from_be_bytes)
}

/// One byte of a structure whose length was checked.
pub fn u8_at(bytes: &[u8], at: usize) -> u8 {
    byte(bytes, at).unwrap_or(0)
}

/// Little-endian, 16 bits of a structure whose length was checked.
pub fn u16_at(bytes: &[u8], at: usize) -> u16 {
    le16(bytes, at).unwrap_or(0)
}

/// Little-endian, 32 bits of a structure whose length was checked.
pub fn u32_at(bytes: &[u8], at: usize) -> u32 {
    le32(bytes, at).unwrap_or(0)
}

/// Little-endian, 64 bits of a structure whose length was checked.
pub fn u64_at(bytes: &[u8], at: usize) -> u64 {
    le64(bytes, at).unwrap_or(0)
}

/// The 16 bytes of a GUID in a structure whose length was checked.
pub fn guid_at(bytes: &[u8], at: usize) -> [u8; 16] {
    bytes_at(bytes, at).unwrap_or([0; 16])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_field_reaches_past_the_end() {
        let bytes = [1, 2, 3, 4, 5, 6, 7, 8, 9];
        assert_eq!((le64(&bytes, 1), be64(&bytes, 1)), (Some(0x0908_0706_0504_0302), Some(0x0203_0405_0607_0809)));
        assert_eq!((le64(&bytes, 2), be32(&bytes, 6), le16(&bytes, 8), byte(&bytes, 9)), (None, None, None, None));
        assert_eq!((u64_at(&bytes, 1), u32_at(&bytes, 6), u16_at(&bytes, 8)), (0x0908_0706_0504_0302, 0, 0));
        assert_eq!((le16(&bytes, usize::MAX), guid_at(&bytes, 0)), (None, [0; 16]));
    }
}
