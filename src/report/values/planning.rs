//! What is said of a plan when it is made.

use super::costs::Costs;
use super::recommendation::advice::is_rest_worth_reading;
use super::recommendation::next::{next_copy, next_picked_plan};
use super::recommendation::trouble::Trouble;
use crate::base::human;
use crate::copy::session::Workplace;
use crate::drive::model::DriveModel;
use crate::drive::model::RateOrigin;
use crate::plan::{ClassTotals, ESTIMATED_REQUEST, LeftOut, LeftOutReason, Pace, Plan, Scope, pass_seconds};
use crate::simulate::{PrefixBound, UnderHead, plan_bounds};
use crate::survey::allocation::Class;
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
    /// Time in seconds by the model used.
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
    #[serde(serialize_with = "crate::base::text::serialize_path")]
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
    /// The model used.
    pub model: DriveModel,
    /// The same in two figures.
    pub pace: Pace,
    /// Where the rates come from.
    pub rate_origin: RateOrigin,
    /// Its passes.
    pub passes: Vec<PassSummary>,
    /// For each class the least time in which any order could read it and all before it, beside the plan's.
    pub bounds: Vec<PrefixBound>,
    /// What a bad head means for it; `None` until the caller adds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub under_head: Option<UnderHead>,
    /// Totals for each class.
    pub totals: Vec<ClassTotals>,
    /// What it leaves out, and why.
    pub left_out: Vec<LeftOut>,
    /// Its findings.
    pub findings: Vec<crate::plan::PlanFinding>,
    /// What would make the plan fit better, each with the command for it.
    pub advice: Vec<PlanAdvice>,
    /// The command to type next, in lines for a shell; none for a plan that no case has.
    pub next: Vec<String>,
}

/// What would make a plan fit better.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct PlanAdvice {
    /// What, and why.
    pub sentence: String,
    /// The command, in lines for a shell.
    pub commands: Vec<String>,
}

impl PlanSummary {
    /// Sums a plan up. `in_case` is whether a case follows it, `at` what commands name.
    pub fn new(
        plan: &Plan,
        path: &Path,
        costs: &Costs,
        trouble: &Trouble,
        (at, in_case): (&Workplace, bool),
    ) -> PlanSummary {
        let model = &costs.model;
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
            pace: costs.pace,
            rate_origin: costs.rate_origin,
            model: model.clone(),
            passes: plan.passes.iter().zip(&times).map(pass).collect(),
            bounds: plan_bounds(plan, model, ESTIMATED_REQUEST),
            under_head: None,
            totals: plan.header.totals.clone(),
            left_out: plan.header.left_out.clone(),
            findings: plan.header.findings.clone(),
            advice: advise(plan, seconds, model, trouble, at),
            next: if in_case { next_copy(at) } else { Vec::new() },
        }
    }
}

/// What [`super::recommendation::advice::advise`] would have said, by what the plan itself shows.
fn advise(plan: &Plan, seconds: f64, model: &DriveModel, trouble: &Trouble, at: &Workplace) -> Vec<PlanAdvice> {
    let header = &plan.header;
    let has_files = [Class::Files, Class::Bulk]
        .iter()
        .any(|class| header.totals.iter().any(|total| total.class == *class && total.bytes_on_drive > 0));
    let left_out: u64 =
        header.left_out.iter().filter(|left| left.reason == LeftOutReason::Scope).map(|left| left.bytes).sum();
    #[allow(clippy::cast_precision_loss, reason = "a time needs no 53 bits")]
    let rest_seconds = left_out as f64 / model.mean_rate();
    let reads_rest =
        header.scope == Scope::Allocated && left_out > 0 && is_rest_worth_reading(seconds, rest_seconds, trouble);
    let scope = if reads_rest { Scope::Whole } else { header.scope };
    let mut advice = Vec::new();
    if header.wants.is_empty() && has_files && header.scope != Scope::Structure {
        advice.push(PlanAdvice {
            sentence: "No folder comes first. Pick those that the client needs most: it costs almost nothing."
                .to_owned(),
            commands: next_picked_plan(at, scope),
        });
    }
    if reads_rest {
        advice.push(PlanAdvice {
            sentence: format!(
                "What the scope leaves out takes only {} more: `--scope whole` reads it last.",
                human::seconds(rest_seconds)
            ),
            commands: Vec::new(),
        });
    }
    advice
}
