//! Little-endian fields of on-disk structures, by position; `None` where the structure ends before the field does.

/// The `N` bytes at `at`.
fn bytes_at<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}

/// An unsigned 16-bit field.
pub(super) fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes_at(bytes, at).map(u16::from_le_bytes)
}

/// An unsigned 32-bit field.
pub(super) fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes_at(bytes, at).map(u32::from_le_bytes)
}

/// An unsigned 64-bit field.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    bytes_at(bytes, at).map(u64::from_le_bytes)
}

/// A position or length as an index into memory, `None` where it would not fit.
pub(super) fn index(value: u32) -> Option<usize> {
    usize::try_from(value).ok()
}

/// A length that is known to be small (a record, a read of at most some MiB).
pub(super) fn small(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a record or a request is far smaller than memory")
}
