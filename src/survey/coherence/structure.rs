//! What the volumes' own structure proves. Everything here was read by the survey; nothing is read again.

use super::evidence::{Check, Evidence, Outcome, Tally, counted};
use super::findings as found;
use super::names;
use crate::base::extent::ExtentSet;
use crate::base::finding::{Code, Finding, Severity};
use crate::base::human;
use crate::filesystem::{Content, FixedKind, FsKind, NodeKind, Role, VolumeMap, exfat, fat, ntfs};
use crate::survey::allocation::{DriveMap, MapComparison};

/// Clusters owned by files and marked free, or owned twice, up to this share of all owned ones are what an unclean removal leaves behind
/// (common practice, no source); beyond it the two maps are not of the same volume.
const MAPS_FAIL: f64 = 0.10;

/// Clusters in use that no file owns are, up to this share, what interrupted writes leave behind (common practice, no source);
/// beyond it files are missing from what was read, and nothing else may show that.
const WITHOUT_OWNER_FAILS: f64 = 0.05;

/// Fewer clusters than this say nothing about a small volume.
const LEAST_WITHOUT_OWNER: u64 = 32;

/// What the volumes gave, added up.
#[derive(Default)]
pub(super) struct Structure {
    /// Volumes that were understood.
    pub(super) understood: u64,
    /// Volumes with a boot sector, or a table's word, of a kind that is read, to which nothing belongs that could be found.
    pub(super) lost: u64,
    /// Understood volumes most of whose structure is not at its places.
    pub(super) hollow: u64,
    /// Volumes most of whose structure could not be read.
    pub(super) unread: u64,
    /// Copies of boot sectors that are there and equal.
    copies: Tally,
    /// File records: sound and with their own number.
    pub(super) records: Tally,
    blank_records: u64,
    unreadable_records: u64,
    records_not_read_yet: u64,
    misnumbered: u64,
    has_records: bool,
    file_tables: Tally,
    folders: Tally,
    entry_sets: Tally,
    exfat_parts: Tally,
    names: Tally,
    owned: u64,
    contradicted: u64,
    marked_by_nobody: u64,
    /// Volumes of which much is used, with no known file.
    without_owner: u64,
    /// What the verdict's checks have found.
    pub(super) findings: Vec<Finding>,
    /// Findings that mean damage, wherever they were made.
    pub(super) damage: u64,
}

impl Structure {
    pub(super) fn of(drive: &DriveMap) -> Structure {
        let mut all = Structure::default();
        for area in &drive.areas {
            match &area.content {
                Some(Content::Volume(volume)) => {
                    all.add(volume, area.two_maps().map(|maps| &maps.figures));
                    all.unread += u64::from(is_unread(volume, &drive.unread));
                }
                Some(Content::Opaque { recognised: None, sign: Some(_), findings }) => {
                    if findings.count(&ntfs::TABLE_UNREADABLE) > 0 {
                        all.unread += 1;
                    } else {
                        all.lost += 1;
                    }
                }
                _ => {}
            }
        }
        let findings = drive.all_findings();
        let all_kept = findings.kept().iter().chain(&all.findings);
        all.damage = all_kept.filter(|finding| finding.code.severity >= Severity::Damage).count() as u64;
        all
    }

    fn add(&mut self, volume: &VolumeMap, maps: Option<&MapComparison>) {
        self.understood += 1;
        let count = |codes: &[&'static Code]| codes.iter().map(|code| volume.findings.count(code)).sum::<u64>();
        let mut own = Tally::default();
        match volume.kind {
            FsKind::Ntfs => {
                let bad = [
                    &ntfs::GEOMETRY_INFERRED,
                    &ntfs::BOOT_BACKUP_USED,
                    &ntfs::BOOT_BACKUP_MISSING,
                    &ntfs::BOOT_COPIES_DIFFER,
                ];
                self.copies.add(count(&bad) == 0);
                if let Some(records) = volume.records {
                    self.has_records = true;
                    own.good = records.sound.saturating_sub(records.misnumbered);
                    // Zeros are at no wrong place: they were wiped, and do not make a volume hollow.
                    own.total = records.sound + records.damaged;
                    self.blank_records += records.blank;
                    self.unreadable_records += records.unreadable;
                    self.records_not_read_yet += records.not_read_yet;
                    self.misnumbered += records.misnumbered;
                    let total = self.records.total + own.total + records.blank;
                    self.records = Tally { good: self.records.good + own.good, total };
                }
            }
            FsKind::Fat12 | FsKind::Fat16 | FsKind::Fat32 => {
                if volume.kind == FsKind::Fat32 {
                    let bad =
                        [&fat::GEOMETRY_INFERRED, &fat::BOOT_FROM_BACKUP, &fat::BACKUP_DIFFERS, &fat::BACKUP_UNUSABLE];
                    self.copies.add(count(&bad) == 0);
                }
                let bad = [&fat::COPIES_DIFFER, &fat::COPY_UNREADABLE, &fat::TABLE_LOST, &fat::MEDIA_DIFFERS];
                self.file_tables.add(count(&bad) == 0);
                own = folders(volume, count(&[&fat::DOT_ENTRIES, &fat::ENTRY_IMPLAUSIBLE]));
                self.folders = Tally { good: self.folders.good + own.good, total: self.folders.total + own.total };
            }
            FsKind::ExFat => {
                let bad = [
                    &exfat::GEOMETRY_INFERRED,
                    &exfat::BOOT_FROM_BACKUP,
                    &exfat::BACKUP_DIFFERS,
                    &exfat::BACKUP_UNUSABLE,
                    &exfat::BOOT_CHECKSUM,
                ];
                self.copies.add(count(&bad) == 0);
                self.file_tables.add(count(&[&exfat::TABLE_HEAD, &exfat::TABLE_LOST, &exfat::TABLE_OTHER_COPY]) == 0);
                let sets = volume.catalog.nodes().filter(|n| !n.is_deleted()).count() as u64;
                let bad = count(&[&exfat::SET_CHECKSUM, &exfat::ENTRY_IMPLAUSIBLE, &exfat::STRAY_ENTRIES]);
                own = Tally { good: sets.saturating_sub(bad), total: sets.max(bad) };
                self.entry_sets =
                    Tally { good: self.entry_sets.good + own.good, total: self.entry_sets.total + own.total };
                self.exfat_parts.add(count(&[&exfat::UP_CASE, &exfat::BITMAP_LOST, &exfat::BITMAP_PARTLY]) == 0);
            }
        }
        let names = names::check(volume);
        self.names = Tally { good: self.names.good + names.tally.good, total: self.names.total + names.tally.total };
        self.findings.extend(names.findings);
        if let Some(figures) = maps {
            let no_start = count(&[&fat::MEDIA_DIFFERS, &exfat::TABLE_HEAD]) > 0;
            self.add_maps(volume, figures, own, no_start);
        }
    }

    /// What the two maps of a volume say of each other. `own` is what its records or folders came to; `no_start` says that its FAT
    /// does not start as it must.
    fn add_maps(&mut self, volume: &VolumeMap, figures: &MapComparison, own: Tally, no_start: bool) {
        // A small volume's one damaged folder is damage and no more: there must be a few of them. And a FAT that does not start as it must,
        // of whose clusters in use hardly any belongs to a file, is no FAT.
        let mostly_bad = own.mostly_bad() && own.bad() >= 3;
        let no_map = no_start && figures.both.clusters.saturating_mul(10) < figures.allocated.clusters;
        self.hollow += u64::from(mostly_bad || no_map);
        self.owned += figures.owned.clusters;
        let marked_free = figures.only_owned.clusters.saturating_sub(figures.unknown.clusters);
        self.contradicted += marked_free + figures.shared.clusters;
        self.marked_by_nobody += figures.only_allocated.clusters;
        if figures.only_allocated.clusters >= LEAST_WITHOUT_OWNER
            && share(figures.only_allocated.clusters, figures.allocated.clusters) > WITHOUT_OWNER_FAILS
        {
            let sentence = format!(
                "{} of {} clusters in use ({}) belong to no file that is known.",
                human::count(figures.only_allocated.clusters),
                human::count(figures.allocated.clusters),
                human::bytes(figures.only_allocated.bytes)
            );
            self.without_owner += 1;
            self.findings.push(Finding::at(&found::WITHOUT_OWNER, volume.extent.start, sentence));
        }
        if marked_free > 0 {
            let sentence = format!(
                "{} of {} clusters of existing files are marked as free ({}).",
                human::count(marked_free),
                human::count(figures.owned.clusters),
                human::bytes(marked_free.saturating_mul(volume.geometry.cluster_bytes))
            );
            self.findings.push(Finding::at(&found::MARKED_FREE, volume.extent.start, sentence));
        }
        // FAT and exFAT name each such pair of files themselves.
        if figures.shared.clusters > 0 && volume.kind == FsKind::Ntfs {
            let sentence = format!(
                "{} of {} clusters of existing files belong to more than one of them ({}).",
                human::count(figures.shared.clusters),
                human::count(figures.owned.clusters),
                human::bytes(figures.shared.bytes)
            );
            self.findings.push(Finding::at(&found::SHARED, volume.extent.start, sentence));
        }
    }

    pub(super) fn evidence(&self) -> Vec<Evidence> {
        let mut lines = Vec::new();
        if self.lost > 0 {
            let sentence = format!(
                "{} leads to no file table, folder or map at its place",
                counted(self.lost, "boot sector", "boot sectors")
            );
            let check = Check::FileRecords;
            if !self.has_records {
                lines.push(Evidence::new(check, Outcome::Fails, sentence));
            }
        }
        let say =
            |tally: Tally, what: &str| format!("{} of {} {what}", human::count(tally.good), human::count(tally.total));
        let mut add = |check, tally: Tally, figures: String| {
            if tally.total > 0 {
                lines.push(Evidence::new(check, tally.outcome(), figures));
            }
        };
        add(Check::BootCopies, self.copies, say(self.copies, "boot sectors have a sound copy that says the same"));
        if self.records.total + self.unread_records() > 0 {
            let records = say(self.records, "file records at their places, with sound fixups and their own numbers");
            let sentence = records + &self.other_records();
            lines.push(Evidence::new(Check::FileRecords, self.records_outcome(), sentence));
        }
        let mut add = |check, tally: Tally, figures: String| {
            if tally.total > 0 {
                lines.push(Evidence::new(check, tally.outcome(), figures));
            }
        };
        add(
            Check::FileTables,
            self.file_tables,
            say(self.file_tables, "volumes have FATs that start as they must and agree"),
        );
        add(Check::Folders, self.folders, say(self.folders, "folders are at their places and lead to themselves"));
        let mut sets = say(self.entry_sets, "entry sets have their checksum");
        if self.exfat_parts.bad() > 0 {
            sets += &format!(
                "; bitmap or up-case table damaged on {}",
                counted(self.exfat_parts.bad(), "volume", "volumes")
            );
        }
        add(Check::EntrySets, self.entry_sets, sets);
        if self.names.total > 0 {
            lines.push(self.names_evidence());
        }
        if self.understood > 0 {
            lines.push(self.maps_evidence());
        }
        lines
    }

    /// How many records are not sound, and why.
    fn other_records(&self) -> String {
        let mut others = String::new();
        if self.blank_records > 0 {
            others += &format!("; {} all zero although in use", counted(self.blank_records, "is", "are"));
        }
        if self.unreadable_records > 0 {
            others += &format!("; {} were not read", human::count(self.unreadable_records));
        }
        if self.records_not_read_yet > 0 {
            others += &format!("; {} not read yet", human::count(self.records_not_read_yet));
        }
        if self.misnumbered > 0 {
            others += &format!("; {} the number of another", counted(self.misnumbered, "carries", "carry"));
        }
        if self.lost > 0 {
            others += &format!("; {} without any", counted(self.lost, "further volume", "further volumes"));
        }
        others
    }

    pub(super) fn unread_records(&self) -> u64 {
        self.unreadable_records + self.records_not_read_yet
    }

    fn records_outcome(&self) -> Outcome {
        let (read, unread) = (self.records.total, self.unread_records());
        match self.records.outcome() {
            outcome if unread == 0 => outcome,
            Outcome::Fails => Outcome::Fails,
            _ if unread < read => Outcome::InPart,
            _ if self.unreadable_records == 0 => Outcome::NotRead,
            _ => Outcome::Fails,
        }
    }

    fn names_evidence(&self) -> Evidence {
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let share = self.names.good as f64 / self.names.total as f64;
        let outcome = match share {
            s if s >= names::HOLD => Outcome::Holds,
            s if s >= names::FAIL => Outcome::InPart,
            _ => Outcome::Fails,
        };
        let figures = format!(
            "{} of {} are text without control or undecodable characters, and allowed",
            human::count(self.names.good),
            human::count(self.names.total)
        );
        Evidence::new(Check::Names, outcome, figures)
    }

    fn maps_evidence(&self) -> Evidence {
        let contradicted = share(self.contradicted, self.owned);
        let outcome = match self.contradicted {
            _ if self.without_owner > 0 => Outcome::Fails,
            0 => Outcome::Holds,
            _ if contradicted <= MAPS_FAIL => Outcome::InPart,
            _ => Outcome::Fails,
        };
        let figures = format!(
            "{} clusters owned by files; {} of them marked free or owned twice; {} used, no known file",
            human::count(self.owned),
            human::count(self.contradicted),
            human::count(self.marked_by_nobody)
        );
        Evidence::new(Check::TwoMaps, outcome, figures)
    }

    /// Whether what volumes lead to is missing or mostly wrong somewhere.
    pub(super) fn in_doubt(&self) -> bool {
        self.lost > 0 || self.hollow > 0
    }
}

/// Whether at least half of what lists a volume's files could not be read: its file records or its folders, or where chains lead
/// through the FAT, that.
fn is_unread(volume: &VolumeMap, unread: &ExtentSet) -> bool {
    if let Some(records) = volume.records {
        let lost = records.unreadable + records.not_read_yet;
        return lost > 0 && lost >= records.sound + records.damaged;
    }
    if unread.is_empty() {
        return false;
    }
    let folders = volume.catalog.nodes().filter(|node| !node.is_deleted()).flat_map(|node| node.streams());
    let folders = folders.filter(|stream| stream.role() == Role::FolderIndex).flat_map(|stream| stream.runs());
    let folders = folders.filter_map(|run| volume.geometry.extent(run));
    // FAT12 and FAT16: the fixed root folder, behind the FATs.
    let fixed = matches!(volume.kind, FsKind::Fat12 | FsKind::Fat16);
    let root = volume.fixed.iter().rev().find(|place| fixed && place.1 == FixedKind::Metadata).map(|place| place.0);
    let (mut bytes, mut lost) = (0u64, 0u64);
    for extent in folders.chain(root).flat_map(|place| volume.on_drive(place)) {
        bytes = bytes.saturating_add(extent.bytes);
        lost = lost.saturating_add(unread.bytes_within(extent));
    }
    let fat_lost = volume.kind != FsKind::ExFat
        && volume.allocation.unknown.count().saturating_mul(2) >= volume.geometry.cluster_count;
    lost > 0 && lost.saturating_mul(2) >= bytes || fat_lost
}

#[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
fn share(part: u64, whole: u64) -> f64 {
    part as f64 / whole.max(1) as f64
}

/// Folders of a FAT volume and those of them with a fault. A fault in the fixed root counts as well.
fn folders(volume: &VolumeMap, faults: u64) -> Tally {
    let live = volume.catalog.nodes().filter(|n| n.kind() == NodeKind::Folder && !n.is_deleted()).count() as u64;
    Tally { good: live.saturating_sub(faults), total: live.max(faults) }
}
