//! Fields of on-disk structures by position, in both byte orders; `None` where the structure ends before the field does.

/// The `N` bytes at `at`.
pub fn bytes_at<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
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
