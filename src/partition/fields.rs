//! Little-endian fields of on-disk structures.
//!
//! Every structure checks its length once, when it is taken from the drive; a field that lies beyond the bytes given
//! reads as zero, so that a mistake there cannot become a panic.

fn array<const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
    bytes.get(at..).and_then(|rest| rest.first_chunk::<N>()).copied().unwrap_or([0; N])
}

/// The byte at `at`.
pub(super) fn byte(bytes: &[u8], at: usize) -> u8 {
    array::<1>(bytes, at)[0]
}

/// The 16-bit field at `at`.
pub(super) fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes(array(bytes, at))
}

/// The 32-bit field at `at`.
pub(super) fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(array(bytes, at))
}

/// The 64-bit field at `at`.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from_le_bytes(array(bytes, at))
}

/// The 16 bytes of a GUID at `at`.
pub(super) fn guid_at(bytes: &[u8], at: usize) -> [u8; 16] {
    array(bytes, at)
}
