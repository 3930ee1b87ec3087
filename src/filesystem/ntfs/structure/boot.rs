//! The boot sector, field by field.
//!
//! Source: Linux fs/ntfs3/ntfs.h (`struct NTFS_BOOT`) and fs/ntfs/layout.h (`NTFS_BOOT_SECTOR`).

use crate::base::fields::{le16, le64};
use crate::base::units::Lcn;

/// Bytes of the boot sector that hold fields.
pub const BOOT_BYTES: u64 = 512;

/// What a boot sector says, checked for being possible.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BootSector {
    /// Bytes in a sector: 512, 1024, 2048 or 4096.
    pub sector_bytes: u64,
    /// Bytes in a cluster: a power of two from 512 to 2 MiB.
    pub cluster_bytes: u64,
    /// Sectors in the volume, the backup boot sector behind it not counted.
    pub total_sectors: u64,
    /// First cluster of $MFT.
    pub mft: Lcn,
    /// First cluster of $MFTMirr.
    pub mirror: Lcn,
    /// Bytes in a file record: a power of two from 512 to 65536.
    pub record_bytes: u64,
    /// Bytes in an index record: a power of two from 512 to 2 MiB.
    pub index_bytes: u64,
    /// Serial number.
    pub serial: u64,
    /// Whether the sector ends with 55 AA.
    pub signed: bool,
}

/// Why a sector is no usable NTFS boot sector.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BootError {
    /// It could not be read.
    #[error("it was not read")]
    Unreadable,
    /// It does not carry the name NTFS.
    #[error("it does not carry the name NTFS at byte 3")]
    Name,
    /// Impossible bytes per sector.
    #[error("it gives {0} bytes to a sector (512, 1024, 2048 or 4096 are possible)")]
    SectorBytes(u16),
    /// Impossible sectors per cluster.
    #[error(
        "its sectors-to-a-cluster field is {field:#04x}, with sectors of {sector_bytes} bytes no cluster of 512 bytes to 2 MiB"
    )]
    ClusterSize {
        /// The field at byte 0x0D.
        field: u8,
        /// Bytes in a sector.
        sector_bytes: u64,
    },
    /// Impossible number of sectors.
    #[error("it gives the volume {0} sectors")]
    TotalSectors(u64),
    /// Impossible file or index record size.
    #[error("its {what} record size field is {field:#04x}, which is no power of two from 512 bytes to {most}")]
    RecordSize {
        /// `file` or `index`.
        what: &'static str,
        /// The field at byte 0x40 or 0x44.
        field: u8,
        /// The largest size accepted, in bytes.
        most: u64,
    },
    /// Neither $MFT nor its mirror lies in the volume.
    #[error(
        "it places $MFT at cluster {mft} and its mirror at cluster {mirror}, both outside the volume's {clusters} clusters"
    )]
    TablePlace {
        /// First cluster of $MFT.
        mft: u64,
        /// First cluster of $MFTMirr.
        mirror: u64,
        /// Clusters in the volume.
        clusters: u64,
    },
}

const LARGEST_CLUSTER: u64 = 2 << 20;
const LARGEST_FILE_RECORD: u64 = 64 << 10;

impl BootSector {
    /// Reads and checks a boot sector.
    ///
    /// # Errors
    /// [`BootError`] for the first field that is impossible. A missing 55 AA is not one: see [`BootSector::signed`].
    pub fn parse(sector: &[u8]) -> Result<BootSector, BootError> {
        if sector.get(3..11) != Some(b"NTFS    ".as_slice()) {
            return Err(BootError::Name);
        }
        let wide = |at| le64(sector, at).ok_or(BootError::Unreadable);
        let byte = |at| sector.get(at).copied().ok_or(BootError::Unreadable);
        let sector_field = le16(sector, 0x0B).ok_or(BootError::Unreadable)?;
        if !matches!(sector_field, 512 | 1024 | 2048 | 4096) {
            return Err(BootError::SectorBytes(sector_field));
        }
        let sector_bytes = u64::from(sector_field);
        let field = byte(0x0D)?;
        let cluster_bytes = cluster_bytes(field, sector_bytes).ok_or(BootError::ClusterSize { field, sector_bytes })?;
        let total_sectors = wide(0x28)?;
        let clusters = total_sectors
            .checked_mul(sector_bytes)
            .filter(|bytes| i64::try_from(*bytes).is_ok())
            .map_or(0, |bytes| bytes / cluster_bytes);
        if clusters == 0 {
            return Err(BootError::TotalSectors(total_sectors));
        }
        let record = |what, at, most| {
            let field = byte(at)?;
            record_bytes(field, cluster_bytes)
                .filter(|bytes| (512..=most).contains(bytes))
                .ok_or(BootError::RecordSize { what, field, most })
        };
        let (mft, mirror) = (wide(0x30)?, wide(0x38)?);
        if mft >= clusters && mirror >= clusters {
            return Err(BootError::TablePlace { mft, mirror, clusters });
        }
        Ok(BootSector {
            sector_bytes,
            cluster_bytes,
            total_sectors,
            mft: Lcn(mft),
            mirror: Lcn(mirror),
            record_bytes: record("file", 0x40, LARGEST_FILE_RECORD)?,
            index_bytes: record("index", 0x44, LARGEST_CLUSTER)?,
            serial: wide(0x48)?,
            signed: sector.get(0x1FE..0x200) == Some([0x55, 0xAA].as_slice()),
        })
    }

    /// Whole clusters in the volume.
    pub fn cluster_count(&self) -> u64 {
        self.volume_bytes() / self.cluster_bytes
    }

    /// Bytes in the volume, the backup boot sector behind it not counted.
    pub fn volume_bytes(&self) -> u64 {
        // Checked in `parse`.
        self.total_sectors * self.sector_bytes
    }
}

/// Sectors per cluster is a plain power of two up to 0x80; above, it is minus the power of two (0xF4 is 2^12).
fn cluster_bytes(field: u8, sector_bytes: u64) -> Option<u64> {
    let sectors = if field > 0x80 { 1u64.checked_shl(u32::from(field.wrapping_neg()))? } else { u64::from(field) };
    let bytes = sectors.checked_mul(sector_bytes)?;
    (bytes.is_power_of_two() && (512..=LARGEST_CLUSTER).contains(&bytes)).then_some(bytes)
}

/// Positive sizes count clusters; a negative one is minus the power of two in bytes (0xF6 is 2^10).
fn record_bytes(field: u8, cluster_bytes: u64) -> Option<u64> {
    let bytes = if field >= 0x80 {
        1u64.checked_shl(u32::from(field.wrapping_neg()))?
    } else {
        u64::from(field).checked_mul(cluster_bytes)?
    };
    bytes.is_power_of_two().then_some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Vec<u8> {
        let mut sector = vec![0; 512];
        sector[3..11].copy_from_slice(b"NTFS    ");
        sector[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
        sector[0x0D] = 8;
        sector[0x28..0x30].copy_from_slice(&2_097_151u64.to_le_bytes());
        sector[0x30..0x38].copy_from_slice(&4u64.to_le_bytes());
        sector[0x38..0x40].copy_from_slice(&100u64.to_le_bytes());
        sector[0x40] = 0xF6;
        sector[0x44] = 1;
        sector[0x1FE..].copy_from_slice(&[0x55, 0xAA]);
        sector
    }

    fn with(at: usize, value: u8) -> Result<BootSector, BootError> {
        let mut sector = sample();
        sector[at] = value;
        BootSector::parse(&sector)
    }

    /// The size rules as the comments of Linux fs/ntfs3/ntfs.h and super.c (`true_sectors_per_clst`) give them.
    #[test]
    fn sizes_by_the_signed_rules() {
        let boot = BootSector::parse(&sample()).unwrap();
        assert_eq!(
            (boot.sector_bytes, boot.cluster_bytes, boot.record_bytes, boot.index_bytes),
            (512, 4096, 1024, 4096)
        );
        assert_eq!(boot.cluster_count(), 262_143);
        assert_eq!(with(0x40, 0xF4).unwrap().record_bytes, 4096);
        assert_eq!(with(0x40, 1).unwrap().record_bytes, 4096);
        assert_eq!(with(0x0D, 1).unwrap().cluster_bytes, 512);
        assert_eq!(with(0x0D, 0x80).unwrap().cluster_bytes, 65536);
        // 0xF8 is -8: 2^8 sectors; 0xF4 is -12: 2^12 sectors, 2 MiB.
        assert_eq!(with(0x0D, 0xF8).unwrap().cluster_bytes, 128 << 10);
        assert_eq!(with(0x0D, 0xF4).unwrap().cluster_bytes, 2 << 20);
    }

    #[test]
    fn impossible_fields_are_named() {
        assert_eq!(with(3, b'X'), Err(BootError::Name));
        assert_eq!(with(0x0B, 1), Err(BootError::SectorBytes(513)));
        assert_eq!(with(0x0D, 3), Err(BootError::ClusterSize { field: 3, sector_bytes: 512 }));
        assert_eq!(with(0x0D, 0), Err(BootError::ClusterSize { field: 0, sector_bytes: 512 }));
        assert_eq!(with(0x0D, 0x81), Err(BootError::ClusterSize { field: 0x81, sector_bytes: 512 }));
        assert_eq!(with(0x0D, 0xF3), Err(BootError::ClusterSize { field: 0xF3, sector_bytes: 512 }));
        assert!(matches!(with(0x2F, 0xFF), Err(BootError::TotalSectors(_))));
        assert!(matches!(with(0x40, 0), Err(BootError::RecordSize { what: "file", field: 0, .. })));
        assert!(matches!(with(0x40, 0x80), Err(BootError::RecordSize { .. })));
        assert!(!with(0x1FF, 0).unwrap().signed);
        assert_eq!(BootSector::parse(&sample()[..20]), Err(BootError::Unreadable));
        let mut lost = sample();
        lost[0x37] = 1;
        assert_eq!(BootSector::parse(&lost).unwrap().mirror, Lcn(100));
        lost[0x3F] = 1;
        assert!(matches!(BootSector::parse(&lost), Err(BootError::TablePlace { .. })));
    }
}
