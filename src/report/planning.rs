//! What a plan is told beside the class map, and what is said of it when it is made.

use crate::allocation::{Class, ClassMap, DriveMap};
use crate::extent::Extent;
use crate::fs::Content;
use crate::plan::{ClassTotals, Fingerprint, LeftOut, Pace, Plan, PlanSource, PlanVolume, Scope};
use crate::source::{Reader, SourceLost};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The drive's identity with the fingerprint of its tables and boot sectors, as far as they were read.
///
/// # Errors
/// [`SourceLost`]; but the places are kept from the first reading, so the drive is not asked again.
pub fn plan_source(reader: &Reader, map: &ClassMap) -> Result<PlanSource, SourceLost> {
    let (asked, unreadable) = (reader.asked(), reader.unreadable());
    let tables = map.runs().iter().filter(|run| run.class == Class::Tables);
    let places: Vec<Extent> = tables
        .flat_map(|run| asked.intersection(run.extent))
        .flat_map(|place| unreadable.missing_from(place))
        .collect();
    let blocks = places.iter().map(|place| reader.read(*place)).collect::<Result<Vec<_>, _>>()?;
    let fingerprint = Fingerprint::of(blocks.iter().map(|block| (block.extent, block.bytes.as_slice())));
    Ok(PlanSource::new(reader.identity(), fingerprint))
}

/// The volumes as a plan lists them.
pub fn plan_volumes(drive: &DriveMap) -> Vec<PlanVolume> {
    let entry = |(index, area): (usize, &crate::allocation::DriveArea)| {
        let content = area.content.as_ref()?;
        let volume = match content {
            Content::Volume(volume) => Some(volume),
            Content::Opaque { .. } => None,
        };
        let sign = match content {
            Content::Opaque { sign, .. } => sign.map(|s| s.name().to_owned()),
            Content::Volume(_) => None,
        };
        Some(PlanVolume {
            area: u32::try_from(index).expect("few areas"),
            start: area.area.extent.start.0,
            bytes: area.area.extent.bytes,
            file_system: volume.map(|v| v.kind.name().to_owned()).or(sign),
            label: volume.and_then(|v| v.label.clone()),
            serial: volume.map(|v| v.serial.clone()),
            chosen: true,
        })
    };
    drive.areas.iter().enumerate().filter_map(entry).collect()
}

/// A pass of a plan in a line.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct PassSummary {
    /// Its number, from 1.
    pub number: u32,
    /// Its class.
    pub class: Class,
    /// The pattern it serves, for `wanted`.
    pub pattern: Option<String>,
    /// Extents.
    pub extents: u64,
    /// Bytes, gaps read through included.
    pub bytes: u64,
    /// Of those, gaps.
    pub bridged_bytes: u64,
    /// Time in seconds at the pace reckoned with.
    pub seconds: f64,
}

/// What is said of a plan when it was made.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct PlanSummary {
    /// Where it went.
    pub plan: PathBuf,
    /// Its scope.
    pub scope: Scope,
    /// Bytes it reads.
    pub bytes: u64,
    /// Extents it reads them in.
    pub extents: u64,
    /// Time in seconds.
    pub seconds: f64,
    /// The largest gap that is read through, in bytes.
    pub bridge_bytes: u64,
    /// The rates reckoned with.
    pub pace: Pace,
    /// Its passes.
    pub passes: Vec<PassSummary>,
    /// Totals for each class.
    pub totals: Vec<ClassTotals>,
    /// What it leaves out, and why.
    pub left_out: Vec<LeftOut>,
    /// Its findings.
    pub findings: Vec<crate::plan::PlanFinding>,
}

impl PlanSummary {
    /// Sums a plan up.
    pub fn new(plan: &Plan, path: &Path, pace: &Pace) -> PlanSummary {
        let pass = |pass: &crate::plan::Pass| PassSummary {
            number: pass.header.number,
            class: pass.header.class,
            pattern: pass.header.pattern.clone(),
            extents: pass.header.extent_count,
            bytes: pass.header.bytes,
            bridged_bytes: pass.header.bridged_bytes,
            seconds: pace.seconds(pass.header.bytes, pass.header.extent_count),
        };
        PlanSummary {
            plan: path.to_path_buf(),
            scope: plan.header.scope,
            bytes: plan.bytes(),
            extents: plan.extent_count(),
            seconds: pace.seconds(plan.bytes(), plan.extent_count()),
            bridge_bytes: plan.header.bridge.gap_bytes,
            pace: *pace,
            passes: plan.passes.iter().map(pass).collect(),
            totals: plan.header.totals.clone(),
            left_out: plan.header.left_out.clone(),
            findings: plan.header.findings.clone(),
        }
    }
}
