//! Making a plan out of a class map and a request.

use crate::base::extent::Extent;
use crate::base::finding::{Finding, Findings};
use crate::base::units::SectorSize;
use crate::plan::findings::{WANT_WITHOUT_BYTES, WANT_WITHOUT_MATCH};
use crate::plan::format::header::UnlistedFindings;
use crate::plan::{
    Choice, ClassBytes, ClassTotals, LARGEST, LeftOut, LeftOutReason, Pass, PassHeader, PassSink, Plan, PlanFinding,
    PlanHeader, PlanRequest, PlanSource, PlanVolume, ScopeError, Sweeps,
};
use crate::survey::allocation::{Class, ClassRun, LANE_BEHIND_VALID};

/// Why a plan cannot be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BuildError {
    /// The scope cannot be changed as asked.
    #[error(transparent)]
    Scope(#[from] ScopeError),
    /// The map is not one of this source.
    #[error("the class map covers {map} bytes, but the source has {source_bytes}: survey the drive again")]
    MapSize {
        /// Bytes that the map covers.
        map: u64,
        /// Bytes that the source has.
        source_bytes: u64,
    },
    /// A number that the plan's format cannot carry.
    #[error("the source has {bytes} bytes, more than the {LARGEST} that a plan can state exactly")]
    TooLarge {
        /// Bytes that the source has.
        bytes: u64,
    },
    /// The map was made with other patterns.
    #[error("the class map knows pattern number {lane} of what is wanted, but only {given} were given")]
    UnknownPattern {
        /// The number in the map, from 1.
        lane: u32,
        /// How many the request gives.
        given: usize,
    },
}

/// Makes the plan of `request`. `volumes` and `findings` are carried over into the plan; which volumes it keeps to
/// follows from the request.
///
/// # Errors
/// [`BuildError`] when the request contradicts itself or the map.
pub fn build(
    sweeps: &Sweeps<'_>,
    request: &PlanRequest,
    source: PlanSource,
    volumes: Vec<PlanVolume>,
    findings: &Findings,
) -> Result<Plan, BuildError> {
    let choice = request.choice()?;
    check(sweeps, request, &source)?;
    let mut made = Collector::new();
    sweeps.run(&choice, &mut made);
    for run in sweeps.runs() {
        made.totals[run.class as usize].bytes_on_drive += run.extent.bytes;
        if choice.takes(run) {
            made.totals[run.class as usize].planned_bytes += run.extent.bytes;
        }
    }
    let left_out = made.left_out_list(request, &choice);
    let (passes, totals) = made.finish(&request.wants);
    let mut findings = findings.clone();
    if choice.classes.contains(&Class::Wanted) {
        note_empty_wants(sweeps, request, &mut findings);
    }
    let sector = SectorSize::new(source.logical_sector);
    let unlisted = |(code, count): (&'static str, u64)| UnlistedFindings { code: code.to_owned(), count };
    let header = PlanHeader {
        written_by: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).to_owned(),
        source,
        scope: request.scope,
        also: request.also.clone(),
        without: request.without.clone(),
        wants: request.wants.clone(),
        bulk: request.bulk.clone(),
        order: request.order,
        bridge: request.bridge.clone(),
        volumes: volumes.into_iter().map(|v| PlanVolume { chosen: choice.takes_area(v.area), ..v }).collect(),
        totals,
        left_out,
        findings: PlanFinding::list(&findings, sector),
        findings_not_listed: findings.not_kept().map(unlisted).collect(),
    };
    Ok(Plan { header, passes })
}

fn check(sweeps: &Sweeps<'_>, request: &PlanRequest, source: &PlanSource) -> Result<(), BuildError> {
    let start = sweeps.runs().first().map_or(0, |run| run.extent.start.0);
    let map = sweeps.runs().last().map_or(0, |run| run.extent.end()) - start;
    if map != source.bytes || start != 0 {
        return Err(BuildError::MapSize { map, source_bytes: source.bytes });
    }
    if source.bytes > LARGEST {
        return Err(BuildError::TooLarge { bytes: source.bytes });
    }
    let given = request.wants.len();
    let of_pattern = |(class, lane): &(Class, u16)| *class == Class::Wanted && *lane != LANE_BEHIND_VALID;
    let unknown = sweeps.lanes().filter(of_pattern).find(|(_, lane)| usize::from(*lane) >= given);
    match unknown {
        Some((_, lane)) => Err(BuildError::UnknownPattern { lane: u32::from(lane) + 1, given }),
        None => Ok(()),
    }
}

fn note_empty_wants(sweeps: &Sweeps<'_>, request: &PlanRequest, findings: &mut Findings) {
    let mut has_bytes = vec![false; request.wants.len()];
    for (_, lane) in sweeps.lanes().filter(|(class, _)| *class == Class::Wanted) {
        // What lies behind valid data comes in a lane of its own.
        if let Some(has) = has_bytes.get_mut(usize::from(lane)) {
            *has = true;
        }
    }
    let without_match = |pattern: &String| {
        let named = format!("`{pattern}`");
        findings.kept().iter().any(|f| f.code.id == WANT_WITHOUT_MATCH.id && f.sentence.contains(&named))
    };
    let without_bytes = request.wants.iter().zip(has_bytes).filter(|(_, has)| !has).map(|(want, _)| want);
    let list: Vec<&String> = without_bytes.filter(|pattern| !without_match(pattern)).collect();
    for pattern in list {
        let sentence = format!(
            "The pattern `{pattern}` adds no reads: 0 clusters belong to files that it is the first to match. Compare \
             it with the drive's folders if files were expected."
        );
        findings.push(Finding::general(&WANT_WITHOUT_BYTES, sentence));
    }
}

/// Collects passes and counts.
struct Collector {
    passes: Vec<Pass>,
    bridged: [u64; Class::ALL.len()],
    totals: [ClassTotals; Class::ALL.len()],
    left_out: [u64; Class::ALL.len()],
}

impl Collector {
    fn new() -> Collector {
        let none = |class| ClassTotals {
            class,
            bytes_on_drive: 0,
            planned_bytes: 0,
            bridged_bytes: 0,
            unasked_bytes: 0,
            extents: 0,
        };
        Collector {
            passes: Vec::new(),
            bridged: [0; Class::ALL.len()],
            totals: Class::ALL.map(none),
            left_out: [0; Class::ALL.len()],
        }
    }

    fn last(&mut self) -> &mut Pass {
        self.passes.last_mut().expect("a pass begins before its extents")
    }

    /// Writes the last pass's counts into its header.
    fn close(&mut self) {
        let bridged = std::mem::take(&mut self.bridged);
        if let Some(pass) = self.passes.last_mut() {
            let header = &mut pass.header;
            header.extent_count = pass.extents.len() as u64;
            header.bytes = pass.extents.iter().map(|e| e.bytes).sum();
            header.bridged_bytes = bridged.iter().sum();
            let held = Class::ALL.into_iter().zip(bridged).filter(|(_, bytes)| *bytes > 0);
            header.bridged = held.map(|(class, bytes)| ClassBytes { class, bytes }).collect();
            self.totals[header.class as usize].extents += header.extent_count;
        }
    }

    fn left_out_list(&self, request: &PlanRequest, choice: &Choice) -> Vec<LeftOut> {
        let entry = |(class, bytes): (Class, u64)| {
            let (reason, why) = if choice.classes.contains(&class) {
                (LeftOutReason::Volume, "lies in a volume that was not chosen".to_owned())
            } else if request.without.contains(&class) {
                (LeftOutReason::Without, format!("`{class}` was dropped by request"))
            } else {
                (LeftOutReason::Scope, format!("the scope `{}` does not take `{class}`", request.scope))
            };
            LeftOut { class, bytes, reason, why }
        };
        Class::ALL.into_iter().zip(self.left_out).filter(|(_, bytes)| *bytes > 0).map(entry).collect()
    }

    fn finish(mut self, wants: &[String]) -> (Vec<Pass>, Vec<ClassTotals>) {
        self.close();
        for pass in self.passes.iter_mut().filter(|pass| pass.header.class == Class::Wanted) {
            pass.header.pattern = wants.get(usize::from(pass.header.lane)).cloned();
        }
        (self.passes, self.totals.to_vec())
    }
}

impl PassSink for Collector {
    fn begin(&mut self, class: Class, lane: u16) {
        self.close();
        let number = u32::try_from(self.passes.len() + 1).expect("there are fewer than 10 x 65536 passes");
        let header = PassHeader {
            number,
            class,
            lane,
            pattern: None,
            extent_count: 0,
            bytes: 0,
            bridged_bytes: 0,
            bridged: Vec::new(),
        };
        self.passes.push(Pass { header, extents: Vec::new(), gaps: Vec::new() });
    }

    fn extent(&mut self, extent: Extent) {
        self.last().extents.push(extent);
    }

    fn gap(&mut self, gap: Extent) {
        self.last().gaps.push(gap);
    }

    fn bridged(&mut self, run: &ClassRun, asked: bool) {
        let bytes = run.extent.bytes;
        self.bridged[run.class as usize] += bytes;
        let totals = &mut self.totals[run.class as usize];
        totals.bridged_bytes += bytes;
        totals.unasked_bytes += if asked { 0 } else { bytes };
    }

    fn left_out(&mut self, run: &ClassRun) {
        self.left_out[run.class as usize] += run.extent.bytes;
    }
}
