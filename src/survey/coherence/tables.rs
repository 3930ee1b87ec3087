//! The tables, and the boot sectors where they put them.

use super::evidence::{Check, Evidence, Outcome, Tally, counted};
use super::held;
use crate::base::extent::Extent;
use crate::base::finding::Severity;
use crate::filesystem::{Content, exfat, fat, ntfs};
use crate::partition::signature::{Certainty, Recognised};
use crate::partition::{AreaKind, Scheme, findings as found};
use crate::source::{Block, Reader, SourceLost};
use crate::survey::allocation::{DriveArea, DriveMap};

/// Partition types whose volumes begin with a boot sector: MBR types by the list of partition identifiers by A. E. Brouwer (from memory),
/// GPT types as Microsoft publishes them: basic data, recovery; and the EFI system partition (UEFI, table of defined types).
const WITH_BOOT_SECTOR: [&str; 19] = [
    "0x01",
    "0x04",
    "0x06",
    "0x07",
    "0x0B",
    "0x0C",
    "0x0E",
    "0x11",
    "0x14",
    "0x16",
    "0x17",
    "0x1B",
    "0x1C",
    "0x1E",
    "0x27",
    "0xEF",
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7",
    "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC",
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
];

/// What the tables gave.
pub(super) struct Tables {
    scheme: Scheme,
    outcome: Outcome,
    figures: String,
    /// Boot sectors of the kinds that are read, or recognised others, against the places that should hold one.
    pub(super) boots: Tally,
    /// Places of boot sectors that hold only zeros: partitions made and never formatted, or wiped.
    pub(super) blank: u64,
    /// Boot sectors that are missing, with something else in their place.
    pub(super) missing: u64,
    /// Boot sectors that could not be read, of volumes of which no copy was found either.
    pub(super) unreadable: u64,
    /// Volumes that stand where the table puts none, found by searching, on a drive that has a table.
    pub(super) found: u64,
    /// The first sector is all zero.
    pub(super) first_is_zero: bool,
    /// Volumes of any kind, and their bytes.
    pub(super) areas: u64,
    pub(super) area_bytes: u64,
    /// Of other kinds, recognised; encrypted ones not among them.
    pub(super) foreign: u64,
    /// Those of them whose superblock has a checksum that holds, or whose allocation map agrees with its own counts throughout.
    pub(super) checksummed: u64,
    pub(super) encrypted: u64,
    pub(super) encrypted_bytes: u64,
    /// How the encrypted ones are called.
    pub(super) encrypted_name: Option<&'static str>,
}

impl Tables {
    pub(super) fn of(drive: &DriveMap, first: Option<&Block>, reader: &Reader) -> Result<Tables, SourceLost> {
        let first_sector = first.and_then(Block::whole);
        let first_is_zero = first_sector.is_some_and(|bytes| bytes.iter().all(|b| *b == 0));
        let (outcome, figures) = table_proofs(drive, first.is_none(), first_is_zero);
        let mut tables = Tables {
            scheme: drive.layout.scheme,
            outcome,
            figures,
            boots: Tally::default(),
            blank: 0,
            missing: 0,
            unreadable: 0,
            found: 0,
            first_is_zero,
            areas: 0,
            area_bytes: 0,
            foreign: 0,
            checksummed: 0,
            encrypted: 0,
            encrypted_bytes: 0,
            encrypted_name: None,
        };
        for area in &drive.areas {
            tables.add(area, reader)?;
        }
        Ok(tables)
    }

    fn add(&mut self, area: &DriveArea, reader: &Reader) -> Result<(), SourceLost> {
        let Some(content) = &area.content else { return Ok(()) };
        self.areas += 1;
        let found = !matches!(area.area.kind, AreaKind::Partition(_) | AreaKind::Volume);
        self.found += u64::from(found && matches!(self.scheme, Scheme::Gpt | Scheme::Mbr));
        self.area_bytes = self.area_bytes.saturating_add(area.area.extent.bytes);
        match content {
            Content::Volume(volume) => {
                let lost = [
                    &ntfs::BOOT_BACKUP_USED,
                    &ntfs::GEOMETRY_INFERRED,
                    &fat::BOOT_FROM_BACKUP,
                    &fat::GEOMETRY_INFERRED,
                    &exfat::BOOT_FROM_BACKUP,
                    &exfat::GEOMETRY_INFERRED,
                ];
                self.boots.add(lost.iter().all(|code| volume.findings.count(code) == 0));
            }
            // A boot sector of a kind that is read, but of a volume that could not be.
            Content::Opaque { recognised: None, sign: Some(_), .. } => self.boots.add(true),
            Content::Mapped(map) => {
                let agrees = map.unknown.is_empty();
                self.add_foreign(&map.recognised, agrees);
            }
            Content::Opaque { recognised: Some(found), .. } => {
                if found.encrypted {
                    self.boots.add(found.certainty >= Certainty::Consistent);
                    self.encrypted += 1;
                    self.encrypted_bytes = self.encrypted_bytes.saturating_add(area.area.extent.bytes);
                    self.encrypted_name = Some(found.kind.name());
                } else {
                    self.add_foreign(found, false);
                }
            }
            Content::Opaque { recognised: None, sign: None, .. } => {
                let expected = match &area.area.kind {
                    AreaKind::Partition(entry) => WITH_BOOT_SECTOR.contains(&entry.type_id.as_str()),
                    AreaKind::Volume => true,
                    _ => false,
                };
                if expected {
                    self.add_unrecognised(area.area.extent, reader)?;
                }
            }
        }
        Ok(())
    }

    /// `agrees`: whether more of it than its superblock was read, and agrees with that.
    fn add_foreign(&mut self, found: &Recognised, agrees: bool) {
        self.boots.add(found.certainty >= Certainty::Consistent);
        self.foreign += 1;
        self.checksummed += u64::from(agrees || found.certainty == Certainty::Checksummed);
    }

    /// Looks at the first sector of a partition that should begin with a boot sector and does not. It was read before.
    fn add_unrecognised(&mut self, extent: Extent, reader: &Reader) -> Result<(), SourceLost> {
        let sector = Extent::between(extent.start.0, extent.end().min(extent.start.0 + 512));
        let block = if reader.would_ask_again(sector) { None } else { held(reader, sector)? };
        match block.as_ref().and_then(Block::whole) {
            Some(bytes) if bytes.iter().all(|b| *b == 0) => self.blank += 1,
            Some(_) => {
                self.boots.add(false);
                self.missing += 1;
            }
            None => {
                self.boots.add(false);
                self.unreadable += 1;
            }
        }
        Ok(())
    }

    pub(super) fn nothing_recognised(&self) -> bool {
        self.scheme == Scheme::Unrecognised
    }

    /// Whether a GPT was found that at least one CRC proves.
    pub(super) fn is_proven(&self) -> bool {
        self.scheme == Scheme::Gpt && matches!(self.outcome, Outcome::Holds | Outcome::InPart)
    }

    /// Whether the tables themselves leave doubt that the drive gives what belongs at their places.
    pub(super) fn in_doubt(&self) -> bool {
        match self.scheme {
            Scheme::Gpt => self.outcome != Outcome::Holds,
            _ => self.outcome == Outcome::Fails,
        }
    }

    pub(super) fn evidence(&self) -> [Evidence; 2] {
        let mut said = match self.boots.total + self.blank {
            0 => vec!["no volume is expected anywhere".to_owned()],
            total => vec![format!("{} of {} at their places", self.boots.good, total)],
        };
        if self.blank > 0 {
            said.push(format!(
                "{} and may never have been formatted",
                counted(self.blank, "place is all zero", "places are all zero")
            ));
        }
        if self.unreadable > 0 {
            said.push(format!("{} not read", counted(self.unreadable, "was", "were")));
        }
        let mut outcome = self.boots.outcome();
        if self.blank > 0 && outcome != Outcome::Fails {
            outcome = Outcome::InPart;
        }
        [
            Evidence::new(Check::Tables, self.outcome, self.figures.clone()),
            Evidence::new(Check::BootSectors, outcome, said.join("; ")),
        ]
    }
}

/// The table's own proofs, as noticed when it was read.
fn table_proofs(drive: &DriveMap, first_not_held: bool, first_is_zero: bool) -> (Outcome, String) {
    let findings = &drive.layout.findings;
    match drive.layout.scheme {
        Scheme::Gpt => {
            let copy = |header, entries| findings.count(header) + findings.count(entries) == 0;
            let primary = copy(&found::GPT_PRIMARY_HEADER, &found::GPT_PRIMARY_ENTRIES);
            let backup = copy(&found::GPT_BACKUP_HEADER, &found::GPT_BACKUP_ENTRIES);
            let word = |sound| if sound { "sound" } else { "damaged or missing" };
            let outcome = match (primary, backup) {
                _ if findings.count(&found::GPT_UNVERIFIED) > 0 => Outcome::Fails,
                (true, true) if findings.count(&found::GPT_COPIES_DIFFER) == 0 => Outcome::Holds,
                _ => Outcome::InPart,
            };
            (outcome, format!("GPT by signature and CRCs: primary {}, backup {}", word(primary), word(backup)))
        }
        Scheme::Mbr => {
            let damage = findings
                .kept()
                .iter()
                .filter(|f| f.code.severity >= Severity::Damage && !is_capacity(f.code.id))
                .count() as u64;
            let partitions =
                drive.areas.iter().filter(|a| matches!(a.area.kind, AreaKind::Partition(_))).count() as u64;
            let named = counted(partitions, "partition", "partitions");
            match damage {
                0 => (Outcome::Holds, format!("MBR signed 55 AA, {named} (an MBR has no checksum)")),
                n => (
                    Outcome::InPart,
                    format!("MBR with {named}, {}", counted(n, "finding of damage", "findings of damage")),
                ),
            }
        }
        Scheme::SingleVolume => (Outcome::NotApplicable, "none: the first sector is a boot sector".to_owned()),
        _ if first_not_held => (Outcome::NotRead, "the first sector is not in the case".to_owned()),
        // No table; volumes may have been found without one.
        _ => {
            let lost = findings.count(&found::LBA0_UNREADABLE) > 0;
            let why = match (lost, first_is_zero) {
                (true, _) => "the first sector was not read, and no copy of a table was found",
                (_, true) => "the first sector is all zero",
                _ => "the first sector is neither a table nor a boot sector",
            };
            let found = drive.areas.iter().filter(|area| area.content.is_some()).count() as u64;
            let searched = match found {
                0 => String::new(),
                n => format!("; {} found without it", counted(n, "volume was", "volumes were")),
            };
            (Outcome::Fails, format!("{why}{searched}"))
        }
    }
}

/// These speak of the capacity, not of the table.
fn is_capacity(id: &str) -> bool {
    [found::PARTITION_PAST_END.id, found::PARTITION_BEYOND_DRIVE.id].contains(&id)
}
