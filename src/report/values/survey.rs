//! The survey: what the drive is, what each area holds, what reading it would cost, and one plain recommendation.

use super::costs::{Costs, ScopeReport, scope_costs};
use super::recommendation::advice::Advice;
use super::recommendation::destination::DestinationReport;
use super::recommendation::trouble::Trouble;
use super::survey_strip::SurveyStrip;
use crate::base::finding::{Findings, Severity};
use crate::base::units::SectorSize;
use crate::copy::session::Workplace;
use crate::filesystem::volume_encryption::Protector;
use crate::filesystem::{Content, SpaceMap, VolumeMap, VolumeState};
use crate::partition::signature::Recognised;
use crate::partition::{AreaKind, Scheme};
use crate::source::kernel::KernelFacts;
use crate::source::{ReadTotals, SourceIdentity};
use crate::survey::allocation::{
    Census, Class, ClassMap, DeletedCensus, DriveArea, DriveMap, Leftovers, MapComparison, Share, TwoMaps, census,
};
use crate::survey::coherence::Coherence;
use serde::Serialize;

/// Everything a survey says.
#[derive(Serialize, Debug)]
pub struct SurveyReport {
    /// Whether the drive's data is consistent.
    pub coherence: Coherence,
    /// What the source says about itself.
    pub source: SourceIdentity,
    /// What kind of partition table was found.
    pub scheme: Scheme,
    /// The sector size the table counts in, in bytes.
    pub table_sector_bytes: u64,
    /// The areas of the drive, in ascending order.
    pub areas: Vec<AreaReport>,
    /// Bytes of each class on the whole drive.
    pub classes: Vec<ClassReport>,
    /// What each scope costs.
    pub scopes: Vec<ScopeReport>,
    /// The rates the costs rest on.
    pub costs: Costs,
    /// Room at the destination, where one was named.
    pub destination: Option<DestinationReport>,
    /// The recommendation.
    pub advice: Advice,
    /// What was noticed, the most severe first.
    pub findings: Vec<FindingReport>,
    /// Findings of which there were too many to list: code and number left out.
    pub findings_not_listed: Vec<(String, u64)>,
    /// What the survey itself read.
    pub reading: ReadTotals,
    /// What has failed, in this run and before.
    pub trouble: Trouble,
    /// The share of the drive in use from its start to its end.
    pub strip: SurveyStrip,
    /// What the kernel knows about the drive, where it is attached here.
    pub kernel: Option<KernelFacts>,
}

impl SurveyReport {
    /// Adds what the kernel knows, and the findings that follow from it.
    pub fn add_kernel(&mut self, facts: KernelFacts) {
        let mut findings = Findings::new();
        let sector = self.source.logical_sector;
        facts.hidden_area.iter().for_each(|area| findings.push(area.finding(sector)));
        self.findings.extend(findings_report(&findings, sector));
        self.findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
        self.kernel = Some(facts);
    }
}

/// Bytes of one class.
#[derive(Serialize, Debug)]
pub struct ClassReport {
    /// The class.
    pub class: Class,
    /// Bytes of it.
    pub bytes: u64,
}

/// One area of the drive.
#[derive(Serialize, Debug)]
pub struct AreaReport {
    /// The number the volume is chosen by: the partition's, 1 for a drive that is one volume, or the one a search gave.
    pub number: Option<u32>,
    /// First byte.
    pub start: u64,
    /// Length in bytes.
    pub bytes: u64,
    /// `partition`, `volume` (a drive without table), `found` (a volume that no table names) or
    /// `unpartitioned`.
    pub kind: &'static str,
    /// What the table calls its type.
    pub type_name: Option<String>,
    /// The name the table gives it.
    pub name: Option<String>,
    /// What it holds in a word: a file system's name or what was recognised.
    pub holds: Option<String>,
    /// The volume, where it was understood.
    pub volume: Option<VolumeReport>,
    /// What is in use, where the allocation map alone is read.
    pub space: Option<SpaceReport>,
    /// What it was recognised as, where it is not read file by file.
    pub recognised: Option<Recognised>,
}

impl AreaReport {
    /// What the marks of the volume in it say.
    pub fn state(&self) -> VolumeState {
        let space = self.space.as_ref().map(|space| space.state);
        self.volume.as_ref().map(|volume| volume.state).or(space).unwrap_or_default()
    }
}

/// One volume.
#[derive(Serialize, Debug)]
pub struct VolumeReport {
    /// File system.
    pub file_system: &'static str,
    /// Label.
    pub label: Option<String>,
    /// Serial number.
    pub serial: String,
    /// Bytes in a cluster.
    pub cluster_bytes: u64,
    /// Number of clusters.
    pub clusters: u64,
    /// Share of the clusters that is in use, 0 to 1.
    pub fullness: f64,
    /// What opened it, where it is encrypted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened_by: Option<Protector>,
    /// What its own marks say.
    #[serde(flatten)]
    pub state: VolumeState,
    /// Whether some files' records could not be used.
    pub catalog_incomplete: bool,
    /// Further facts: name and value.
    pub facts: Vec<(&'static str, String)>,
    /// Counts.
    pub census: Census,
    /// Deleted files, counted by what is left of them.
    pub deleted: DeletedCensus,
    /// The two maps compared.
    pub reconciliation: MapComparison,
}

/// A volume of which the allocation map alone is read.
#[derive(Serialize, Debug)]
pub struct SpaceReport {
    /// What its own marks say.
    #[serde(flatten)]
    pub state: VolumeState,
    /// Bytes in a block of the map.
    pub block_bytes: u64,
    /// All blocks that the map describes.
    pub total: Share,
    /// Marked as in use.
    pub used: Share,
    /// Their mark was not read or is not believed: planned as in use.
    pub unknown: Share,
    /// Marked as free.
    pub free: Share,
    /// Bytes of the volume that the map does not describe: planned as in use.
    pub outside_bytes: u64,
    /// Share of the blocks that is marked as in use, 0 to 1.
    pub fullness: f64,
}

/// A finding as people and programs read it.
#[derive(Serialize, Debug, Clone, PartialEq, Eq)]
pub struct FindingReport {
    /// Stable code.
    pub code: &'static str,
    /// Its severity.
    pub severity: Severity,
    /// First byte it concerns.
    pub byte: Option<u64>,
    /// The same as a sector number.
    pub lba: Option<u64>,
    /// What was seen.
    pub sentence: String,
    /// What it means for the client's data.
    pub meaning: &'static str,
}

/// Puts the survey together, with the verdict of [`crate::survey::coherence::judge`] and times by `costs`; `at` is what commands name.
pub fn survey(
    drive: &DriveMap,
    (coherence, map): (Coherence, ClassMap),
    (reading, trouble): (ReadTotals, Trouble),
    costs: Costs,
    at: &Workplace,
) -> SurveyReport {
    // Two halves of about equal work on millions of runs; both only look.
    let (areas, scopes) = std::thread::scope(|scope| {
        let areas = scope.spawn(|| drive.areas.iter().map(area_report).collect());
        let scopes = scope_costs(&map, &costs, drive);
        let areas = areas.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (areas, scopes)
    });
    let mut all = coherence.findings.clone();
    all.append(drive.all_findings());
    SurveyReport {
        source: drive.identity.clone(),
        scheme: drive.layout.scheme,
        table_sector_bytes: drive.layout.table_sector.bytes(),
        areas,
        classes: Class::ALL.map(|class| ClassReport { class, bytes: map.bytes_of(class) }).into(),
        advice: super::recommendation::advice::advise(drive, coherence.verdict, &scopes, &costs, &trouble, at),
        scopes,
        costs,
        destination: None,
        findings: findings_report(&all, drive.identity.logical_sector),
        findings_not_listed: all.not_kept().map(|(code, count)| (code.to_owned(), count)).collect(),
        reading,
        trouble,
        strip: SurveyStrip::of(&map, drive.identity.bytes),
        kernel: None,
        coherence,
    }
}

/// What a partition holds that is set aside by its type.
pub(super) const NO_FILE_SYSTEM: &str = "no file system (reserved)";

fn area_report(area: &DriveArea) -> AreaReport {
    let (kind, entry) = match &area.area.kind {
        AreaKind::Partition(entry) => ("partition", Some(entry)),
        AreaKind::Volume => ("volume", None),
        AreaKind::Found(_) => ("found", None),
        AreaKind::Unpartitioned => ("unpartitioned", None),
    };
    let (holds, volume) = match &area.content {
        Some(Content::Volume(volume)) => {
            (Some(volume.kind.name().to_owned()), area.two_maps().map(|maps| volume_report(volume, maps)))
        }
        Some(content @ (Content::Mapped(_) | Content::Opaque { .. })) => {
            let without_name =
                if entry.is_some_and(|e| e.reserved().is_some()) { NO_FILE_SYSTEM } else { "not recognised" };
            (Some(content.name().unwrap_or(without_name).to_owned()), None)
        }
        None => (entry.map(|_| NO_FILE_SYSTEM.to_owned()), None),
    };
    AreaReport {
        number: area.number(),
        start: area.area.extent.start.0,
        bytes: area.area.extent.bytes,
        kind,
        type_name: entry.map(|e| e.type_name.clone()),
        name: entry.and_then(|e| e.name.clone()),
        holds,
        volume,
        space: match &area.content {
            Some(Content::Mapped(map)) => Some(space_report(map)),
            _ => None,
        },
        recognised: area.content.as_ref().and_then(Content::recognised).cloned(),
    }
}

fn space_report(map: &SpaceMap) -> SpaceReport {
    let geometry = &map.geometry;
    let share = |blocks: u64| Share::of(blocks, geometry.cluster_bytes);
    let described = geometry.extent(geometry.all()).and_then(|all| all.intersection(&map.extent));
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let fullness = map.used.count() as f64 / geometry.cluster_count.max(1) as f64;
    SpaceReport {
        state: map.state,
        block_bytes: geometry.cluster_bytes,
        total: share(geometry.cluster_count),
        used: share(map.used.count()),
        unknown: share(map.unknown.count()),
        free: share(map.free().count()),
        outside_bytes: map.extent.bytes - described.map_or(0, |described| described.bytes),
        fullness,
    }
}

fn volume_report(volume: &VolumeMap, maps: &TwoMaps) -> VolumeReport {
    let reconciliation = maps.figures.clone();
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let fullness = reconciliation.allocated.clusters as f64 / (volume.geometry.cluster_count.max(1)) as f64;
    VolumeReport {
        file_system: volume.kind.name(),
        label: volume.label.clone(),
        serial: volume.serial.clone(),
        cluster_bytes: volume.geometry.cluster_bytes,
        clusters: volume.geometry.cluster_count,
        fullness,
        opened_by: volume.encryption.as_ref().map(|encryption| encryption.opened_by),
        state: volume.state,
        catalog_incomplete: volume.catalog_incomplete,
        facts: volume.facts.clone(),
        census: census(volume),
        deleted: Leftovers::new(volume, &maps.owned).census(),
        reconciliation,
    }
}

/// Findings, the most severe first, else in the order they were made.
pub fn findings_report(findings: &Findings, sector: SectorSize) -> Vec<FindingReport> {
    let mut list: Vec<FindingReport> = findings
        .kept()
        .iter()
        .map(|finding| FindingReport {
            code: finding.code.id,
            severity: finding.code.severity,
            byte: finding.place.map(|at| at.0),
            lba: finding.lba(sector).map(|lba| lba.0),
            sentence: finding.sentence.clone(),
            meaning: finding.code.meaning,
        })
        .collect();
    list.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    list
}
