//! What reading an NTFS volume can notice.

use crate::base::finding::{Code, Severity};

macro_rules! codes {
    ($($name:ident: $id:literal, $severity:ident, $meaning:literal;)*) => {
        $(
            #[doc = $meaning]
            pub static $name: Code = Code { id: $id, severity: Severity::$severity, meaning: $meaning };
        )*
        /// Every kind of finding of this module.
        pub static CODES: &[&Code] = &[$(&$name),*];
    };
}

/// File records as a sentence begins with them: `File record 5`, or `3 file records, numbers 5 to 7,`.
pub(super) fn records(first: u64, count: u64) -> String {
    match count {
        1 => format!("File record {first}"),
        _ => format!("{count} file records, numbers {first} to {},", first + count - 1),
    }
}

codes! {
    NOT_NTFS: "ntfs-not-readable", Blocking,
        "Neither the boot sector nor its backup describes an NTFS volume. Files cannot be told apart; all of the area has to be read.";
    BOOT_BACKUP_USED: "ntfs-boot-backup-used", Damage,
        "The boot sector is damaged or unreadable; its backup is used. The files are not affected.";
    BOOT_BACKUP_MISSING: "ntfs-boot-backup-missing", Caution,
        "There is no usable backup of the boot sector. The volume depends on its first sector alone; the partition may have been cut or moved.";
    BOOT_COPIES_DIFFER: "ntfs-boot-copies-differ", Caution,
        "The boot sector and its backup disagree. One of them is old or damaged; the one that leads to the file \
         records is used. The files are not affected.";
    BOOT_UNSIGNED: "ntfs-boot-unsigned", Note,
        "The boot sector lacks its end mark 55 AA. The files are not affected.";
    BOOT_TOO_SMALL: "ntfs-boot-too-small", Damage,
        "The boot sector makes the volume smaller than its own records say. It is damaged; the records were used, \
         so nothing is left out.";
    GEOMETRY_INFERRED: "ntfs-geometry-inferred", Damage,
        "Boot sector and backup are lost, but the file records tell the layout, which was checked. The files are \
         not affected; a copy needs a new boot sector before it can be mounted.";
    VOLUME_CUT: "ntfs-volume-cut", Damage,
        "The volume is larger than its partition or the drive. What lies behind the end cannot be read from here.";
    TABLE_LOST: "ntfs-file-table-lost", Blocking,
        "Neither $MFT nor its mirror starts with a usable record, and no records follow where $MFT should begin. Files cannot be told apart; all of the area has to be read.";
    TABLE_UNREADABLE: "ntfs-file-table-unreadable", Blocking,
        "The file table cannot be found, because its first record or the mirror was not read. Nothing is known to be wrong with what was not read: when the drive answers there again, the files are known. Until then all of the area is planned.";
    TABLE_BY_MIRROR: "ntfs-file-table-by-mirror", Damage,
        "The first record of $MFT is damaged or unreadable; its copy in the mirror is used. The files are not affected.";
    TABLE_BY_NUMBERS: "ntfs-file-table-by-numbers", Damage,
        "Neither the first record of $MFT nor its copy can be used, so file records were taken by their own \
         numbers from where $MFT begins. Files whose records lie in other fragments of $MFT are unknown; their \
         clusters show as used, no known file.";
    TABLE_SIZE: "ntfs-file-table-size", Caution,
        "$MFT claims to be larger than it can be. Only the possible part was read; the claim itself is damaged.";
    TABLE_LIST: "ntfs-file-table-list", Damage,
        "The list of $MFT's own parts is damaged or was not read. Its parts were searched for among the file records.";
    TABLE_RUN: "ntfs-file-table-run", Damage,
        "A part of $MFT would lie where it cannot be, so the file records in it are lost.";
    TABLE_PARTS_MISSING: "ntfs-file-table-parts-missing", Damage,
        "Parts of $MFT could not be found. The files whose records lie there are unknown; their clusters show as \
         used, no known file.";
    RECORDS_UNREADABLE: "ntfs-records-unreadable", Damage,
        "File records were not read. The files they describe are unknown; their clusters show as used, no known \
         file. `copy` retries them.";
    RECORDS_NOT_READ: "ntfs-records-not-read-yet", Damage,
        "File records are not read yet: too many requests failed before, or the case has skipped them. The files \
         they describe are unknown until `copy` has read them; their clusters show as used, no known file.";
    RECORDS_BLANK: "ntfs-records-blank", Damage,
        "File records that $MFT's own bitmap marks as in use are all zero: they were wiped or lost. The files they described are unknown; their clusters show as used, no known file. Keep `unclaimed` in the plan.";
    RECORDS_UNPROVEN: "ntfs-records-unproven", Caution,
        "File records are all zero, which is how Windows leaves records that no file has used yet; but the part of $MFT's own bitmap that would prove it is lost, damaged or wrong. If files were lost here, their clusters show as used, no known file. Keep `unclaimed` in the plan.";
    TABLE_BITMAP_WRONG: "ntfs-file-table-bitmap-wrong", Caution,
        "$MFT's own bitmap calls file records free that are in use. The records were believed, so no file is affected; near the wrong bits, zeros are not taken for records that no file has used yet.";
    RECORD_DAMAGED: "ntfs-record-damaged", Damage,
        "A file record is damaged and was not used. At most one file, or part of one, is unknown for each.";
    RECORD_BY_MIRROR: "ntfs-record-by-mirror", Note,
        "A lost system record was taken from the mirror. Nothing is lost.";
    RECORD_MISPLACED: "ntfs-record-misplaced", Caution,
        "A file record carries the number of another. It may be a stale copy; its files should be checked.";
    MIRROR_UNREADABLE: "ntfs-mirror-unreadable", Caution,
        "The mirror of the first file records was not read. The files are not affected while $MFT itself is sound.";
    MIRROR_DIFFERS: "ntfs-mirror-differs", Caution,
        "The mirror of the first file records disagrees with $MFT. The volume was not cleanly written; $MFT's own records were used.";
    ATTRIBUTE_DAMAGED: "ntfs-attribute-damaged", Damage,
        "Part of a file record cannot be understood. The file may lack a name, a stream or part of its clusters.";
    NAME_DAMAGED: "ntfs-name-damaged", Damage,
        "A file's name cannot be understood. The file is shown under another name or as an orphan; its content is not affected.";
    RUN_LIST_DAMAGED: "ntfs-run-list-damaged", Damage,
        "A file's list of clusters is damaged. The part before the damage is known, the rest shows as used, no \
         known file.";
    RUN_OUTSIDE: "ntfs-run-outside", Damage,
        "A file claims clusters outside the volume. That part of it is lost.";
    PARTS_DISAGREE: "ntfs-stream-parts-disagree", Damage,
        "The parts of a file's cluster list leave gaps or overlap. The file is incomplete; missing clusters show \
         as used, no known file.";
    EXTENSION_MISSING: "ntfs-extension-missing", Damage,
        "A file names a further record that could not be used. The file may lack names, streams or clusters.";
    EXTENSION_ALONE: "ntfs-extension-alone", Damage,
        "The main record of a file is lost, further records of it are there. Its content is planned, its name may \
         be lost.";
    ROOT_MISSING: "ntfs-root-missing", Damage,
        "The record of the root folder is lost. Paths start at a stand-in; the files are not affected.";
    NAMELESS: "ntfs-nameless", Caution,
        "An existing file has no name. It is planned, and listed among the orphans under its record's number.";
    BITMAP_LOST: "ntfs-bitmap-lost", Damage,
        "The allocation bitmap cannot be found. What is in use is known from the files' own records alone.";
    BITMAP_PARTLY: "ntfs-bitmap-partly-lost", Damage,
        "Part of the allocation bitmap was not read. There, what is in use is known from the files' own records alone.";
    VOLUME_RECORD: "ntfs-volume-record-missing", Caution,
        "The record of the volume itself is missing or damaged. Its label and whether it was cleanly unmounted are unknown.";
}
