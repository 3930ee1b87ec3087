//! The main boot sector: its fields checked against the ranges of the specification's section 3.1.

use crate::base::fields::{u16_at, u32_at, u64_at};
use std::fmt;

/// Bytes of the boot sector that carry meaning, whatever the sector size.
pub(super) const BOOT_BYTES: usize = 512;
/// Sectors of a boot region (3): boot sector, eight extended ones, OEM parameters, a reserved one, the checksum.
pub const REGION_SECTORS: u64 = 12;
/// Where the name stands that tells an exFAT boot sector from others.
pub const NAME: std::ops::Range<usize> = 3..11;
/// What stands there.
pub(super) const EXFAT: &[u8; 8] = b"EXFAT   ";
/// The most clusters there may be (3.1.9).
const MOST_CLUSTERS: u32 = u32::MAX - 10;

/// Where the fields stand in the boot sector (from memory; their order and ranges are 3.1.1 to 3.1.18).
mod field {
    pub const JUMP: std::ops::Range<usize> = 0..3;
    pub const MUST_BE_ZERO: std::ops::Range<usize> = 0x0B..0x40;
    pub const VOLUME_LENGTH: usize = 0x48;
    pub const FAT_OFFSET: usize = 0x50;
    pub const FAT_LENGTH: usize = 0x54;
    pub const HEAP_OFFSET: usize = 0x58;
    pub const CLUSTER_COUNT: usize = 0x5C;
    pub const ROOT_CLUSTER: usize = 0x60;
    pub const SERIAL: usize = 0x64;
    pub const REVISION: usize = 0x68;
    pub const FLAGS: usize = 0x6A;
    pub const SECTOR_SHIFT: usize = 0x6C;
    pub const CLUSTER_SHIFT: usize = 0x6D;
    pub const FAT_COUNT: usize = 0x6E;
    pub const PERCENT_IN_USE: usize = 0x70;
    pub const SIGNATURE: usize = 0x1FE;
}

/// Bytes of the boot sector that change in use: flags and the share in use. The checksum leaves them out (3.4), and in
/// the backup they are out of date (3.1.13, 3.1.18).
pub(super) const VOLATILE: [usize; 3] = [field::FLAGS, field::FLAGS + 1, field::PERCENT_IN_USE];

/// A rule without which the volume cannot be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BootError {
    #[error("it lacks the name EXFAT (byte 3)")]
    Name,
    #[error("its revision is {0}.{1:02}, and only 1 is known (byte 104)")]
    Revision(u8, u8),
    #[error("sector shift {0} (byte 108) is not from 9 to 12")]
    SectorShift(u8),
    #[error("cluster shift {cluster} (byte 109) is above {} with sector shift {sector}", 25 - sector)]
    ClusterShift { cluster: u8, sector: u8 },
    #[error("there are {0} FATs (byte 110) instead of 1 or 2")]
    FatCount(u8),
    #[error("the FAT starts at sector {0} (byte 80), before sector 24")]
    FatOffset(u32),
    #[error("the FATs end at sector {fats}, behind the start of the clusters at {heap} (byte 88)")]
    HeapOffset { fats: u64, heap: u32 },
    #[error("{0} clusters (byte 92) are none, or more than can be numbered")]
    ClusterCount(u32),
    #[error("root folder cluster {root} (byte 96) is not one of 2 to {last}")]
    RootCluster { root: u32, last: u32 },
}

/// A rule that is broken without harm to reading.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Oddity {
    Jump,
    NotZero,
    Signature(u16),
    VolumeLength { sectors: u64, least: u64 },
    FatLength { sectors: u32, needed: u64 },
    ClustersBeyond { end: u64, sectors: u64 },
    ClustersMissing { has: u32, room: u64 },
    Percent(u8),
}

impl fmt::Display for Oddity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Oddity::Jump => write!(f, "it does not start with EB 76 90"),
            Oddity::NotZero => write!(f, "bytes 11 to 63 are not all zero"),
            Oddity::Signature(word) => {
                write!(f, "it ends with {:02X} {:02X} instead of 55 AA", word & 0xFF, word >> 8)
            }
            Oddity::VolumeLength { sectors, least } => {
                write!(f, "the volume has {sectors} sectors, fewer than the least of {least}")
            }
            Oddity::FatLength { sectors, needed } => {
                write!(f, "the FAT has {sectors} sectors where its clusters need {needed}")
            }
            Oddity::ClustersBeyond { end, sectors } => {
                write!(f, "its clusters end at sector {end}, behind the volume's {sectors} sectors")
            }
            Oddity::ClustersMissing { has, room } => {
                write!(f, "it has {has} clusters where there is room for {room}")
            }
            Oddity::Percent(share) => write!(f, "its share in use is {share} percent"),
        }
    }
}

/// A boot sector that passed every rule.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ExFatBoot {
    pub sector_bytes: u64,
    pub sectors_per_cluster: u64,
    pub total_sectors: u64,
    pub fat_offset: u64,
    pub fat_sectors: u64,
    pub fat_count: u64,
    pub heap_offset: u64,
    pub cluster_count: u32,
    pub root_cluster: u32,
    pub serial: u32,
    pub revision: (u8, u8),
    pub oddities: Vec<Oddity>,
}

/// What the volume flags say (3.1.13). Only the main boot sector's are up to date.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Flags {
    /// Whether the second FAT and the second bitmap are the ones in use.
    pub second_active: bool,
    pub dirty: bool,
    pub media_failure: bool,
}

impl Flags {
    pub fn parse(bytes: &[u8; BOOT_BYTES]) -> Flags {
        let flags = u16_at(bytes, field::FLAGS);
        Flags { second_active: flags & 1 != 0, dirty: flags & 2 != 0, media_failure: flags & 4 != 0 }
    }
}

impl ExFatBoot {
    /// Checks a boot sector's fields and their relations.
    pub fn parse(bytes: &[u8; BOOT_BYTES]) -> Result<ExFatBoot, BootError> {
        if bytes[NAME] != *EXFAT {
            return Err(BootError::Name);
        }
        let (minor, major) = (bytes[field::REVISION], bytes[field::REVISION + 1]);
        if major != 1 {
            return Err(BootError::Revision(major, minor));
        }
        let sector_shift = sector_shift(bytes)?;
        let cluster_shift = bytes[field::CLUSTER_SHIFT];
        if cluster_shift > 25 - sector_shift {
            return Err(BootError::ClusterShift { cluster: cluster_shift, sector: sector_shift });
        }
        let fat_count = bytes[field::FAT_COUNT];
        if !matches!(fat_count, 1 | 2) {
            return Err(BootError::FatCount(fat_count));
        }
        let fat_offset = u32_at(bytes, field::FAT_OFFSET);
        if u64::from(fat_offset) < 2 * REGION_SECTORS {
            return Err(BootError::FatOffset(fat_offset));
        }
        let fat_sectors = u32_at(bytes, field::FAT_LENGTH);
        let heap_offset = u32_at(bytes, field::HEAP_OFFSET);
        let fats = u64::from(fat_offset) + u64::from(fat_sectors) * u64::from(fat_count);
        if fats > u64::from(heap_offset) {
            return Err(BootError::HeapOffset { fats, heap: heap_offset });
        }
        let cluster_count = u32_at(bytes, field::CLUSTER_COUNT);
        if !(1..=MOST_CLUSTERS).contains(&cluster_count) {
            return Err(BootError::ClusterCount(cluster_count));
        }
        let (root_cluster, last) = (u32_at(bytes, field::ROOT_CLUSTER), cluster_count + 1);
        if !(2..=last).contains(&root_cluster) {
            return Err(BootError::RootCluster { root: root_cluster, last });
        }
        let mut boot = ExFatBoot {
            sector_bytes: 1 << sector_shift,
            sectors_per_cluster: 1 << cluster_shift,
            total_sectors: u64_at(bytes, field::VOLUME_LENGTH),
            fat_offset: fat_offset.into(),
            fat_sectors: fat_sectors.into(),
            fat_count: fat_count.into(),
            heap_offset: heap_offset.into(),
            cluster_count,
            root_cluster,
            serial: u32_at(bytes, field::SERIAL),
            revision: (major, minor),
            oddities: Vec::new(),
        };
        boot.oddities = boot.oddities(bytes);
        Ok(boot)
    }

    fn oddities(&self, bytes: &[u8; BOOT_BYTES]) -> Vec<Oddity> {
        let mut odd = Vec::new();
        if bytes[field::JUMP] != [0xEB, 0x76, 0x90] {
            odd.push(Oddity::Jump);
        }
        if bytes[field::MUST_BE_ZERO].iter().any(|byte| *byte != 0) {
            odd.push(Oddity::NotZero);
        }
        let signature = u16_at(bytes, field::SIGNATURE);
        if signature != 0xAA55 {
            odd.push(Oddity::Signature(signature));
        }
        let least = (1 << 20) / self.sector_bytes;
        if self.total_sectors < least {
            odd.push(Oddity::VolumeLength { sectors: self.total_sectors, least });
        }
        let needed = self.table_bytes().div_ceil(self.sector_bytes);
        if self.fat_sectors < needed {
            let sectors = u32::try_from(self.fat_sectors).expect("a 32-bit field");
            odd.push(Oddity::FatLength { sectors, needed });
        }
        let room = self.total_sectors.saturating_sub(self.heap_offset) / self.sectors_per_cluster;
        let room = room.min(MOST_CLUSTERS.into());
        match u64::from(self.cluster_count).cmp(&room) {
            std::cmp::Ordering::Greater => {
                let end = self.heap_offset + u64::from(self.cluster_count) * self.sectors_per_cluster;
                odd.push(Oddity::ClustersBeyond { end, sectors: self.total_sectors });
            }
            std::cmp::Ordering::Less => odd.push(Oddity::ClustersMissing { has: self.cluster_count, room }),
            std::cmp::Ordering::Equal => {}
        }
        let share = bytes[field::PERCENT_IN_USE];
        if share > 100 && share != 0xFF {
            odd.push(Oddity::Percent(share));
        }
        odd
    }

    /// Bytes in a cluster.
    pub fn cluster_bytes(&self) -> u64 {
        self.sector_bytes * self.sectors_per_cluster
    }

    /// Byte of the volume where a FAT starts, counted from 0.
    pub fn fat_start(&self, copy: u64) -> u64 {
        (self.fat_offset + copy * self.fat_sectors) * self.sector_bytes
    }

    /// Bytes that each FAT takes up.
    pub fn fat_bytes(&self) -> u64 {
        self.fat_sectors * self.sector_bytes
    }

    /// Bytes of a FAT that hold entries: four for each cluster and for numbers 0 and 1 (4.1).
    pub fn table_bytes(&self) -> u64 {
        (u64::from(self.cluster_count) + 2) * 4
    }

    /// Byte of the volume where cluster 2 starts.
    pub fn heap_start(&self) -> u64 {
        self.heap_offset * self.sector_bytes
    }

    /// Bytes of the volume as the boot sector says, or to the end of its clusters where those reach further. Saturates.
    pub fn volume_bytes(&self) -> u64 {
        let clusters = self.heap_start() + u64::from(self.cluster_count) * self.cluster_bytes();
        self.total_sectors.saturating_mul(self.sector_bytes).max(clusters)
    }

    /// The highest cluster number.
    pub fn last_cluster(&self) -> u32 {
        self.cluster_count + 1
    }
}

/// The power of two that the sector size is, which even an otherwise damaged boot sector may give.
pub(super) fn sector_shift(bytes: &[u8; BOOT_BYTES]) -> Result<u8, BootError> {
    match bytes[field::SECTOR_SHIFT] {
        shift @ 9..=12 => Ok(shift),
        other => Err(BootError::SectorShift(other)),
    }
}

#[cfg(test)]
pub mod tests {
    use super::*;

    /// The worked geometry: VolumeLength 2097152, heap at 4096, 64 sectors to a cluster.
    pub fn boot_bytes() -> [u8; BOOT_BYTES] {
        let mut bytes = [0; BOOT_BYTES];
        bytes[..3].copy_from_slice(&[0xEB, 0x76, 0x90]);
        bytes[NAME].copy_from_slice(EXFAT);
        bytes[0x48..0x50].copy_from_slice(&2_097_152u64.to_le_bytes());
        for (at, value) in [(0x50, 2048u32), (0x54, 256), (0x58, 4096), (0x5C, 32704), (0x60, 5), (0x64, 0x1234_ABCD)] {
            bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
        }
        bytes[0x69] = 1;
        bytes[0x6C..0x6F].copy_from_slice(&[9, 6, 1]);
        bytes[0x1FE..].copy_from_slice(&[0x55, 0xAA]);
        bytes
    }

    /// Computed by the formulas of 3.1.5 to 3.1.9 and 5: ClusterCount 32704, FAT of at least 256 sectors, cluster 5 at
    /// sector 4288.
    #[test]
    fn worked_geometry() {
        let boot = ExFatBoot::parse(&boot_bytes()).unwrap();
        assert_eq!(boot.oddities, []);
        assert_eq!(boot.table_bytes().div_ceil(512), 256);
        assert_eq!((boot.cluster_bytes(), boot.heap_start()), (32768, 4096 * 512));
        assert_eq!(boot.heap_start() + 3 * boot.cluster_bytes(), 4288 * 512);
        let mut fewer = boot_bytes();
        fewer[0x5C..0x60].copy_from_slice(&32703u32.to_le_bytes());
        assert_eq!(ExFatBoot::parse(&fewer).unwrap().oddities, [Oddity::ClustersMissing { has: 32703, room: 32704 }]);
    }

    /// The limits of 3.1.4 to 3.1.16, each from either side.
    #[test]
    fn each_range_has_its_ends() {
        let parse = |at: usize, value: &[u8]| {
            let mut bytes = boot_bytes();
            bytes[at..at + value.len()].copy_from_slice(value);
            ExFatBoot::parse(&bytes)
        };
        assert_eq!(parse(3, b"NTFS    "), Err(BootError::Name));
        assert_eq!(parse(0x68, &[0, 2]), Err(BootError::Revision(2, 0)));
        assert!(parse(0x68, &[99, 1]).is_ok());
        for shift in [0, 8, 13, 255] {
            assert_eq!(parse(0x6C, &[shift]), Err(BootError::SectorShift(shift)));
        }
        assert!(parse(0x6C, &[12, 13]).is_ok());
        assert_eq!(parse(0x6C, &[12, 14]), Err(BootError::ClusterShift { cluster: 14, sector: 12 }));
        assert!(parse(0x6D, &[16]).is_ok());
        assert_eq!(parse(0x6D, &[17]), Err(BootError::ClusterShift { cluster: 17, sector: 9 }));
        assert_eq!(parse(0x6E, &[0]), Err(BootError::FatCount(0)));
        assert_eq!(parse(0x6E, &[3]), Err(BootError::FatCount(3)));
        assert!(parse(0x50, &24u32.to_le_bytes()).is_ok());
        assert_eq!(parse(0x50, &23u32.to_le_bytes()), Err(BootError::FatOffset(23)));
        assert!(parse(0x58, &2304u32.to_le_bytes()).is_ok());
        let early = Err(BootError::HeapOffset { fats: 2304, heap: 2303 });
        assert_eq!(parse(0x58, &2303u32.to_le_bytes()), early);
        assert!(parse(0x5C, &0xFFFF_FFF5u32.to_le_bytes()).is_ok());
        assert_eq!(parse(0x5C, &0xFFFF_FFF6u32.to_le_bytes()), Err(BootError::ClusterCount(0xFFFF_FFF6)));
        assert_eq!(parse(0x5C, &[0; 4]), Err(BootError::ClusterCount(0)));
        assert!(parse(0x60, &32705u32.to_le_bytes()).is_ok());
        for root in [0, 1, 32706] {
            assert_eq!(parse(0x60, &u32::to_le_bytes(root)), Err(BootError::RootCluster { root, last: 32705 }));
        }
        let odd = |at: usize, value: &[u8]| parse(at, value).unwrap().oddities;
        assert_eq!(odd(0, &[0xE9]), [Oddity::Jump]);
        assert_eq!(odd(0x3F, &[1]), [Oddity::NotZero]);
        assert_eq!(odd(0x1FF, &[0]), [Oddity::Signature(0x0055)]);
        assert_eq!(odd(0x70, &[100]), []);
        assert_eq!(odd(0x70, &[0xFF]), []);
        assert_eq!(odd(0x70, &[101]), [Oddity::Percent(101)]);
        assert_eq!(odd(0x54, &255u32.to_le_bytes()), [Oddity::FatLength { sectors: 255, needed: 256 }]);
        assert_eq!(odd(0x48, &2047u64.to_le_bytes())[0], Oddity::VolumeLength { sectors: 2047, least: 2048 });
        assert_eq!(
            odd(0x48, &2_097_151u64.to_le_bytes()),
            [Oddity::ClustersBeyond { end: 2_097_152, sectors: 2_097_151 }]
        );
    }
}
