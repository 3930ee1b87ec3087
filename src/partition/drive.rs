//! The drive as tables address it: by sectors of a size that is not always the one the drive reports.

use crate::base::extent::Extent;
use crate::base::units::{Lba, SectorSize};
use crate::source::{Block, Reader, SourceLost, Window};

/// The whole drive, read by sectors.
pub(super) struct Drive<'r> {
    window: Window<'r>,
    /// The sector size that the source reports.
    pub(super) reported: SectorSize,
}

impl<'r> Drive<'r> {
    pub(super) fn new(reader: &'r Reader) -> Drive<'r> {
        let identity = reader.identity();
        Drive { window: Window::new(reader, identity.extent()), reported: identity.logical_sector }
    }

    /// The whole drive, byte by byte.
    pub(super) fn window(&self) -> &Window<'r> {
        &self.window
    }

    /// The whole drive.
    pub(super) fn extent(&self) -> Extent {
        self.window.extent()
    }

    /// Size in bytes.
    pub(super) fn bytes(&self) -> u64 {
        self.window.extent().bytes
    }

    /// The sector sizes that a table may count in: the reported one first.
    pub(super) fn units(&self) -> Vec<SectorSize> {
        let others = [SectorSize::S512, SectorSize::S4096].into_iter().filter(|u| *u != self.reported);
        std::iter::once(self.reported).chain(others).collect()
    }

    /// Number of whole sectors of `unit` bytes.
    pub(super) fn sectors(&self, unit: SectorSize) -> u64 {
        self.bytes() / unit.bytes()
    }

    /// The last whole sector, if there is one behind sector 0.
    pub(super) fn last(&self, unit: SectorSize) -> Option<Lba> {
        self.sectors(unit).checked_sub(1).filter(|last| *last > 0).map(Lba)
    }

    /// Where `bytes` bytes from the start of sector `lba` lie, or `None` unless all of them are on the drive.
    pub(super) fn locate(&self, lba: Lba, bytes: u64, unit: SectorSize) -> Option<Extent> {
        self.window.locate(unit.offset_of(lba)?.0, bytes)
    }

    /// Reads `bytes` bytes from the start of sector `lba`; `None` unless all of them are on the drive.
    pub(super) fn read(&self, lba: Lba, bytes: u64, unit: SectorSize) -> Result<Option<Block>, SourceLost> {
        match unit.offset_of(lba) {
            Some(start) => self.window.read(start.0, bytes),
            None => Ok(None),
        }
    }
}
