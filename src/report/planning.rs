//! What is said of a plan when it is made.

use crate::allocation::Class;
use crate::model::DriveModel;
use crate::plan::{ClassTotals, ESTIMATED_REQUEST, LeftOut, Pace, Plan, Scope, pass_seconds};
use crate::simulate::{BadHead, PrefixBound, UnderHead, plan_bounds, plan_under_head};
use serde::Serialize;
use std::path::{Path, PathBuf};

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
    /// Time in seconds on the model reckoned with.
    pub seconds: f64,
    /// The least that the time may be.
    pub least_seconds: f64,
    /// The most that it may be, on a drive that gives no errors.
    pub most_seconds: f64,
}

/// What is said of a plan when it was made.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct PlanSummary {
    /// Where it went.
    #[serde(serialize_with = "crate::text::serialize_path")]
    pub plan: PathBuf,
    /// Its scope.
    pub scope: Scope,
    /// Bytes it reads.
    pub bytes: u64,
    /// Extents it reads them in.
    pub extents: u64,
    /// Time in seconds.
    pub seconds: f64,
    /// The least that the time may be.
    pub least_seconds: f64,
    /// The most that it may be, on a drive that gives no errors.
    pub most_seconds: f64,
    /// The largest gap that is read through, in bytes.
    pub bridge_bytes: u64,
    /// The model reckoned with.
    pub model: DriveModel,
    /// The same in two figures.
    pub pace: Pace,
    /// Its passes.
    pub passes: Vec<PassSummary>,
    /// For each class the least time in which any order could read it and all before it, beside the plan's.
    pub bounds: Vec<PrefixBound>,
    /// What a bad head means for it, where an earlier copy has shown one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub under_head: Option<UnderHead>,
    /// Totals for each class.
    pub totals: Vec<ClassTotals>,
    /// What it leaves out, and why.
    pub left_out: Vec<LeftOut>,
    /// Its findings.
    pub findings: Vec<crate::plan::PlanFinding>,
}

impl PlanSummary {
    /// Sums a plan up, for a drive with or without a bad head.
    pub fn new(plan: &Plan, path: &Path, model: &DriveModel, bad_head: Option<&BadHead>) -> PlanSummary {
        let times = pass_seconds(plan, model);
        let range = |seconds| model.spread.range(seconds);
        let pass = |(pass, seconds): (&crate::plan::Pass, &f64)| PassSummary {
            number: pass.header.number,
            class: pass.header.class,
            pattern: pass.header.pattern.clone(),
            extents: pass.header.extent_count,
            bytes: pass.header.bytes,
            bridged_bytes: pass.header.bridged_bytes,
            seconds: *seconds,
            least_seconds: range(*seconds).0,
            most_seconds: range(*seconds).1,
        };
        let seconds = times.iter().sum();
        PlanSummary {
            plan: path.to_path_buf(),
            scope: plan.header.scope,
            bytes: plan.bytes(),
            extents: plan.extent_count(),
            seconds,
            least_seconds: range(seconds).0,
            most_seconds: range(seconds).1,
            bridge_bytes: plan.header.bridge.gap_bytes,
            pace: Pace::of_model(model),
            model: model.clone(),
            passes: plan.passes.iter().zip(&times).map(pass).collect(),
            bounds: plan_bounds(plan, model, ESTIMATED_REQUEST),
            under_head: bad_head.map(|head| plan_under_head(plan, model, ESTIMATED_REQUEST, head)),
            totals: plan.header.totals.clone(),
            left_out: plan.header.left_out.clone(),
            findings: plan.header.findings.clone(),
        }
    }
}
