//! Where the bytes come from: an image file or a block device, opened read-only, and the one layer ([`Reader`])
//! through which every read passes and is counted.

mod aligned;
mod attached;
mod copy_store;
mod drive_details;
mod error;
mod failure;
pub mod host;
mod identity;
pub mod kernel;
mod keys;
mod memory;
mod open;
mod plain_view;
mod range_mark;
mod reader;
pub mod temperature;

pub use aligned::AlignedBuffer;
pub use attached::{AttachedDrive, attached_drives};
pub use copy_store::CopyStore;
pub use drive_details::{DriveDetails, SerialFrom};
pub use error::{OpenError, SourceLost};
pub use failure::{Blame, Failure, ReadError};
pub use identity::{SourceIdentity, SourceKind};
pub use keys::Keys;
pub use memory::MemorySource;
pub use open::{device_identity, open};
pub use plain_view::{PlainPart, PlainStore, PlainView, SectorCipher, Stored};
pub use range_mark::{RangeMark, Skip};
pub(crate) use reader::bytes_of;
pub use reader::{Activity, Attempt, Block, ReadOutcomes, ReadTotals, Reader, Window};
pub use reader::{LeftOff, StreamBlock, Trace, TroubleLimit};

use crate::base::clock::Clock;
use crate::base::units::ByteOffset;

/// Something that can be read at a position. There is deliberately no way to write.
pub trait Source: Send + Sync {
    /// Size, sector sizes and what the kernel tells about the drive.
    fn identity(&self) -> &SourceIdentity;

    /// Reads exactly `buffer.len()` bytes from `start`.
    ///
    /// The caller ([`Reader`]) passes offsets, lengths and buffers aligned to the logical sector where
    /// [`SourceIdentity::needs_alignment`] requires it, and stays within [`SourceIdentity::bytes`].
    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError>;

    /// Whether it was opened so that nothing in the kernel can use it meanwhile: no file system on it can be mounted.
    fn is_exclusive(&self) -> bool {
        true
    }

    /// Whether the source is still the one that was opened. Asked after a failed read, because the kernel reports a
    /// vanished drive with the same error number as a bad sector.
    fn is_present(&self) -> bool {
        true
    }

    /// Whether this stands for a drive that is not at hand, of which a survey has left structure. What is not held counts as left
    /// then.
    fn left_structure_before(&self) -> bool {
        false
    }

    /// The clock on which its reads take time.
    fn clock(&self) -> Clock {
        Clock::machine()
    }
}
