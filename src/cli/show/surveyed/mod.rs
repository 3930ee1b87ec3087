//! The screens of what a drive is and holds.

pub(super) mod coherence;
pub(super) mod drives;
pub(super) mod kernel;
pub(super) mod survey;
pub(super) mod survey_full;

/// Above the command that makes the plan.
const NEXT_PLAN: &str = "NEXT  make the plan; its screen then shows the command for `copy`";
