//! What may be noticed on an exFAT volume.

use crate::base::finding::{Code, Severity};

macro_rules! codes {
    ($($(#[doc = $doc:literal])+ $name:ident = $id:literal, $severity:ident, $meaning:literal;)+) => {
        $($(#[doc = $doc])+ pub static $name: Code = Code { id: $id, severity: Severity::$severity, meaning: $meaning };)+

        /// All of them, for the list of findings.
        pub static CODES: &[&Code] = &[$(&$name),+];
    };
}

codes! {
    /// The volume cannot be read as exFAT.
    NOT_UNDERSTOOD = "exfat-not-understood", Blocking,
        "The volume cannot be read as exFAT, so its files and used space are not known. The plan reads all of it.";
    /// The main boot region was replaced by its backup.
    BOOT_FROM_BACKUP = "exfat-boot-from-backup", Damage,
        "The main boot region is damaged, but its backup tells the layout. The files are not affected.";
    /// Both boot regions are lost, and the geometry was inferred.
    GEOMETRY_INFERRED = "exfat-geometry-inferred", Damage,
        "Both boot regions are lost, but root folder, up-case table and FAT tell the layout, which was checked. \
         Files are not affected; a copy needs new boot regions before it can be mounted.";
    /// A region that is used has a wrong checksum.
    BOOT_CHECKSUM = "exfat-boot-checksum", Caution,
        "The boot region that was used is damaged, though its own figures are possible ones. If the files found make no \
         sense, these figures are the reason.";
    /// A damaged boot region's fields are possible, and wrong.
    BOOT_CONTRADICTED = "exfat-boot-contradicted", Damage,
        "Both boot regions are damaged and the figures of the one that can be used are contradicted by the file \
         system itself, which is used instead. Check some files after copying.";
    /// A field of the boot sector is unusual.
    BOOT_ODD = "exfat-boot-odd", Note,
        "A field of the boot sector has a value that the specification does not allow, but the volume can be read all \
         the same.";
    /// Main and backup boot sector give different figures.
    BACKUP_DIFFERS = "exfat-boot-backup-differs", Caution,
        "The main boot region and its backup do not agree. The main one is used. If the files found make no sense, \
         the backup may be the right one.";
    /// The backup cannot be used.
    BACKUP_UNUSABLE = "exfat-boot-backup-unusable", Caution,
        "The backup boot region is damaged. Nothing is lost as long as the main one is read.";
    /// The volume reaches beyond its partition or drive.
    TRUNCATED = "exfat-volume-truncated", Damage,
        "Part of the volume lies beyond the end of its partition or of the drive. Files there cannot be read until the \
         whole drive answers or the right table is used.";
    /// Two FATs, the second in use, or it is not known which.
    ACTIVE_COPY = "exfat-active-copy", Note,
        "The volume has two FATs and two bitmaps, of which only one of each is up to date.";
    /// Part of the FAT came from the other one.
    TABLE_OTHER_COPY = "exfat-fat-other-copy", Damage,
        "Part of the FAT was not read and was taken from the other FAT, which may be older. Fragmented files may \
         be affected: check some after copying.";
    /// Part of the FAT is unreadable.
    TABLE_LOST = "exfat-fat-lost", Damage,
        "Part of the FAT was not read. Fragmented files that pass through it are cut in the listing; their \
         clusters are planned by the bitmap. Unfragmented files are not affected.";
    /// The first two entries are wrong.
    TABLE_HEAD = "exfat-fat-head", Caution,
        "The FAT does not start as it must. If files are cut or mixed up, the FAT may be overwritten. Check some files \
         after copying.";
    /// The bitmap was not found.
    BITMAP_LOST = "exfat-bitmap-lost", Damage,
        "The map of what is in use was not found. The files' own clusters stand in for it; if folders are missing as \
         well, the whole volume is planned.";
    /// Part of the bitmap is unreadable.
    BITMAP_PARTLY = "exfat-bitmap-partly", Damage,
        "Part of the map of what is in use was not read. The files' own clusters stand in for it there; if folders \
         are missing as well, all of that part is planned.";
    /// The bitmap is too small.
    BITMAP_SHORT = "exfat-bitmap-short", Caution,
        "The map of what is in use does not cover all clusters. Those it does not cover count as unknown.";
    /// The up-case table is damaged.
    UP_CASE = "exfat-up-case", Caution,
        "The table of upper-case letters is damaged or missing. Nothing of the client's is lost, but a copy of the volume \
         may not mount.";
    /// A chain leads to itself.
    CHAIN_LOOP = "exfat-chain-loop", Damage,
        "A file's chain of clusters runs in a circle. The part before the circle closes is in the listing; the \
         rest of the file is missing from it.";
    /// A chain breaks off.
    CHAIN_BROKEN = "exfat-chain-broken", Damage,
        "A file's chain of clusters breaks off. The part before is in the listing; the rest of the file is missing \
         from it.";
    /// Two files hold the same cluster.
    CROSS_LINK = "exfat-cross-link", Damage,
        "Two files have the same clusters; at most one of them is right. Check both after copying.";
    /// A chain is shorter than the size.
    CHAIN_SHORT = "exfat-chain-short", Damage,
        "A file has fewer clusters than its size needs. Its end is missing.";
    /// A chain is longer than the size.
    CHAIN_LONG = "exfat-chain-long", Note,
        "A file has more clusters than its size needs: space was reserved, or its size is wrong.";
    /// A first cluster that is no cluster of the volume.
    FIRST_CLUSTER = "exfat-first-cluster", Damage,
        "A file starts at a cluster that the volume does not have. Its content is not in the plan under its name; \
         the bitmap may still bring its clusters.";
    /// A contiguous file leaves the volume.
    RUN_OUTSIDE = "exfat-run-outside", Damage,
        "An unfragmented file reaches beyond the last cluster of the volume: its size or its first cluster is wrong.";
    /// More valid bytes than bytes.
    VALID_LENGTH = "exfat-valid-length", Caution,
        "A file's entry gives more written bytes than its size. The size is used; check the file after copying.";
    /// Folder entries could not be read.
    FOLDER_UNREADABLE = "exfat-folder-unreadable", Damage,
        "Part of a folder was not read. Files whose entries stood there are missing from the listing; their \
         clusters are planned by the bitmap.";
    /// A folder's cluster was read before.
    FOLDER_TWICE = "exfat-folder-twice", Damage,
        "A folder uses clusters that belong to another folder or to the file system. They are read once; check \
         what lies in both folders after copying.";
    /// A folder is larger than may be.
    FOLDER_TOO_LONG = "exfat-folder-too-long", Damage,
        "A folder is larger than folders may be; only the permitted part was read.";
    /// More entries than a volume can have.
    TOO_MANY_ENTRIES = "exfat-too-many-entries", Damage,
        "The folders have more entries than a volume can have. The rest is not listed; its \
         clusters are planned by the bitmap.";
    /// Something that is no entry.
    ENTRY_IMPLAUSIBLE = "exfat-entry-implausible", Damage,
        "A folder has entries that are not possible. Files may be missing from the \
         listing; their clusters are planned by the bitmap.";
    /// A set with a wrong checksum.
    SET_CHECKSUM = "exfat-set-checksum", Damage,
        "A file's entry does not have the checksum it was written with, or lost part of its name: name, size or first cluster may \
         be wrong. It is listed as it stands.";
    /// Secondary entries without a primary one.
    STRAY_ENTRIES = "exfat-stray-entries", Caution,
        "Parts of entries stand in a folder without the entry they belong to: files may be missing from the listing.";
    /// Entries behind the end of a folder.
    BEHIND_END = "exfat-behind-end", Caution,
        "Entries stand behind the end mark of a folder. They are not listed; if files are missing, the mark is wrong.";
}
