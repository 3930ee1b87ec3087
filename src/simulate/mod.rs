//! What following a plan comes to on a drive of a given model: when each class is complete, what is safe if the drive dies,
//! how that compares with reading front to back, and how near it is to the least time possible.
//!
//! No random numbers: what is expected under a [law of failure](Law) is summed up in closed form over the extents.
//! `docs/simulation.md` has the figures for generated layouts and says what a simulation leaves out.

mod bound;
mod curve;
mod law;
mod pieces;
mod play;
mod player;
mod tally;
mod under_head;

pub use bound::{PrefixBound, Start, bounds, least_seconds};
pub use curve::{CURVE_POINTS, CurvePoint};
pub use law::Law;
pub use pieces::{PassShape, Piece, Pieces};
pub use play::{ClassPlayed, PassPlayed, Played, Way, play, play_observed};
pub use under_head::{BadHead, PassUnderHead, UnderHead};

use crate::drive::model::{DriveModel, to_f64};
use crate::plan::Plan;
use crate::survey::allocation::Class;
use serde::Serialize;

/// What a simulation assumes.
#[derive(Clone, Debug)]
pub struct Assumptions {
    /// The drive.
    pub model: DriveModel,
    /// Largest single read, in bytes; at least 1.
    pub request_bytes: u64,
    /// How the drive fails; `None` for a steady hazard with a mean life of half the time that reading the whole drive
    /// front to back takes.
    pub law: Option<Law>,
    /// What is known of a bad head. What it reads then comes last, as in a copy.
    pub bad_head: Option<BadHead>,
}

/// A plan played, beside the same bytes read front to back.
#[derive(Clone, Debug, Serialize)]
pub struct Simulation {
    /// The drive's model.
    pub model: DriveModel,
    /// Bytes of the drive.
    pub drive_bytes: u64,
    /// How the drive fails.
    pub law: Law,
    /// The plan as it is.
    pub plan: Played,
    /// What the plan reads, front to back, with gaps read through by the same rule.
    pub planned_in_place: Played,
    /// The whole drive front to back. Counted are the bytes that the plan reads too.
    pub whole_drive: Played,
    /// For each class of the plan: the least time in which it and all before it can be read.
    pub bounds: Vec<PrefixBound>,
    /// What a bad head means for the plan, where one is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub under_head: Option<UnderHead>,
}

/// Plays a plan three ways. Sorts `pieces` when it is done with their order.
pub fn simulate(mut pieces: Pieces, assumed: &Assumptions) -> Simulation {
    let model = &assumed.model;
    let whole_seconds = play::whole_seconds(model, pieces.drive_bytes, assumed.request_bytes);
    let law = assumed.law.unwrap_or(Law::Steady { mean_life_seconds: whole_seconds / 2.0 });
    let at_play = |pieces: &Pieces, way| play(pieces, model, assumed.request_bytes, law, way);
    let passes = pieces.passes.len();
    if let Some(head) = &assumed.bad_head {
        pieces = pieces.under_other_heads_first(&head.bands);
    }
    let plan = at_play(&pieces, Way::AsListed);
    let under_head = assumed.bad_head.as_ref().map(|head| UnderHead::of(head.words.clone(), &plan, passes));
    pieces.list.sort_unstable();
    let limit = pieces.gap_bytes;
    let planned_in_place = at_play(&pieces, Way::Bridging(limit));
    let whole_drive = at_play(&pieces, Way::WholeDrive);
    let bounds = bounds(&pieces, model, assumed.request_bytes, &plan);
    Simulation {
        model: model.clone(),
        drive_bytes: pieces.drive_bytes,
        law,
        plan,
        planned_in_place,
        whole_drive,
        bounds,
        under_head,
    }
}

/// For each class of a plan the least time for it and all before it, beside the plan's own.
pub fn plan_bounds(plan: &Plan, model: &DriveModel, request_bytes: u64) -> Vec<PrefixBound> {
    let mut pieces = Pieces::of_plan(plan);
    let played = play(&pieces, model, request_bytes, Law::None, Way::AsListed);
    pieces.list.sort_unstable();
    bounds(&pieces, model, request_bytes, &played)
}

/// What a bad head means for a plan on a model, request by request.
pub fn plan_under_head(plan: &Plan, model: &DriveModel, request_bytes: u64, head: &BadHead) -> UnderHead {
    let pieces = Pieces::of_plan(plan).under_other_heads_first(&head.bands);
    let played = play(&pieces, model, request_bytes, Law::None, Way::AsListed);
    UnderHead::of(head.words.clone(), &played, plan.passes.len())
}

impl Simulation {
    /// What is expected of a class by the plan, as a multiple of what is expected by reading the same front to back.
    /// `None` where either is nothing.
    pub fn gain(&self, class: Class) -> Option<f64> {
        ratio(self.plan.of(class)?.expected_bytes, self.planned_in_place.of(class)?.expected_bytes)
    }

    /// As [`Simulation::gain`], where a byte counts only once all tables and structure are safe.
    pub fn gain_with_structure(&self, class: Class) -> Option<f64> {
        let (ours, theirs) = (self.plan.of(class)?, self.planned_in_place.of(class)?);
        ratio(ours.expected_with_structure, theirs.expected_with_structure)
    }

    /// The plan's time for a class and all before it, as a multiple of the least time possible.
    pub fn over_bound(&self, class: Class) -> Option<f64> {
        self.bounds.iter().find(|bound| bound.class == class).and_then(PrefixBound::ratio)
    }

    /// The same against orders that begin with all structure.
    pub fn over_bound_structure_first(&self, class: Class) -> Option<f64> {
        self.bounds.iter().find(|bound| bound.class == class).and_then(PrefixBound::ratio_structure_first)
    }
}

fn ratio(ours: f64, theirs: f64) -> Option<f64> {
    (ours > 0.0 && theirs > 0.0).then(|| ours / theirs)
}

/// Expected share of a reading of `seconds` that is done when a drive of mean life `mean_life_seconds` dies, all of it at
/// one rate: (m/T)(1 - e^(-T/m)).
pub fn share_expected(seconds: f64, mean_life_seconds: f64) -> f64 {
    Law::Steady { mean_life_seconds }.mean_survival(0.0, seconds)
}

/// Bytes as a share of others; 0 of nothing.
pub(crate) fn share(part: f64, of: u64) -> f64 {
    if of == 0 { 0.0 } else { part / to_f64(of) }
}
