//! The header that every object begins with, and the checksum in it.

use crate::base::fields::{u16_at, u64_at};
use crate::partition::signature::fletcher64;

/// Bytes of the header (`obj_phys_t`).
pub(super) const HEADER_BYTES: usize = 32;

/// Kinds of objects: the low 16 bits of the type field (`OBJECT_TYPE_*`).
pub(super) mod kind {
    pub const SUPERBLOCK: u16 = 0x01;
    pub const SPACE_MANAGER: u16 = 0x05;
    pub const CHUNK_ADDRESSES: u16 = 0x06;
    pub const CHUNK_INFO: u16 = 0x07;
    pub const OBJECT_MAP: u16 = 0x0B;
    pub const CHECKPOINT_MAP: u16 = 0x0C;
}

/// The header of an object whose checksum holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Header {
    /// Its number; for objects that lie at a place of their own the number of their block.
    pub id: u64,
    /// The transaction that wrote it.
    pub transaction: u64,
    /// One of [`kind`], or another.
    pub kind: u16,
}

impl Header {
    /// The header of the object that fills `bytes`; `None` when its checksum does not hold.
    pub fn of(bytes: &[u8]) -> Option<Header> {
        let sealed = bytes.get(8..)?;
        if bytes.len() < HEADER_BYTES || fletcher64(sealed) != u64_at(bytes, 0) {
            return None;
        }
        Some(Header { id: u64_at(bytes, 8), transaction: u64_at(bytes, 16), kind: u16_at(bytes, 24) })
    }
}
