//! A source in memory, with ranges that cannot be read: for rehearsing what a failing drive does.

use super::{ReadError, Source, SourceIdentity, SourceKind};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::units::{ByteOffset, SectorSize};
use std::io;

/// Bytes in memory that behave like a drive.
pub struct MemorySource {
    bytes: Vec<u8>,
    unreadable: ExtentSet,
    identity: SourceIdentity,
}

impl MemorySource {
    /// A drive of `sector`-byte sectors that holds `bytes`.
    pub fn new(bytes: Vec<u8>, sector: SectorSize) -> MemorySource {
        let identity = SourceIdentity {
            path: "memory".into(),
            kind: SourceKind::ImageFile,
            bytes: bytes.len() as u64,
            logical_sector: sector,
            physical_sector: sector,
            model: None,
            serial: None,
            details: Default::default(),
        };
        MemorySource { bytes, unreadable: ExtentSet::new(), identity }
    }

    /// Makes a range unreadable: every read that touches it fails.
    #[must_use]
    pub fn with_unreadable(mut self, extent: Extent) -> MemorySource {
        self.unreadable.insert(extent);
        self
    }
}

impl Source for MemorySource {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let wanted = Extent::between(start.0, start.0.saturating_add(buffer.len() as u64));
        if self.unreadable.bytes_within(wanted) > 0 {
            return Err(ReadError::Unreadable(io::Error::other("a place made unreadable")));
        }
        let range = usize::try_from(wanted.start.0).ok().zip(usize::try_from(wanted.end()).ok());
        let held = range.and_then(|(from, to)| self.bytes.get(from..to));
        let held = held.ok_or_else(|| ReadError::Unreadable(io::ErrorKind::UnexpectedEof.into()))?;
        buffer.copy_from_slice(held);
        Ok(())
    }
}
