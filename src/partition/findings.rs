//! What can be noticed about a drive's partition tables.

use crate::base::finding::{Code, Severity};

/// The source is shorter than one sector.
pub static SOURCE_TOO_SHORT: Code = Code {
    id: "source-too-short",
    severity: Severity::Blocking,
    meaning: "There is less than one sector to look at: the image was cut off almost at once, or the drive reports a \
              nonsensical capacity.",
};

/// The first sector cannot be read.
pub static LBA0_UNREADABLE: Code = Code {
    id: "lba0-unreadable",
    severity: Severity::Damage,
    meaning: "The sector with the MBR, or with a volume's boot sector, was not read. Partitions are known only if \
              a GPT or its backup is readable. `copy` retries the sector.",
};

/// Neither a table nor a volume was found.
pub static NO_TABLE: Code = Code {
    id: "no-table",
    severity: Severity::Blocking,
    meaning: "How the drive is divided is not known. Client data may lie anywhere, so only a copy of the whole \
              drive is sure to have it. Check `volume-found`: volumes may be known all the same.",
};

/// The table's own sectors say GPT, but no GPT is left.
pub static GPT_LOST: Code = Code {
    id: "gpt-lost",
    severity: Severity::Blocking,
    meaning: "The drive had a GPT, and neither the primary nor the backup can be found. The partitions may be \
              undamaged, but where they begin is not known. Copy the whole drive if no volume is found.",
};

/// The table counts in another sector size than the drive reports.
pub static SECTOR_SIZE_DIFFERS: Code = Code {
    id: "sector-size-differs",
    severity: Severity::Caution,
    meaning: "The table was written in another sector size than the drive reports now, as happens when a drive is \
              taken out of a USB enclosure. Partitions are placed by the size that fits; other tools may show the \
              drive as empty or damaged.",
};

/// The MBR's signature is missing, but its entries are plausible.
pub static MBR_SIGNATURE_MISSING: Code = Code {
    id: "mbr-signature-missing",
    severity: Severity::Damage,
    meaning: "The MBR lacks its closing 55 AA. Its entries lead to volumes and are used all the same; operating \
              systems will not accept them.",
};

/// The MBR names no partition.
pub static MBR_EMPTY: Code = Code {
    id: "mbr-empty",
    severity: Severity::Caution,
    meaning: "The partition table is there but names no partition: it may have been cleared. Client data may still \
              lie on the drive, outside any partition.",
};

/// A boot flag that is neither 00 nor 80.
pub static MBR_BOOT_FLAG: Code = Code {
    id: "mbr-boot-flag",
    severity: Severity::Note,
    meaning: "A partition's boot flag has a value that is not defined. The partition is used as it stands.",
};

/// GPT without the MBR that guards it.
pub static PROTECTIVE_MBR_MISSING: Code = Code {
    id: "protective-mbr-missing",
    severity: Severity::Caution,
    meaning: "The drive has a GPT, but the MBR in front of it does not say so: it was overwritten or damaged. The GPT \
              is used.",
};

/// The protective entry covers another number of sectors than the drive has.
pub static PROTECTIVE_MBR_SIZE: Code = Code {
    id: "protective-mbr-size",
    severity: Severity::Note,
    meaning: "The MBR in front of the GPT was written for a drive of another size: the contents may have been copied \
              from another drive, or the capacity is reported differently now.",
};

/// A hybrid MBR.
pub static MBR_HYBRID: Code = Code {
    id: "mbr-hybrid",
    severity: Severity::Note,
    meaning: "The MBR repeats some partitions of the GPT, or names others. The GPT is used, and the MBR's own entries \
              are not.",
};

/// A partition of no sectors.
pub static PARTITION_EMPTY: Code = Code {
    id: "partition-zero-length",
    severity: Severity::Note,
    meaning: "An entry names a partition of no sectors; there is nothing to read in it.",
};

/// A partition's end lies past the end of the drive.
pub static PARTITION_PAST_END: Code = Code {
    id: "partition-past-end",
    severity: Severity::Damage,
    meaning: "Part of a partition lies past the last sector that answers. What lies there cannot be read until the \
              drive reports its full capacity, or a complete image is at hand.",
};

/// A partition lies wholly past the end of the drive.
pub static PARTITION_BEYOND_DRIVE: Code = Code {
    id: "partition-beyond-drive",
    severity: Severity::Damage,
    meaning: "All of a partition lies past the last sector that answers, so nothing of it can be read: the image is \
              cut short, the capacity is reported too small, or the entry is damaged.",
};

/// Two partitions share sectors.
pub static PARTITION_OVERLAP: Code = Code {
    id: "partition-overlap",
    severity: Severity::Caution,
    meaning: "Two partitions claim the same sectors; at least one entry is wrong or left over from an earlier table. \
              Both are examined, and shared sectors are read once.",
};

/// A partition that covers the table itself.
pub static PARTITION_COVERS_TABLE: Code = Code {
    id: "partition-covers-table",
    severity: Severity::Caution,
    meaning: "A partition begins at the drive's first sector, where the table itself stands; the entry is probably \
              wrong.",
};

/// More than one extended partition.
pub static EXTENDED_SEVERAL: Code = Code {
    id: "extended-several",
    severity: Severity::Note,
    meaning: "The MBR names more than one extended partition. Each one's chain is followed.",
};

/// An extended partition without any table in it.
pub static EXTENDED_EMPTY: Code = Code {
    id: "extended-empty",
    severity: Severity::Note,
    meaning: "The extended partition's first sector is all zero: it holds no logical partitions, or its first link \
              was cleared.",
};

/// A link of the extended chain cannot be read.
pub static EBR_UNREADABLE: Code = Code {
    id: "ebr-unreadable",
    severity: Severity::Damage,
    meaning: "A link of the chain of logical partitions was not read; that partition and all behind it are not \
              known. Their sectors count as outside any partition.",
};

/// A link of the extended chain lacks its signature.
pub static EBR_SIGNATURE_MISSING: Code = Code {
    id: "ebr-signature-missing",
    severity: Severity::Damage,
    meaning: "A link of the chain of logical partitions is overwritten; that partition and all behind it are not \
              known. Their sectors count as outside any partition.",
};

/// The extended chain leads back to a link already seen.
pub static EBR_LOOP: Code = Code {
    id: "ebr-loop",
    severity: Severity::Damage,
    meaning: "The chain of logical partitions leads back into itself. The partitions found up to there are used; \
              others may be missing.",
};

/// The extended chain leads backwards.
pub static EBR_BACKWARD: Code = Code {
    id: "ebr-backward",
    severity: Severity::Note,
    meaning: "The chain of logical partitions leads backwards on the drive, as it may after partitions were deleted \
              and made again. It is followed.",
};

/// The extended chain leaves the extended partition.
pub static EBR_OUTSIDE_EXTENDED: Code = Code {
    id: "ebr-outside-extended",
    severity: Severity::Caution,
    meaning: "The chain of logical partitions leads out of the extended partition. It is followed as long as sound \
              links stand there; the partitions behind it should be checked.",
};

/// The extended chain leaves the drive.
pub static EBR_BEYOND_DRIVE: Code = Code {
    id: "ebr-beyond-drive",
    severity: Severity::Damage,
    meaning: "The chain of logical partitions leads past the end of the drive. Partitions behind that link are not \
              known.",
};

/// The extended chain is longer than is followed.
pub static EBR_TOO_MANY: Code = Code {
    id: "ebr-too-many",
    severity: Severity::Damage,
    meaning: "The chain of logical partitions is longer than any real one. Partitions behind the last link followed \
              are not known.",
};

/// A link of the extended chain has entries where none belong.
pub static EBR_EXTRA_ENTRY: Code = Code {
    id: "ebr-extra-entry",
    severity: Severity::Note,
    meaning: "A link of the chain of logical partitions has more entries than the two that belong there. Those that \
              lie in the extended partition are used.",
};

/// A logical partition reaches out of its extended partition.
pub static LOGICAL_OUTSIDE_EXTENDED: Code = Code {
    id: "logical-outside-extended",
    severity: Severity::Caution,
    meaning: "A logical partition does not lie completely in its extended partition; one of the two entries is \
              wrong. The \
              partition is used as it stands.",
};

/// The primary GPT header is not sound.
pub static GPT_PRIMARY_HEADER: Code = Code {
    id: "gpt-primary-header",
    severity: Severity::Damage,
    meaning: "The primary GPT header is damaged. Client data is not touched by this, but the start of the drive was \
              overwritten or reads badly.",
};

/// The backup GPT header is not sound.
pub static GPT_BACKUP_HEADER: Code = Code {
    id: "gpt-backup-header",
    severity: Severity::Caution,
    meaning: "The backup GPT header is missing or damaged, so the table has no second copy. The end of the drive may \
              be overwritten or not answer.",
};

/// The primary GPT entries are not sound.
pub static GPT_PRIMARY_ENTRIES: Code = Code {
    id: "gpt-primary-entries",
    severity: Severity::Damage,
    meaning: "The primary GPT's list of partitions is damaged. Client data is not touched by this, but the start of \
              the drive was overwritten or reads badly.",
};

/// The backup GPT entries are not sound.
pub static GPT_BACKUP_ENTRIES: Code = Code {
    id: "gpt-backup-entries",
    severity: Severity::Caution,
    meaning: "The backup GPT's list of partitions is damaged, so the list has no second copy.",
};

/// The table in use could not be verified.
pub static GPT_UNVERIFIED: Code = Code {
    id: "gpt-unverified",
    severity: Severity::Damage,
    meaning: "No copy of the GPT is undamaged. The least damaged one is used, and partitions may be missing or \
              misplaced; plan the sectors outside them too.",
};

/// The two GPT copies disagree.
pub static GPT_COPIES_DIFFER: Code = Code {
    id: "gpt-copies-differ",
    severity: Severity::Caution,
    meaning: "Both copies of the GPT are sound, but they do not say the same: a change of partitions was interrupted, \
              or one copy is left over from earlier. The primary is used; a partition only the backup names counts as \
              outside.",
};

/// The backup GPT is not at the end of the drive.
pub static GPT_BACKUP_NOT_LAST: Code = Code {
    id: "gpt-backup-not-last",
    severity: Severity::Caution,
    meaning: "The backup GPT does not stand in the last sector: the contents were copied from a drive of another \
              size, or the capacity is reported differently now.",
};

/// A GPT entry that ends before it starts.
pub static GPT_ENTRY_REVERSED: Code = Code {
    id: "gpt-entry-reversed",
    severity: Severity::Damage,
    meaning: "A partition's last sector comes before its first. The entry is damaged and cannot be used.",
};

/// A GPT entry outside the range the header allows.
pub static GPT_OUTSIDE_USABLE: Code = Code {
    id: "gpt-outside-usable",
    severity: Severity::Caution,
    meaning: "A partition lies partly outside the sectors that the GPT sets aside for partitions; header or entry is \
              wrong. The partition is used as it stands.",
};

/// A GPT revision other than 1.0.
pub static GPT_REVISION: Code = Code {
    id: "gpt-revision",
    severity: Severity::Note,
    meaning: "The GPT states a revision other than 1.0. It is read by the rules of 1.0.",
};

/// A blank entry between entries in use.
pub static MBR_HOLE: Code = Code {
    id: "mbr-entry-taken-out",
    severity: Severity::Note,
    meaning: "The MBR has a blank entry in front of one in use: a partition was deleted. Its volume may still lie in the \
              gap it left.",
};

/// A link of the extended chain without a logical partition.
pub static EBR_NO_LOGICAL: Code = Code {
    id: "ebr-no-logical",
    severity: Severity::Note,
    meaning: "A link of the chain of logical partitions names no partition: it was deleted, or its entry was overwritten. \
              Its volume may still lie in the gap it left.",
};

/// A volume that no table names.
pub static VOLUME_FOUND: Code = Code {
    id: "volume-found",
    severity: Severity::Caution,
    meaning: "A volume stands where no table names one: the table was lost, or the partition was deleted. It is read like \
              any other and can be chosen by its number; check that it is one that the client wants.",
};

/// The drive was searched for volumes.
pub static SEARCHED: Code = Code {
    id: "searched-for-volumes",
    severity: Severity::Note,
    meaning: "gleaner looked where volumes usually begin and end, because the table does not name them all. \
              Volumes elsewhere are not known and count as outside.",
};

/// The search ended at its allowance.
pub static SEARCH_CUT_SHORT: Code = Code {
    id: "search-cut-short",
    severity: Severity::Damage,
    meaning: "The search for volumes ended early to spare the drive. Volumes may be missing; their sectors count \
              as outside. Do not leave these out of the plan.",
};

/// Places that the search could not read.
pub static SEARCH_UNREADABLE: Code = Code {
    id: "search-place-unreadable",
    severity: Severity::Damage,
    meaning: "A sector where a volume may begin or end was not read, so a volume there is known only if another of \
              its \
              structures was found.",
};

/// Volumes that overlap.
pub static FOUND_OVERLAP: Code = Code {
    id: "found-volumes-overlap",
    severity: Severity::Caution,
    meaning: "Two volumes claim the same sectors, and at least one of them is named by no table: one is left over from an \
              earlier division of the drive. The better proven one is used, or both; the other's bytes count as outside.",
};

/// A volume reaches behind the end of its partition.
pub static PARTITION_TOO_SHORT: Code = Code {
    id: "partition-shorter-than-volume",
    severity: Severity::Caution,
    meaning: "The volume in a partition says that it is longer than the partition: the table's entry is damaged, or was \
              changed. The volume is examined in both lengths, and shared sectors are read once.",
};

/// Space outside volumes that no sound table explains.
pub static OUTSIDE_UNEXPLAINED: Code = Code {
    id: "outside-unexplained",
    severity: Severity::Caution,
    meaning: "Client data may lie in sectors outside the volumes that are known. They are planned after everything \
              else, unless `--without outside` or a choice of volumes leaves them out. Leave them out only when you know \
              what they are.",
};

/// All codes of this layer.
pub static CODES: &[&Code] = &[
    &SOURCE_TOO_SHORT,
    &LBA0_UNREADABLE,
    &NO_TABLE,
    &GPT_LOST,
    &SECTOR_SIZE_DIFFERS,
    &MBR_SIGNATURE_MISSING,
    &MBR_EMPTY,
    &MBR_BOOT_FLAG,
    &PROTECTIVE_MBR_MISSING,
    &PROTECTIVE_MBR_SIZE,
    &MBR_HYBRID,
    &PARTITION_EMPTY,
    &PARTITION_PAST_END,
    &PARTITION_BEYOND_DRIVE,
    &PARTITION_OVERLAP,
    &PARTITION_COVERS_TABLE,
    &EXTENDED_SEVERAL,
    &EXTENDED_EMPTY,
    &EBR_UNREADABLE,
    &EBR_SIGNATURE_MISSING,
    &EBR_LOOP,
    &EBR_BACKWARD,
    &EBR_OUTSIDE_EXTENDED,
    &EBR_BEYOND_DRIVE,
    &EBR_TOO_MANY,
    &EBR_EXTRA_ENTRY,
    &LOGICAL_OUTSIDE_EXTENDED,
    &GPT_PRIMARY_HEADER,
    &GPT_BACKUP_HEADER,
    &GPT_PRIMARY_ENTRIES,
    &GPT_BACKUP_ENTRIES,
    &GPT_UNVERIFIED,
    &GPT_COPIES_DIFFER,
    &GPT_BACKUP_NOT_LAST,
    &GPT_ENTRY_REVERSED,
    &GPT_OUTSIDE_USABLE,
    &GPT_REVISION,
    &MBR_HOLE,
    &EBR_NO_LOGICAL,
    &VOLUME_FOUND,
    &SEARCHED,
    &SEARCH_CUT_SHORT,
    &SEARCH_UNREADABLE,
    &FOUND_OVERLAP,
    &PARTITION_TOO_SHORT,
    &OUTSIDE_UNEXPLAINED,
];
