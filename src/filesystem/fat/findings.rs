//! What may be noticed on a FAT volume.

use crate::base::finding::{Code, Severity};

/// The volume cannot be read as FAT.
pub static NOT_UNDERSTOOD: Code = Code {
    id: "fat-not-understood",
    severity: Severity::Blocking,
    meaning: "The volume cannot be read as FAT, so its files and used space are not known. The plan reads all of it.",
};

/// The boot sector was replaced by its backup.
pub static BOOT_FROM_BACKUP: Code = Code {
    id: "fat-boot-from-backup",
    severity: Severity::Damage,
    meaning: "The first sector is lost, but its backup tells the layout. The files are not affected.",
};

/// The boot sector and its backup are lost, and the geometry was inferred.
pub static GEOMETRY_INFERRED: Code = Code {
    id: "fat-geometry-inferred",
    severity: Severity::Damage,
    meaning: "The boot sector is lost and has no usable backup, but FAT and folders tell the layout, which was \
              checked. Files are not affected; a copy needs a new boot sector before it can be mounted.",
};

/// The boot sector's fields are possible, and wrong.
pub static BOOT_CONTRADICTED: Code = Code {
    id: "fat-boot-contradicted",
    severity: Severity::Damage,
    meaning: "The boot sector's figures are possible ones, but FAT and folders stand elsewhere; those are used, \
              because the boot sector's figures lead to the wrong clusters. The files are not affected.",
};

/// A field of the boot sector is unusual.
pub static BOOT_ODD: Code = Code {
    id: "fat-boot-odd",
    severity: Severity::Note,
    meaning: "A field of the boot sector has a value that the specification does not allow, but the volume can be \
              read all the same.",
};

/// Boot sector and backup give different geometry.
pub static BACKUP_DIFFERS: Code = Code {
    id: "fat-boot-backup-differs",
    severity: Severity::Caution,
    meaning: "The boot sector and its backup do not agree. The boot sector is used. If the files found make no \
              sense, the backup may be the right one.",
};

/// The backup cannot be used.
pub static BACKUP_UNUSABLE: Code = Code {
    id: "fat-boot-backup-unusable",
    severity: Severity::Caution,
    meaning: "The backup of the boot sector is damaged. The files are not affected as long as the boot sector \
              itself is read.",
};

/// Cluster count and layout name different types.
pub static TYPE_CONTRADICTED: Code = Code {
    id: "fat-type-contradicted",
    severity: Severity::Caution,
    meaning: "By its number of clusters the volume would have 12 or 16-bit entries, but it is laid out for 32-bit \
              ones and could not work otherwise. It was read as FAT32.",
};

/// The volume reaches beyond its partition or drive.
pub static TRUNCATED: Code = Code {
    id: "fat-volume-truncated",
    severity: Severity::Damage,
    meaning: "Part of the volume lies beyond the end of its partition or of the drive. Files there cannot be read \
              until the whole drive answers or the right table is used.",
};

/// The FAT has too few entries.
pub static TABLE_TOO_SMALL: Code = Code {
    id: "fat-table-too-small",
    severity: Severity::Caution,
    meaning: "Some clusters have no entry in the FAT, so it is not known whether they are in use. They are treated \
              as if they were.",
};

/// One copy of the FAT is partly unreadable.
pub static COPY_UNREADABLE: Code = Code {
    id: "fat-copy-unreadable",
    severity: Severity::Damage,
    meaning: "Part of one copy of the FAT was not read. Where another copy could be read it was used instead, \
              and nothing is lost.",
};

/// No copy of a part of the FAT is readable.
pub static TABLE_LOST: Code = Code {
    id: "fat-table-lost",
    severity: Severity::Damage,
    meaning: "Part of the FAT was not read in any copy. Clusters without a known mark are treated as in use; \
              files that pass through them are cut in the listing, but their clusters are planned.",
};

/// Copies of the FAT differ.
pub static COPIES_DIFFER: Code = Code {
    id: "fat-copies-differ",
    severity: Severity::Caution,
    meaning: "The copies of the FAT do not agree. A cluster counts as in use if any copy says so; files follow the \
              active copy, so a few may be cut or run into another's clusters.",
};

/// Only one FAT is kept up to date.
pub static ONE_ACTIVE_COPY: Code = Code {
    id: "fat-one-active-copy",
    severity: Severity::Note,
    meaning: "The volume keeps only one copy of the FAT up to date; the others are out of date and were not used.",
};

/// The active FAT does not exist.
pub static ACTIVE_COPY_WRONG: Code = Code {
    id: "fat-active-copy-wrong",
    severity: Severity::Caution,
    meaning: "The boot sector names an active copy of the FAT that the volume does not have. All copies were read \
              and treated as equal.",
};

/// Entry 0 does not repeat the media byte.
pub static MEDIA_DIFFERS: Code = Code {
    id: "fat-media-differs",
    severity: Severity::Note,
    meaning: "The first entry of the FAT does not repeat the boot sector's media byte: one of the two was altered or \
              belongs to an earlier formatting.",
};

/// FSInfo is damaged.
pub static FS_INFO_DAMAGED: Code = Code {
    id: "fat-fsinfo-damaged",
    severity: Severity::Note,
    meaning: "The sector with the number of free clusters is damaged or unreadable. It only makes the volume \
              faster; nothing is lost.",
};

/// FSInfo and FAT count free clusters differently.
pub static FS_INFO_FREE_COUNT: Code = Code {
    id: "fat-fsinfo-free-count",
    severity: Severity::Note,
    meaning: "The stored number of free clusters is not what the FAT says: common after an unclean removal. The \
              FAT is used; the files are not affected.",
};

/// A chain runs into itself.
pub static CHAIN_LOOP: Code = Code {
    id: "fat-chain-loop",
    severity: Severity::Damage,
    meaning: "A file's or folder's chain of clusters runs in a circle. It was cut where the circle closes; what \
              followed there is in clusters no file owns.",
};

/// A chain ends without an end mark.
pub static CHAIN_BROKEN: Code = Code {
    id: "fat-chain-broken",
    severity: Severity::Damage,
    meaning: "A file's or folder's chain of clusters breaks off. The part before the break is known; the rest lies in \
              clusters no file owns, which are planned as unclaimed if they are marked as in use.",
};

/// Two chains share clusters.
pub static CROSS_LINK: Code = Code {
    id: "fat-cross-link",
    severity: Severity::Damage,
    meaning: "Two files share clusters, so at least one of them holds the other's content from there on. Check both \
              after copying.",
};

/// A chain is shorter than the size asks for.
pub static CHAIN_SHORT: Code = Code {
    id: "fat-chain-short",
    severity: Severity::Damage,
    meaning: "A file has fewer clusters than its size needs. Its end is missing.",
};

/// A chain is longer than the size asks for.
pub static CHAIN_LONG: Code = Code {
    id: "fat-chain-long",
    severity: Severity::Note,
    meaning: "A file has more clusters than its size needs: it was prepared for more, or its size was not written \
              in time and content follows behind its end. All its clusters are planned.",
};

/// An entry's first cluster is not a cluster.
pub static FIRST_CLUSTER: Code = Code {
    id: "fat-first-cluster",
    severity: Severity::Damage,
    meaning: "A folder entry gives a first cluster that does not exist, so the content of this file or folder cannot \
              be found by its name.",
};

/// Part of a folder could not be read.
pub static FOLDER_UNREADABLE: Code = Code {
    id: "fat-folder-unreadable",
    severity: Severity::Damage,
    meaning: "Part of a folder was not read. The files listed there have no name in the listing; their clusters \
              are planned as unclaimed.",
};

/// A folder's clusters are those of a folder read before.
pub static FOLDER_TWICE: Code = Code {
    id: "fat-folder-twice",
    severity: Severity::Damage,
    meaning: "A folder's clusters belong to a folder that was read before (itself, one above it, or another). It was \
              not read again.",
};

/// A folder is longer than may be.
pub static FOLDER_TOO_LONG: Code = Code {
    id: "fat-folder-too-long",
    severity: Severity::Caution,
    meaning: "A folder is longer than FAT allows, most likely because its chain runs into a file's. Entries beyond \
              the limit were not read; all its clusters are planned.",
};

/// There are more entries than the catalog takes.
pub static TOO_MANY_ENTRIES: Code = Code {
    id: "fat-too-many-entries",
    severity: Severity::Damage,
    meaning: "The folders hold more entries than a volume of this kind can have files; the rest was not listed. Their \
              clusters are planned as unclaimed.",
};

/// "." or ".." is missing or points elsewhere.
pub static DOT_ENTRIES: Code = Code {
    id: "fat-dot-entries",
    severity: Severity::Caution,
    meaning: "A folder does not start with entries for itself and its parent, or they point elsewhere: its clusters \
              may have been overwritten, or belong to another folder. What it lists was taken as it stands.",
};

/// An entry cannot be one.
pub static ENTRY_IMPLAUSIBLE: Code = Code {
    id: "fat-entry-implausible",
    severity: Severity::Damage,
    meaning: "A folder has entries whose names are not possible: they were overwritten or are no entries. They are \
              left out; clusters of files that stood there are planned as unclaimed.",
};

/// Entries stand behind the end mark.
pub static BEHIND_END: Code = Code {
    id: "fat-entries-behind-end",
    severity: Severity::Note,
    meaning: "A folder has what looks like entries behind its end mark. They are left out, as every driver does. \
              If files are missing, look there.",
};

/// Parts of long names belong to no entry.
pub static LONG_NAME_ORPHANS: Code = Code {
    id: "fat-long-name-orphans",
    severity: Severity::Note,
    meaning: "Parts of long names belong to no file, or do not fit the file they stand before. Such files are listed \
              by their short name.",
};

/// All of them, for the list of findings.
pub static CODES: &[&Code] = &[
    &NOT_UNDERSTOOD,
    &BOOT_FROM_BACKUP,
    &BOOT_CONTRADICTED,
    &GEOMETRY_INFERRED,
    &BOOT_ODD,
    &BACKUP_DIFFERS,
    &BACKUP_UNUSABLE,
    &TYPE_CONTRADICTED,
    &TRUNCATED,
    &TABLE_TOO_SMALL,
    &COPY_UNREADABLE,
    &TABLE_LOST,
    &COPIES_DIFFER,
    &ONE_ACTIVE_COPY,
    &ACTIVE_COPY_WRONG,
    &MEDIA_DIFFERS,
    &FS_INFO_DAMAGED,
    &FS_INFO_FREE_COUNT,
    &CHAIN_LOOP,
    &CHAIN_BROKEN,
    &CROSS_LINK,
    &CHAIN_SHORT,
    &CHAIN_LONG,
    &FIRST_CLUSTER,
    &FOLDER_UNREADABLE,
    &FOLDER_TWICE,
    &FOLDER_TOO_LONG,
    &TOO_MANY_ENTRIES,
    &DOT_ENTRIES,
    &ENTRY_IMPLAUSIBLE,
    &BEHIND_END,
    &LONG_NAME_ORPHANS,
];
