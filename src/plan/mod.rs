//! A class map and a request come in; a plan comes out: which bytes are read, in which order, its file, and what it will cost.

mod estimate;
pub mod export;
pub mod findings;
mod format;
mod making;
mod pace;

pub use estimate::{ClassTime, ESTIMATED_REQUEST, Estimate, break_even_fullness, estimate, pass_seconds};
pub use format::file::{FORMAT, LARGEST, VERSION};
pub use format::header::{
    ClassBytes, ClassTotals, LeftOut, LeftOutReason, PlanFinding, PlanHeader, PlanVolume, UnlistedFindings,
};
pub use format::identity::{Fingerprint, PlanSource};
pub use format::model::{Pass, PassHeader, Plan, PlannedExtent};
pub use format::read::{Fault, PlanReadError, load_plan, load_plan_header, read_plan};
pub use format::write::write_plan;
pub use making::bridge::BridgeRule;
pub use making::build::{BuildError, build};
pub use making::make::{MakeError, make, make_again};
pub use making::no_match::{NoMatch, no_match};
pub use making::order_options::Order;
pub use making::owners::planned_with_files;
pub use making::request::PlanRequest;
pub use making::scope::{ADDABLE, DROPPABLE, Scope, ScopeError, classes};
pub use making::sweep::{Choice, NEIGHBOURHOOD, PassSink, Sweeps};
pub use pace::Pace;
