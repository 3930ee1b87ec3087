//! Measuring a drive's pace: within a stated budget, by reading bytes that the case's plan wants anyway, each once.
//!
//! [`measure`] takes sequential stretches at several places for the rates, and single small reads at chosen distances for
//! the seeks and the turn; what arrives stays in the case. [`fit`] makes a [`DriveModel`] of the times. `docs/model.md`
//! says how each figure is obtained.

mod fit;
mod left;
mod measurable_ranges;
mod measure;
mod squares;

pub use fit::{Figure, Fit, RatePoint, fit};
pub use left::seconds_left;
pub use measurable_ranges::MeasurableRanges;
pub use measure::{Budget, End, Measured, Sample, measure};

use crate::base::ending::{Ending, Ends};
use crate::case::CaseError;
use crate::copy::session::Session;
use crate::drive::model::DriveModel;
use crate::plan::{PlanReadError, load_plan};
use crate::source::SourceLost;
use serde::Serialize;
use std::path::PathBuf;

/// Why a drive's pace cannot be measured.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PaceError {
    /// There is no case.
    #[error("measuring needs a case, where what is read is safe: give it with --case")]
    NoCase,
    /// There is no drive.
    #[error("measuring needs the drive: give it beside the case")]
    NoDrive,
    /// The plan has nothing left to measure by.
    #[error(
        "all that the case's plan reads and that is not known to be bad is safe already: nothing is left to \
         measure the drive by"
    )]
    NothingLeft,
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// The plan.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
    /// The drive.
    #[error(transparent)]
    Lost(#[from] SourceLost),
}

/// How measuring went.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct PaceReport {
    /// Where the model is kept.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Bytes of the drive.
    pub drive_bytes: u64,
    /// Requests made.
    pub requests: u64,
    /// Bytes that arrived, all of which the plan wants.
    pub bytes: u64,
    /// Time it took, in seconds.
    pub seconds: f64,
    /// Requests that failed.
    pub failed_requests: u64,
    /// Why it ended.
    pub end: End,
    /// Each figure, before and after.
    pub figures: Vec<Figure>,
    /// The rates by place, ascending.
    pub rates: Vec<RatePoint>,
    /// The model now.
    pub model: DriveModel,
    /// Seconds that the rest of the plan takes by it where nothing fails: the estimate, the least and the most.
    pub plan_seconds: [f64; 3],
}

/// Measures the drive of a session within `budget`. Figures that cannot be measured stay those of `base`. The model is kept
/// in the case, and so is all that was read.
///
/// # Errors
/// [`PaceError`]; [`CaseError::NoPlan`] within it when the case has no plan. What arrived before is kept.
pub fn pace(session: &Session, base: &DriveModel, budget: &Budget) -> Result<PaceReport, PaceError> {
    let case = session.case.as_ref().ok_or(PaceError::NoCase)?;
    if !session.has_drive {
        return Err(PaceError::NoDrive);
    }
    let plan = case.plan_path().ok_or_else(|| CaseError::NoPlan { folder: case.folder().into() })?;
    let store = case.store().as_ref();
    let drive_bytes = session.reader.identity().bytes;
    let plan = load_plan(&plan)?;
    let places = MeasurableRanges::of_plan(&plan, drive_bytes, store);
    if places.is_empty() {
        return Err(PaceError::NothingLeft);
    }
    let measured = measure(&session.reader, store, places, budget)?;
    let Fit { model, figures, rates } = fit(&measured.samples, &measured.failed_seconds, base, drive_bytes);
    case.set_model(&model)?;
    let left = seconds_left(&plan, store, &model);
    let (least, most) = model.spread.range(left);
    Ok(PaceReport {
        path: case.model_path(),
        drive_bytes,
        requests: measured.requests,
        bytes: measured.bytes,
        seconds: measured.seconds,
        failed_requests: measured.failed_seconds.len() as u64,
        end: measured.end,
        figures,
        rates,
        model,
        plan_seconds: [left, least, most],
    })
}

impl Ends for PaceError {
    fn ending(&self) -> Ending {
        match self {
            PaceError::NoCase | PaceError::NoDrive => Ending::Usage,
            PaceError::NothingLeft => Ending::Plan,
            PaceError::Case(error) => error.ending(),
            PaceError::Plan(error) => error.ending(),
            PaceError::Lost(error) => error.ending(),
        }
    }
}
