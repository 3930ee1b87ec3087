//! The numbers a drive is addressed by, each a type of its own so that a byte offset, a sector number and a cluster
//! number cannot be mixed up.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A byte offset from the start of the drive (0 to 2^64-1).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ByteOffset(pub u64);

/// A logical block address: a sector number counted from the start of the drive. It has a meaning only together
/// with a [`SectorSize`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Lba(pub u64);

/// A cluster number as the volume itself counts: LCN 0 is the first cluster of an NTFS volume, cluster 2 the first
/// of a FAT volume's data area.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Lcn(pub u64);

/// A sector size in bytes: a power of two from 512 to 65536.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(transparent)]
pub struct SectorSize(u32);

impl SectorSize {
    /// 512 bytes, the size of almost every drive that presents itself as "512n" or "512e".
    pub const S512: SectorSize = SectorSize(512);
    /// 4096 bytes, as drives with native 4 KiB sectors and many USB bridges present them.
    pub const S4096: SectorSize = SectorSize(4096);

    /// Checks that `bytes` is a sector size in use: a power of two from 512 to 65536.
    pub fn new(bytes: u64) -> Option<SectorSize> {
        let small = u32::try_from(bytes).ok()?;
        (small.is_power_of_two() && (512..=65536).contains(&small)).then_some(SectorSize(small))
    }

    /// The size in bytes.
    pub fn bytes(self) -> u64 {
        u64::from(self.0)
    }

    /// Where sector `lba` starts, or `None` when that lies beyond 2^64 bytes.
    pub fn offset_of(self, lba: Lba) -> Option<ByteOffset> {
        lba.0.checked_mul(self.bytes()).map(ByteOffset)
    }

    /// The sector that holds the byte at `offset`.
    pub fn lba_of(self, offset: ByteOffset) -> Lba {
        Lba(offset.0 / self.bytes())
    }
}

impl ByteOffset {
    /// This offset moved up by `bytes`, or `None` beyond 2^64-1.
    pub fn checked_add(self, bytes: u64) -> Option<ByteOffset> {
        self.0.checked_add(bytes).map(ByteOffset)
    }
}

impl fmt::Display for ByteOffset {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "byte {}", self.0)
    }
}

impl fmt::Display for Lba {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "LBA {}", self.0)
    }
}

impl fmt::Display for Lcn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cluster {}", self.0)
    }
}

impl fmt::Display for SectorSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}
