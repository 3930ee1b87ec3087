//! $MFTMirr: a copy of the first four file records.

use crate::base::extent::Extent;
use crate::base::units::{ByteOffset, Lcn};
use crate::filesystem::ntfs::structure::boot::BootSector;
use crate::filesystem::ntfs::structure::record::{self, RecordHeader};
use crate::filesystem::ntfs::volume::Volume;
use crate::source::{Block, SourceLost};

/// How many records the mirror keeps. Linux fs/ntfs/layout.h (words on `FILE_MFTMirr`) gives more where a cluster is
/// larger than four records, and formatters fill the cluster; but Windows keeps only these four up to date, whatever the
/// cluster size: on a sound volume with clusters of 2 MiB, later records differed (msuhanov/ntfs-samples, ntfs-2m).
const MIRRORED_RECORDS: u64 = 4;

/// The mirror as far as it was read.
pub struct Mirror {
    block: Option<Block>,
    record_bytes: u64,
}

impl Mirror {
    /// Reads the mirror.
    pub fn read(volume: &Volume<'_>) -> Result<Mirror, SourceLost> {
        let BootSector { mirror: Lcn(first), cluster_bytes, record_bytes, .. } = volume.boot;
        let bytes = MIRRORED_RECORDS * record_bytes;
        let clusters = bytes.div_ceil(cluster_bytes);
        let offset = volume.extent(Lcn(first), clusters).map(|e| e.start.0 - volume.window.extent().start.0);
        let block = match offset {
            Some(offset) => volume.window.read(offset, bytes)?,
            None => None,
        };
        Ok(Mirror { block, record_bytes })
    }

    /// How many records it holds.
    pub fn count(&self) -> u64 {
        self.block.as_ref().map_or(0, |block| block.extent.bytes / self.record_bytes)
    }

    /// Where it starts, if it lies on the drive.
    pub fn place(&self) -> Option<ByteOffset> {
        self.block.as_ref().map(|block| block.extent.start)
    }

    /// Record `number` as it was read, `None` where it could not be.
    pub fn raw(&self, number: u32) -> Option<&[u8]> {
        let block = self.block.as_ref()?;
        let from = u64::from(number).checked_mul(self.record_bytes)?;
        let place = Extent::new(block.extent.start.0.checked_add(from)?, self.record_bytes)?;
        let from = usize::try_from(from).ok()?;
        let bytes = block.bytes.get(from..from.checked_add(usize::try_from(self.record_bytes).ok()?)?)?;
        block.has_read(place).then_some(bytes)
    }

    /// Record `number` with its fixups put back, if it is sound and is that record.
    pub fn sound(&self, number: u32) -> Option<(RecordHeader, Vec<u8>)> {
        let mut bytes = self.raw(number)?.to_vec();
        let header = record::open(&mut bytes).ok()?;
        header.number.is_none_or(|own| own == number).then_some((header, bytes))
    }
}
