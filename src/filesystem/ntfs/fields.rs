//! Little-endian fields of on-disk structures, by position; `None` where the structure ends before the field does.

pub(super) use crate::base::fields::{le16 as u16_at, le32 as u32_at, le64 as u64_at};

/// A position or length as an index into memory, `None` where it would not fit.
pub(super) fn index(value: u32) -> Option<usize> {
    usize::try_from(value).ok()
}

/// A length that is known to be small (a record, a read of at most some MiB).
pub(super) fn small(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a record or a request is far smaller than memory")
}
