//! The sizes of a virtual disk, and what follows from them.

use super::MIB;
use crate::base::units::SectorSize;
use crate::store::image::ImageError;

/// Largest virtual disk: 64 TiB (2.6.2.2, from memory).
const LARGEST: u64 = 64 << 40;
/// Block sizes are powers of two from 1 to 256 MiB (2.6.2.1, from memory).
const LARGEST_BLOCK: u64 = 256 * MIB;
/// The block allocation table is kept in memory; the block size of a new image is chosen so that it fits in this.
const LARGEST_TABLE: u64 = 16 * MIB;
/// Bytes of an entry of the block allocation table (2.5.1).
const ENTRY: u64 = 8;

/// The sizes of a virtual disk.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VhdxGeometry {
    bytes: u64,
    block_bytes: u64,
    logical: SectorSize,
    physical: SectorSize,
}

impl VhdxGeometry {
    /// For a drive of `bytes` bytes: the size rounded up to whole sectors, and the smallest block size, from 1 MiB on,
    /// with which the block allocation table takes at most 16 MiB. Small blocks waste no room in any copying program
    /// that knows no holes, and cost nothing here.
    ///
    /// A drive with other physical sectors than a VHDX can name is given the nearest smaller, 4096 or 512.
    ///
    /// # Errors
    /// [`ImageError::TooLargeForVhdx`], [`ImageError::SectorForVhdx`].
    pub fn new(bytes: u64, logical: SectorSize, physical: SectorSize) -> Result<VhdxGeometry, ImageError> {
        if !is_vhdx_sector(logical) {
            return Err(ImageError::SectorForVhdx { bytes: logical.bytes() });
        }
        let rounded = bytes.checked_next_multiple_of(logical.bytes()).filter(|&rounded| rounded <= LARGEST);
        let rounded = rounded.ok_or(ImageError::TooLargeForVhdx { bytes })?;
        let physical = if physical >= SectorSize::S4096 { SectorSize::S4096 } else { SectorSize::S512 };
        let mut geometry = VhdxGeometry { bytes: rounded, block_bytes: MIB, logical, physical: physical.max(logical) };
        while geometry.entries() * ENTRY > LARGEST_TABLE {
            geometry.block_bytes *= 2;
        }
        Ok(geometry)
    }

    /// What a file's metadata say, or what is wrong with it.
    pub(super) fn from_metadata(
        bytes: u64,
        block_bytes: u64,
        logical: u64,
        physical: u64,
    ) -> Result<VhdxGeometry, &'static str> {
        let sector = |bytes| SectorSize::new(bytes).filter(|&sector| is_vhdx_sector(sector));
        let logical = sector(logical).ok_or("the logical sector size is neither 512 nor 4096")?;
        let physical = sector(physical).ok_or("the physical sector size is neither 512 nor 4096")?;
        if !block_bytes.is_power_of_two() || !(MIB..=LARGEST_BLOCK).contains(&block_bytes) {
            return Err("the block size is no power of two from 1 to 256 MiB");
        }
        if bytes == 0 || bytes > LARGEST || !bytes.is_multiple_of(logical.bytes()) {
            return Err("the disk's size is no multiple of its sectors, or beyond 64 TiB");
        }
        Ok(VhdxGeometry { bytes, block_bytes, logical, physical })
    }

    /// Size of the virtual disk in bytes, a multiple of the logical sector.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Bytes in a block, the unit in which room is given out: a power of two from 1 to 256 MiB.
    pub fn block_bytes(&self) -> u64 {
        self.block_bytes
    }

    /// The logical sector size.
    pub fn logical(&self) -> SectorSize {
        self.logical
    }

    /// The physical sector size.
    pub fn physical(&self) -> SectorSize {
        self.physical
    }

    /// Number of blocks.
    pub fn blocks(&self) -> u64 {
        self.bytes.div_ceil(self.block_bytes)
    }

    /// Payload blocks to a chunk: an entry for a sector bitmap follows as many (2.5).
    pub fn chunk_ratio(&self) -> u64 {
        (1 << 23) * self.logical.bytes() / self.block_bytes
    }

    /// Number of entries in the block allocation table of a disk that has no parent (2.5).
    pub fn entries(&self) -> u64 {
        let blocks = self.blocks();
        blocks + (blocks - 1) / self.chunk_ratio()
    }

    /// Index of a block's entry (2.5).
    pub(super) fn entry_of(&self, block: u64) -> u64 {
        block + block / self.chunk_ratio()
    }

    /// Room for the block allocation table: regions are whole MiB (2.2.3).
    pub(super) fn bat_bytes(&self) -> u64 {
        (self.entries() * ENTRY).next_multiple_of(MIB)
    }
}

fn is_vhdx_sector(sector: SectorSize) -> bool {
    sector == SectorSize::S512 || sector == SectorSize::S4096
}

#[cfg(test)]
mod tests {
    use super::*;

    // Computed from the formulae of [MS-VHDX] 2.5 for a disk of 1 TiB: block size, chunk ratio, payload blocks, entries.
    #[test]
    fn table_sizes_of_a_disk_of_1_tib() {
        for (block, chunk, blocks, entries) in [
            (1, 4096, 1_048_576, 1_048_831),
            (2, 2048, 524_288, 524_543),
            (32, 128, 32_768, 33_023),
            (256, 16, 4096, 4351),
        ] {
            let geometry = VhdxGeometry::from_metadata(1 << 40, block * MIB, 512, 4096).unwrap();
            assert_eq!((geometry.chunk_ratio(), geometry.blocks(), geometry.entries()), (chunk, blocks, entries));
        }
        let native = VhdxGeometry::from_metadata(1 << 40, 32 * MIB, 4096, 4096).unwrap();
        assert_eq!(native.chunk_ratio(), 1024);
    }

    #[test]
    fn block_sizes_keep_the_table_small() {
        for (bytes, block) in
            [(1, 1), (1 << 20, 1), (2 << 40, 2), (4_000_787_030_016, 2), (20_000_588_955_648, 16), (64 << 40, 64)]
        {
            let geometry = VhdxGeometry::new(bytes, SectorSize::S512, SectorSize::S4096).unwrap();
            assert_eq!(geometry.block_bytes(), block * MIB, "{bytes}");
            assert!(geometry.entries() * 8 <= 16 * MIB);
        }
    }

    #[test]
    fn sizes_a_vhdx_cannot_have() {
        let odd = SectorSize::new(2048).unwrap();
        let sector = VhdxGeometry::new(1 << 30, odd, odd).unwrap_err();
        assert!(matches!(sector, ImageError::SectorForVhdx { bytes: 2048 }));
        for bytes in [(64 << 40) + 1, u64::MAX] {
            let large = VhdxGeometry::new(bytes, SectorSize::S512, odd).unwrap_err();
            assert!(matches!(large, ImageError::TooLargeForVhdx { .. }));
        }
        let rounded = VhdxGeometry::new(1_000_001, SectorSize::S4096, SectorSize::S512).unwrap();
        assert_eq!((rounded.bytes(), rounded.physical()), (1_003_520, SectorSize::S4096));
    }
}
