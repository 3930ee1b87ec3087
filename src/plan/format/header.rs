//! Everything a plan says beside its extents.

use crate::base::finding::{Findings, Severity};
use crate::base::units::SectorSize;
use crate::plan::findings::WANT_IN_LOST_FOLDER;
use crate::plan::{BridgeRule, Order, PlanSource, Scope};
use crate::survey::allocation::Class;
use serde::{Deserialize, Serialize};

/// Everything a plan says beside its extents.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanHeader {
    /// Name and version of the program that wrote it.
    pub written_by: String,
    /// The drive it was made for.
    pub source: PlanSource,
    /// How much of the drive was requested.
    pub scope: Scope,
    /// Classes added to the scope.
    pub also: Vec<Class>,
    /// Classes dropped from it.
    pub without: Vec<Class>,
    /// The patterns that chose the `wanted` files, in the order given.
    pub wants: Vec<String>,
    /// The patterns that chose the `bulk` files.
    #[serde(default)]
    pub bulk: Vec<String>,
    /// Which gaps are read through.
    pub bridge: BridgeRule,
    /// In which order, beside class by class.
    #[serde(default, skip_serializing_if = "Order::is_plain")]
    pub order: Order,
    /// The drive's volumes, and which of them the plan keeps to.
    pub volumes: Vec<PlanVolume>,
    /// One entry for each class, in order.
    pub totals: Vec<ClassTotals>,
    /// What the plan does not read, and why.
    pub left_out: Vec<LeftOut>,
    /// What was noticed while the drive's tables and metadata were read.
    pub findings: Vec<PlanFinding>,
    /// Findings that were counted and not listed, because there were too many of their kind.
    pub findings_not_listed: Vec<UnlistedFindings>,
}

/// A volume of the drive.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanVolume {
    /// Index of its area in the drive's layout.
    pub area: u32,
    /// Its first byte on the drive.
    pub start: u64,
    /// Its length in bytes.
    pub bytes: u64,
    /// Its file system, where one was recognised.
    pub file_system: Option<String>,
    /// Its label, if it has one.
    pub label: Option<String>,
    /// Its serial number, in the customary notation.
    pub serial: Option<String>,
    /// Whether the plan covers it.
    pub chosen: bool,
}

/// What a plan does with one class.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassTotals {
    /// The class.
    pub class: Class,
    /// Bytes of the class on the whole drive.
    pub bytes_on_drive: u64,
    /// Of those, bytes that were requested. The plan reads them all, in the class's own passes or earlier by bridging.
    pub planned_bytes: u64,
    /// Bytes of the class that are read as part of another pass's gaps, asked for or not.
    pub bridged_bytes: u64,
    /// Of those, bytes that the class does not need.
    pub unasked_bytes: u64,
    /// Extents in the class's own passes.
    pub extents: u64,
}

/// A number of bytes of one class.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassBytes {
    /// The class.
    pub class: Class,
    /// Bytes.
    pub bytes: u64,
}

/// Why bytes are left out.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LeftOutReason {
    /// The scope does not take the class.
    Scope,
    /// The class was dropped.
    Without,
    /// The class is read, but these bytes lie in an area that was not chosen.
    Volume,
}

/// Bytes of one class that the plan does not read.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// The class.
    pub class: Class,
    /// Bytes.
    pub bytes: u64,
    /// Why, for programs.
    pub reason: LeftOutReason,
    /// Why, for people.
    pub why: String,
}

/// A finding as it stands in a plan.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanFinding {
    /// The stable name of its kind.
    pub code: String,
    /// Its severity.
    pub severity: Severity,
    /// The first byte it concerns, where there is one.
    pub byte: Option<u64>,
    /// The same as a sector number, in logical sectors of the source.
    pub lba: Option<u64>,
    /// What was seen.
    pub sentence: String,
}

/// Findings of one kind that were counted and not listed.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnlistedFindings {
    /// The stable name of the kind.
    pub code: String,
    /// How many there are beyond those listed.
    pub count: u64,
}

impl PlanFinding {
    pub(in crate::plan) fn list(findings: &Findings, sector: Option<SectorSize>) -> Vec<PlanFinding> {
        let entry = |finding: &crate::base::finding::Finding| PlanFinding {
            code: finding.code.id.to_owned(),
            severity: finding.code.severity,
            byte: finding.place.map(|at| at.0),
            lba: sector.and_then(|size| finding.lba(size)).map(|lba| lba.0),
            sentence: finding.sentence.clone(),
        };
        findings.kept().iter().map(entry).collect()
    }
}

impl PlanHeader {
    /// Whether wanted files may lie in folders whose names only their folders' indexes tell.
    pub fn wants_lost_folders(&self) -> bool {
        self.findings.iter().any(|finding| finding.code == WANT_IN_LOST_FOLDER.id)
    }

    /// Bytes read by all passes.
    pub fn bytes(&self) -> u64 {
        self.totals
            .iter()
            .map(|total| total.planned_bytes.saturating_add(total.unasked_bytes))
            .fold(0, u64::saturating_add)
    }

    /// Number of extents in all passes.
    pub fn extent_count(&self) -> u64 {
        self.totals.iter().map(|total| total.extents).fold(0, u64::saturating_add)
    }
}
