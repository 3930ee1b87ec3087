//! The boot sector: the BIOS parameter block (BPB) checked rule by rule, and what follows from it.
//!
//! Source of the fields and of the type rule: "FAT: General Overview of On-Disk Format", Microsoft, 1.03 (December
//! 2000), sections "Boot Sector and BPB" and "FAT Type Determination". Where a rule is broken but the volume can be
//! read all the same, that is an [`Oddity`]; where it cannot, a [`BootError`].

use crate::base::fields::{u16_at, u32_at};
use crate::filesystem::FsKind;
use std::fmt;

/// Bytes of the boot sector that carry meaning, whatever the sector size.
pub const BOOT_BYTES: usize = 512;

/// FAT32 entries have 28 bits, and 0x0FFFFFF7 and above are marks; with numbers from 2 this many clusters fit.
pub const MOST_CLUSTERS: u64 = 0x0FFF_FFF5;

/// Where the fields stand in the boot sector.
mod field {
    pub const JUMP: usize = 0x00;
    pub const SYSTEM_NAME: std::ops::Range<usize> = 0x03..0x0B;
    pub const SECTOR_BYTES: usize = 0x0B;
    pub const SECTORS_PER_CLUSTER: usize = 0x0D;
    pub const RESERVED_SECTORS: usize = 0x0E;
    pub const FAT_COUNT: usize = 0x10;
    pub const ROOT_ENTRIES: usize = 0x11;
    pub const TOTAL_SECTORS_16: usize = 0x13;
    pub const MEDIA: usize = 0x15;
    pub const FAT_SECTORS_16: usize = 0x16;
    pub const TOTAL_SECTORS_32: usize = 0x20;
    pub const SIGNATURE: usize = 0x1FE;
    /// From here on FAT12/16 and FAT32 differ. What both have is given relative to this base.
    pub const TAIL_16: usize = 0x24;
    pub const TAIL_32: usize = 0x40;
    pub const IN_TAIL_STATE: usize = 1;
    pub const IN_TAIL_SIGNATURE: usize = 2;
    pub const IN_TAIL_SERIAL: usize = 3;
    pub const IN_TAIL_LABEL: std::ops::Range<usize> = 7..18;
    pub const FAT_SECTORS_32: usize = 0x24;
    pub const EXT_FLAGS: usize = 0x28;
    pub const VERSION: usize = 0x2A;
    pub const ROOT_CLUSTER: usize = 0x2C;
    pub const FS_INFO_SECTOR: usize = 0x30;
    pub const BACKUP_SECTOR: usize = 0x32;
}

/// A rule without which the volume cannot be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BootError {
    #[error("sector size {0} (byte 11) is none of 512, 1024, 2048, 4096")]
    SectorBytes(u16),
    #[error("{0} sectors to a cluster (byte 13) is not a power of two")]
    SectorsPerCluster(u8),
    #[error("there are 0 reserved sectors (byte 14), but the boot sector itself is one")]
    NoReserved,
    #[error("there are 0 FATs (byte 16)")]
    NoFat,
    #[error("both total sector counts (bytes 19 and 32) are 0")]
    NoTotal,
    #[error("both FAT sizes (bytes 22 and 36) are 0")]
    NoFatSize,
    #[error("reserved region, FATs and root folder take {metadata} sectors, the whole volume has {total}")]
    NoClusters { metadata: u64, total: u64 },
    #[error("{0} clusters are more than entries of its layout can number")]
    TooManyClusters(u64),
    #[error("a 12 or 16-bit volume has 0 root folder entries (byte 17)")]
    NoRoot,
    #[error("root folder cluster {root} (byte 44) is not one of 2 to {last}")]
    RootCluster { root: u32, last: u64 },
    #[error("jump instruction, media byte and signature 55 AA are all missing")]
    NoMark,
}

/// A rule that is broken without harm to reading.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Oddity {
    Jump(u8),
    Media(u8),
    Signature(u16),
    ManyFats(u8),
    RootEntries { entries: u16, sector_bytes: u16 },
    RootEntriesOnFat32(u16),
    TwoTotals { small: u16, large: u32 },
    LargeCluster(u64),
    Version(u16),
}

impl fmt::Display for Oddity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Oddity::Jump(byte) => write!(f, "it starts with {byte:02X} instead of a jump instruction (EB or E9)"),
            Oddity::Media(byte) => write!(f, "its media byte is {byte:02X}, not F0 or F8 to FF"),
            Oddity::Signature(word) => {
                write!(f, "it ends with {:02X} {:02X} instead of 55 AA", word & 0xFF, word >> 8)
            }
            Oddity::ManyFats(count) => write!(f, "it gives {count} FATs, where 1 or 2 are usual"),
            Oddity::RootEntries { entries, sector_bytes } => {
                write!(f, "its {entries} root folder entries do not fill whole sectors of {sector_bytes} bytes")
            }
            Oddity::RootEntriesOnFat32(entries) => {
                write!(f, "it reserves {entries} root folder entries, which FAT32 does not use")
            }
            Oddity::TwoTotals { small, large } => {
                write!(f, "it gives two sector counts, {small} (used) and {large}")
            }
            Oddity::LargeCluster(bytes) => write!(f, "its clusters of {bytes} bytes are larger than 64 KiB"),
            Oddity::Version(version) => {
                write!(f, "its FAT32 version is {}.{}, not 0.0", version >> 8, version & 0xFF)
            }
        }
    }
}

/// What only FAT32 boot sectors have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fat32 {
    /// The one copy that is kept up to date, when the volume does not mirror.
    pub active_only: Option<u64>,
    pub root_cluster: u32,
    /// `None` where the field says there is none.
    pub fs_info_sector: Option<u64>,
    pub backup_sector: Option<u64>,
}

/// A boot sector that passed every rule.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FatBoot {
    pub kind: FsKind,
    pub sector_bytes: u64,
    pub sectors_per_cluster: u64,
    pub reserved_sectors: u64,
    pub fat_count: u64,
    pub fat_sectors: u64,
    pub root_entries: u64,
    pub total_sectors: u64,
    pub cluster_count: u64,
    pub media: u8,
    pub fat32: Option<Fat32>,
    pub serial: Option<u32>,
    pub label: Option<[u8; 11]>,
    /// Linux marks a mounted volume here rather than in the FAT.
    pub dirty: bool,
    /// Whether it is FAT32 by layout although its cluster count says otherwise.
    pub contradicted: bool,
    pub oddities: Vec<Oddity>,
}

/// The type by number of clusters, with the specification's strict "less than".
pub fn kind_by_cluster_count(clusters: u64) -> FsKind {
    if clusters < 4085 {
        FsKind::Fat12
    } else if clusters < 65525 {
        FsKind::Fat16
    } else {
        FsKind::Fat32
    }
}

/// Whether the sector names another file system that keeps its parameters at the same place.
pub fn belongs_to_another(bytes: &[u8; BOOT_BYTES]) -> Option<&'static str> {
    match &bytes[field::SYSTEM_NAME] {
        b"NTFS    " => Some("NTFS"),
        b"EXFAT   " => Some("exFAT"),
        _ => None,
    }
}

impl FatBoot {
    /// Checks a boot sector's fields and their relations.
    pub fn parse(bytes: &[u8; BOOT_BYTES]) -> Result<FatBoot, BootError> {
        let mut oddities = Vec::new();
        let sector_bytes = sector_bytes(bytes)?;
        let sectors_per_cluster = sectors_per_cluster(bytes, sector_bytes, &mut oddities)?;
        let reserved_sectors = u64::from(u16_at(bytes, field::RESERVED_SECTORS));
        if reserved_sectors == 0 {
            return Err(BootError::NoReserved);
        }
        let fat_count = fat_count(bytes, &mut oddities)?;
        check_marks(bytes, &mut oddities)?;
        let total_sectors = total_sectors(bytes, &mut oddities)?;
        let fat_sectors_16 = u64::from(u16_at(bytes, field::FAT_SECTORS_16));
        let laid_out_32 = fat_sectors_16 == 0;
        let fat_sectors = if laid_out_32 { u64::from(u32_at(bytes, field::FAT_SECTORS_32)) } else { fat_sectors_16 };
        if fat_sectors == 0 {
            return Err(BootError::NoFatSize);
        }
        let root_entries = u16_at(bytes, field::ROOT_ENTRIES);
        let root_bytes = u64::from(root_entries) * 32;
        if root_bytes % u64::from(sector_bytes) != 0 {
            oddities.push(Oddity::RootEntries { entries: root_entries, sector_bytes });
        }
        let metadata = reserved_sectors + fat_count * fat_sectors + root_bytes.div_ceil(u64::from(sector_bytes));
        let cluster_count = total_sectors.saturating_sub(metadata) / sectors_per_cluster;
        if cluster_count == 0 {
            return Err(BootError::NoClusters { metadata, total: total_sectors });
        }
        let (kind, contradicted) = kind_of(cluster_count, laid_out_32, root_entries)?;
        if kind == FsKind::Fat32 && root_entries != 0 {
            oddities.push(Oddity::RootEntriesOnFat32(root_entries));
        }
        let fat32 = if kind == FsKind::Fat32 { Some(fat32_fields(bytes, cluster_count, &mut oddities)?) } else { None };
        let Tail { serial, label, dirty } =
            Tail::parse(&bytes[if laid_out_32 { field::TAIL_32 } else { field::TAIL_16 }..]);
        Ok(FatBoot {
            kind,
            sector_bytes: u64::from(sector_bytes),
            sectors_per_cluster,
            reserved_sectors,
            fat_count,
            fat_sectors,
            root_entries: u64::from(root_entries),
            total_sectors,
            cluster_count,
            media: bytes[field::MEDIA],
            fat32,
            serial,
            label,
            dirty,
            contradicted,
            oddities,
        })
    }

    /// Whether two boot sectors put everything in the same places.
    pub fn same_geometry(&self, other: &FatBoot) -> bool {
        let places = |boot: &FatBoot| {
            (boot.kind, boot.fat_start(0), boot.fat_count, boot.fat_bytes(), boot.heap_start(), boot.cluster_bytes())
        };
        let root = |boot: &FatBoot| boot.fat32.map(|fields| fields.root_cluster);
        places(self) == places(other) && root(self) == root(other) && self.cluster_count == other.cluster_count
    }

    /// Bytes in a cluster.
    pub fn cluster_bytes(&self) -> u64 {
        self.sector_bytes * self.sectors_per_cluster
    }

    /// Byte of the volume where a copy of the FAT starts, copies counted from 0.
    pub fn fat_start(&self, copy: u64) -> u64 {
        (self.reserved_sectors + copy * self.fat_sectors) * self.sector_bytes
    }

    /// Bytes that each FAT takes up.
    pub fn fat_bytes(&self) -> u64 {
        self.fat_sectors * self.sector_bytes
    }

    /// Byte of the volume behind the last FAT: the fixed root folder, if there is one.
    pub fn root_start(&self) -> u64 {
        self.fat_start(self.fat_count)
    }

    /// Bytes of the fixed root folder's region.
    pub fn root_bytes(&self) -> u64 {
        (self.root_entries * 32).next_multiple_of(self.sector_bytes)
    }

    /// Byte of the volume where cluster 2 starts.
    pub fn heap_start(&self) -> u64 {
        self.root_start() + self.root_bytes()
    }

    /// Bytes of the volume as the boot sector says.
    pub fn volume_bytes(&self) -> u64 {
        self.total_sectors * self.sector_bytes
    }

    /// The highest cluster number.
    pub fn last_cluster(&self) -> u32 {
        u32::try_from(self.cluster_count + 1).expect("at most MOST_CLUSTERS, checked in parse")
    }
}

/// The sector size and backup place that even a damaged boot sector may still give, for finding the backup.
pub fn backup_hint(bytes: &[u8; BOOT_BYTES]) -> Option<u64> {
    let sector = u64::from(sector_bytes(bytes).ok()?);
    let backup = u64::from(u16_at(bytes, field::BACKUP_SECTOR));
    // The reserved region has 32 sectors on every volume made by the usual formatters (common practice, no source).
    (1..32).contains(&backup).then_some(sector * backup)
}

/// Whether two boot sectors differ, other than in the mark that Linux sets on a mounted volume.
pub fn first_difference(a: &[u8], b: &[u8]) -> Option<usize> {
    let state = field::TAIL_32 + field::IN_TAIL_STATE;
    a.iter().zip(b).enumerate().find(|(at, (x, y))| x != y && *at != state).map(|(at, _)| at)
}

fn sector_bytes(bytes: &[u8; BOOT_BYTES]) -> Result<u16, BootError> {
    match u16_at(bytes, field::SECTOR_BYTES) {
        size @ (512 | 1024 | 2048 | 4096) => Ok(size),
        other => Err(BootError::SectorBytes(other)),
    }
}

fn sectors_per_cluster(
    bytes: &[u8; BOOT_BYTES],
    sector_bytes: u16,
    oddities: &mut Vec<Oddity>,
) -> Result<u64, BootError> {
    let sectors = bytes[field::SECTORS_PER_CLUSTER];
    if !sectors.is_power_of_two() {
        return Err(BootError::SectorsPerCluster(sectors));
    }
    let cluster_bytes = u64::from(sectors) * u64::from(sector_bytes);
    if cluster_bytes > 64 << 10 {
        oddities.push(Oddity::LargeCluster(cluster_bytes));
    }
    Ok(u64::from(sectors))
}

fn fat_count(bytes: &[u8; BOOT_BYTES], oddities: &mut Vec<Oddity>) -> Result<u64, BootError> {
    match bytes[field::FAT_COUNT] {
        0 => return Err(BootError::NoFat),
        1 | 2 => {}
        more => oddities.push(Oddity::ManyFats(more)),
    }
    Ok(u64::from(bytes[field::FAT_COUNT]))
}

/// The fields that follow the BPB, wherever that ends.
struct Tail {
    serial: Option<u32>,
    label: Option<[u8; 11]>,
    dirty: bool,
}

impl Tail {
    fn parse(tail: &[u8]) -> Tail {
        // 28 announces the serial number alone, 29 label and type name as well (from memory). Boot sectors from before these
        // fields have code there.
        let signature = tail[field::IN_TAIL_SIGNATURE];
        let has_serial = matches!(signature, 0x28 | 0x29);
        let mut label = [0; 11];
        label.copy_from_slice(&tail[field::IN_TAIL_LABEL]);
        Tail {
            serial: has_serial.then(|| u32_at(tail, field::IN_TAIL_SERIAL)),
            label: (signature == 0x29).then_some(label),
            // Linux fs/fat/inode.c, fat_set_state (from memory).
            dirty: has_serial && tail[field::IN_TAIL_STATE] & 1 != 0,
        }
    }
}

/// Each mark alone may be missing; without any of them three plausible numbers in random bytes would pass for FAT.
fn check_marks(bytes: &[u8; BOOT_BYTES], oddities: &mut Vec<Oddity>) -> Result<(), BootError> {
    let before = oddities.len();
    if !matches!(bytes[field::JUMP], 0xEB | 0xE9) {
        oddities.push(Oddity::Jump(bytes[field::JUMP]));
    }
    if !matches!(bytes[field::MEDIA], 0xF0 | 0xF8..=0xFF) {
        oddities.push(Oddity::Media(bytes[field::MEDIA]));
    }
    let signature = u16_at(bytes, field::SIGNATURE);
    if signature != 0xAA55 {
        oddities.push(Oddity::Signature(signature));
    }
    if oddities.len() - before == 3 { Err(BootError::NoMark) } else { Ok(()) }
}

fn total_sectors(bytes: &[u8; BOOT_BYTES], oddities: &mut Vec<Oddity>) -> Result<u64, BootError> {
    let small = u16_at(bytes, field::TOTAL_SECTORS_16);
    let large = u32_at(bytes, field::TOTAL_SECTORS_32);
    match (small, large) {
        (0, 0) => Err(BootError::NoTotal),
        (0, large) => Ok(u64::from(large)),
        (small, large) => {
            if large != 0 && large != u32::from(small) {
                oddities.push(Oddity::TwoTotals { small, large });
            }
            Ok(u64::from(small))
        }
    }
}

/// The type by cluster count, and whether the layout forces another one.
///
/// The specification knows no exception. Formatters make one when asked for FAT32 on a small volume (small system
/// partitions are commonly made so): a 32-bit FAT size, no fixed root folder, and fewer than 65,525 clusters. Read by
/// count, such a volume would have no root folder at all, so it is taken as FAT32.
fn kind_of(clusters: u64, laid_out_32: bool, root_entries: u16) -> Result<(FsKind, bool), BootError> {
    match (kind_by_cluster_count(clusters), laid_out_32) {
        (FsKind::Fat32, true) if clusters > MOST_CLUSTERS => Err(BootError::TooManyClusters(clusters)),
        (FsKind::Fat32, true) => Ok((FsKind::Fat32, false)),
        (FsKind::Fat32, false) => Err(BootError::TooManyClusters(clusters)),
        (_, true) if root_entries == 0 => Ok((FsKind::Fat32, true)),
        (_, true) => Err(BootError::NoFatSize),
        (_, false) if root_entries == 0 => Err(BootError::NoRoot),
        (kind, false) => Ok((kind, false)),
    }
}

fn fat32_fields(bytes: &[u8; BOOT_BYTES], cluster_count: u64, oddities: &mut Vec<Oddity>) -> Result<Fat32, BootError> {
    let root_cluster = u32_at(bytes, field::ROOT_CLUSTER);
    let last = cluster_count + 1;
    if !(2..=last).contains(&u64::from(root_cluster)) {
        return Err(BootError::RootCluster { root: root_cluster, last });
    }
    let version = u16_at(bytes, field::VERSION);
    if version != 0 {
        oddities.push(Oddity::Version(version));
    }
    let flags = u16_at(bytes, field::EXT_FLAGS);
    let reserved = u16_at(bytes, field::RESERVED_SECTORS);
    let in_reserved = |at| {
        let sector = u16_at(bytes, at);
        (1..reserved).contains(&sector).then_some(u64::from(sector))
    };
    Ok(Fat32 {
        active_only: (flags & 0x80 != 0).then_some(u64::from(flags & 0x0F)),
        root_cluster,
        fs_info_sector: in_reserved(field::FS_INFO_SECTOR),
        backup_sector: in_reserved(field::BACKUP_SECTOR),
    })
}

#[cfg(test)]
pub mod tests {
    use super::*;

    /// A boot sector with the given figures and nothing else of note.
    pub fn boot_bytes(reserved: u16, root_entries: u16, fat_sectors: u32, total: u32) -> [u8; BOOT_BYTES] {
        let mut bytes = [0; BOOT_BYTES];
        bytes[0] = 0xEB;
        bytes[0x0B..0x0D].copy_from_slice(&512u16.to_le_bytes());
        bytes[0x0D] = 1;
        bytes[0x0E..0x10].copy_from_slice(&reserved.to_le_bytes());
        bytes[0x10] = 2;
        bytes[0x11..0x13].copy_from_slice(&root_entries.to_le_bytes());
        bytes[0x20..0x24].copy_from_slice(&total.to_le_bytes());
        bytes[0x15] = 0xF8;
        if root_entries == 0 {
            bytes[0x24..0x28].copy_from_slice(&fat_sectors.to_le_bytes());
            bytes[0x2C] = 2;
            bytes[0x32] = 6;
        } else {
            bytes[0x16..0x18].copy_from_slice(&u16::try_from(fat_sectors).unwrap().to_le_bytes());
        }
        bytes[0x1FE..].copy_from_slice(&[0x55, 0xAA]);
        bytes
    }

    /// Thresholds: "FAT: General Overview of On-Disk Format" 1.03, "FAT Type Determination"; the volumes around them
    /// computed by its formulas.
    #[test]
    fn type_by_cluster_count_at_the_boundaries() {
        for (reserved, root, fat, total, clusters, kind) in [
            (1, 224, 9, 2880, 2847, FsKind::Fat12),
            (1, 512, 12, 4141, 4084, FsKind::Fat12),
            (1, 512, 16, 4150, 4085, FsKind::Fat16),
            (1, 512, 256, 66069, 65524, FsKind::Fat16),
            (32, 0, 512, 66581, 65525, FsKind::Fat32),
        ] {
            let boot = FatBoot::parse(&boot_bytes(reserved, root, fat, total)).unwrap();
            assert_eq!((boot.cluster_count, boot.kind), (clusters, kind));
            assert!(!boot.contradicted);
        }
    }

    /// The label strings of a boot sector decide nothing (same source).
    #[test]
    fn the_type_name_in_the_boot_sector_decides_nothing() {
        let mut bytes = boot_bytes(1, 512, 12, 4141);
        bytes[0x36..0x3E].copy_from_slice(b"FAT32   ");
        assert_eq!(FatBoot::parse(&bytes).unwrap().kind, FsKind::Fat12);
    }

    #[test]
    fn a_32_bit_layout_with_few_clusters_is_fat32_and_said_to_be_odd() {
        let boot = FatBoot::parse(&boot_bytes(32, 0, 512, 66580)).unwrap();
        assert_eq!((boot.cluster_count, boot.kind, boot.contradicted), (65524, FsKind::Fat32, true));
    }

    /// An issue thread of rafalh/rust-fatfs (number 102): volumes without 55 AA are in use and must be read.
    #[test]
    fn one_or_two_missing_marks_are_odd_and_three_are_fatal() {
        let mut bytes = boot_bytes(1, 512, 12, 4141);
        bytes[0x1FE] = 0;
        assert_eq!(FatBoot::parse(&bytes).unwrap().oddities, [Oddity::Signature(0xAA00)]);
        bytes[0] = 0;
        assert_eq!(FatBoot::parse(&bytes).unwrap().oddities.len(), 2);
        bytes[0x15] = 0;
        assert_eq!(FatBoot::parse(&bytes), Err(BootError::NoMark));
    }

    #[test]
    fn each_rule_rejects_by_name() {
        let sound = boot_bytes(32, 0, 512, 66581);
        let broken = |at: usize, value: &[u8]| {
            let mut bytes = sound;
            bytes[at..at + value.len()].copy_from_slice(value);
            FatBoot::parse(&bytes).unwrap_err()
        };
        // The first two are what a partitioned drive's first sector gave another reader (MabezDev/embedded-fatfs 51).
        assert_eq!(broken(0x0B, &[0, 0]), BootError::SectorBytes(0));
        assert_eq!(broken(0x0B, &36352u16.to_le_bytes()), BootError::SectorBytes(36352));
        assert_eq!(broken(0x0D, &[0]), BootError::SectorsPerCluster(0));
        assert_eq!(broken(0x0D, &[3]), BootError::SectorsPerCluster(3));
        assert_eq!(broken(0x0E, &[0, 0]), BootError::NoReserved);
        assert_eq!(broken(0x10, &[0]), BootError::NoFat);
        assert_eq!(broken(0x20, &[0; 4]), BootError::NoTotal);
        assert_eq!(broken(0x24, &[0; 4]), BootError::NoFatSize);
        assert_eq!(broken(0x24, &[0xFF; 4]), BootError::NoClusters { metadata: 32 + 2 * 0xFFFF_FFFF, total: 66581 });
        assert_eq!(broken(0x20, &[0xFF; 4]), BootError::TooManyClusters(0xFFFF_FFFF - 32 - 1024));
        assert_eq!(broken(0x2C, &[1]), BootError::RootCluster { root: 1, last: 65526 });
        let text = broken(0x0D, &[3]).to_string();
        assert_eq!(text, "3 sectors to a cluster (byte 13) is not a power of two");
        let mut bytes = boot_bytes(1, 512, 12, 4141);
        bytes[0x11..0x13].fill(0);
        assert_eq!(FatBoot::parse(&bytes), Err(BootError::NoRoot));
    }
}
