//! What can be recognised, and what is told of it.

use crate::base::extent::Extent;
use serde::Serialize;

/// A kind of content.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Sign {
    /// ext2.
    Ext2,
    /// ext3: ext2 with a journal.
    Ext3,
    /// ext4.
    Ext4,
    /// A journal of an ext volume on a device of its own.
    ExtJournal,
    /// XFS.
    Xfs,
    /// Btrfs, one device of it.
    Btrfs,
    /// F2FS.
    F2fs,
    /// JFS.
    Jfs,
    /// NILFS2.
    Nilfs2,
    /// ReiserFS.
    Reiserfs,
    /// SquashFS.
    Squashfs,
    /// GFS2.
    Gfs2,
    /// OCFS2.
    Ocfs2,
    /// bcachefs, one device of it.
    Bcachefs,
    /// Linux swap space.
    Swap,
    /// Linux swap space that holds the memory of a suspended system.
    Suspended,
    /// LVM2 physical volume.
    LvmMember,
    /// Member of a Linux software RAID.
    RaidMember,
    /// bcache device.
    Bcache,
    /// Device of a ZFS pool.
    ZfsMember,
    /// HFS.
    Hfs,
    /// HFS+.
    HfsPlus,
    /// HFS+ whose names keep their case apart.
    Hfsx,
    /// APFS container.
    Apfs,
    /// CoreStorage physical volume.
    CoreStorage,
    /// Member of an Apple software RAID.
    AppleRaid,
    /// Apple partition map.
    ApplePartitionMap,
    /// ReFS.
    Refs,
    /// Member of a Storage Spaces pool.
    StorageSpaces,
    /// Dynamic disk (logical disk manager).
    DynamicDisk,
    /// Windows volume encryption.
    VolumeEncryption,
    /// ISO 9660.
    Iso9660,
    /// UDF, with or without ISO 9660 beside it.
    Udf,
    /// UFS1.
    Ufs1,
    /// UFS2.
    Ufs2,
    /// Volume encryption of FreeBSD.
    Geli,
    /// LUKS, version 1.
    Luks1,
    /// LUKS, version 2.
    Luks2,
}

/// What a kind of content needs before its files can be read.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Nothing but a driver.
    FileSystem,
    /// The key.
    Encryption,
    /// The other members, as a rule.
    Member,
    /// Nothing: it holds no files.
    Memory,
    /// A further look at the partitions it names.
    Table,
}

impl Sign {
    /// The name people use.
    pub fn name(self) -> &'static str {
        match self {
            Sign::Ext2 => "ext2",
            Sign::Ext3 => "ext3",
            Sign::Ext4 => "ext4",
            Sign::ExtJournal => "ext journal",
            Sign::Xfs => "XFS",
            Sign::Btrfs => "Btrfs",
            Sign::F2fs => "F2FS",
            Sign::Jfs => "JFS",
            Sign::Nilfs2 => "NILFS2",
            Sign::Reiserfs => "ReiserFS",
            Sign::Squashfs => "SquashFS",
            Sign::Gfs2 => "GFS2",
            Sign::Ocfs2 => "OCFS2",
            Sign::Bcachefs => "bcachefs",
            Sign::Swap => "Linux swap",
            Sign::Suspended => "Linux swap with a suspended system",
            Sign::LvmMember => "LVM2 physical volume",
            Sign::RaidMember => "Linux RAID member",
            Sign::Bcache => "bcache device",
            Sign::ZfsMember => "ZFS pool member",
            Sign::Hfs => "HFS",
            Sign::HfsPlus => "HFS+",
            Sign::Hfsx => "HFSX",
            Sign::Apfs => "APFS container",
            Sign::CoreStorage => "CoreStorage physical volume",
            Sign::AppleRaid => "Apple RAID member",
            Sign::ApplePartitionMap => "Apple partition map",
            Sign::Refs => "ReFS",
            Sign::StorageSpaces => "Storage Spaces member",
            Sign::DynamicDisk => "dynamic disk",
            Sign::VolumeEncryption => "Windows volume encryption",
            Sign::Iso9660 => "ISO 9660",
            Sign::Udf => "UDF",
            Sign::Ufs1 => "UFS1",
            Sign::Ufs2 => "UFS2",
            Sign::Geli => "GELI encryption",
            Sign::Luks1 => "LUKS1 encryption",
            Sign::Luks2 => "LUKS2 encryption",
        }
    }

    /// Whether files are in it, as far as it is known alone: neither memory nor a table of partitions has any.
    pub fn holds_files(self) -> bool {
        !matches!(self.family(), Family::Memory | Family::Table)
    }

    /// What it needs before its files can be read.
    pub fn family(self) -> Family {
        match self {
            Sign::Luks1 | Sign::Luks2 | Sign::Geli | Sign::VolumeEncryption => Family::Encryption,
            Sign::ExtJournal
            | Sign::LvmMember
            | Sign::RaidMember
            | Sign::Bcache
            | Sign::ZfsMember
            | Sign::CoreStorage
            | Sign::AppleRaid
            | Sign::StorageSpaces
            | Sign::DynamicDisk => Family::Member,
            Sign::Swap | Sign::Suspended => Family::Memory,
            Sign::ApplePartitionMap => Family::Table,
            _ => Family::FileSystem,
        }
    }
}

/// How well what was seen supports what was recognised, the least first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Certainty {
    /// The signature stands, but something that belongs to it is damaged or was written over.
    Partial,
    /// Only a copy stands; the first structure is gone.
    Copy,
    /// Every field that was looked at is in its range, and the sizes fit the volume.
    Consistent,
    /// A checksum over the structure holds as well.
    Checksummed,
}

impl Certainty {
    /// For choosing between several that match: a checksum is not held against a format that has none.
    pub(super) fn rank(self) -> u8 {
        match self {
            Certainty::Partial => 0,
            Certainty::Copy => 1,
            Certainty::Consistent | Certainty::Checksummed => 2,
        }
    }

    /// By whether the sizes fit, and whether the checksum holds where there is one that can be checked.
    pub(super) fn of(fits: bool, sum_holds: Option<bool>) -> Certainty {
        match (fits, sum_holds) {
            (false, _) | (_, Some(false)) => Certainty::Partial,
            (true, Some(true)) => Certainty::Checksummed,
            (true, None) => Certainty::Consistent,
        }
    }
}

/// Where something was recognised, and by what.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Evidence {
    /// The place on the drive.
    pub place: Extent,
    /// What stands there.
    pub what: String,
}

/// Something that was recognised.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Recognised {
    /// What it is.
    pub kind: Sign,
    /// The label it carries; it may hold any character.
    pub label: Option<String>,
    /// Its identifier in the customary notation.
    pub uuid: Option<String>,
    /// Length in bytes as its own fields say; it may be longer than the range it was found in.
    pub bytes: Option<u64>,
    /// Further facts: name and value, in a fixed order.
    pub facts: Vec<(&'static str, String)>,
    /// Whether the content can be read only with a key.
    pub encrypted: bool,
    /// What it was recognised by.
    pub evidence: Evidence,
    /// How certain that is.
    pub certainty: Certainty,
    /// Places on the drive without which the rest is worth nothing: headers, key slots, metadata. Within the window.
    pub first: Vec<Extent>,
}
