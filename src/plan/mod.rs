//! Which bytes are read, and in which order: scopes, passes, bridging, the plan and its file, and what it will cost.

mod bridge;
mod build;
mod estimate;
pub mod export;
mod file;
pub mod findings;
mod header;
mod identity;
mod make;
mod model;
mod order;
mod owners;
mod pace;
mod pick_up;
mod read;
mod request;
mod scope;
mod sweep;
mod wants;
mod write;

pub use bridge::BridgeRule;
pub use build::{BuildError, build};
pub use estimate::{ClassTime, ESTIMATED_REQUEST, Estimate, break_even_fullness, estimate, pass_seconds};
pub use file::{FORMAT, LARGEST, VERSION};
pub use header::{
    ClassBytes, ClassTotals, LeftOut, LeftOutReason, PlanFinding, PlanHeader, PlanVolume, UnlistedFindings,
};
pub use identity::{Fingerprint, PlanSource};
pub use make::{MakeError, make, make_again};
pub use model::{Pass, PassHeader, Plan, PlannedExtent};
pub use order::Order;
pub use owners::planned_with_files;
pub use pace::Pace;
pub use read::{Fault, PlanReadError, load_plan, load_plan_header, read_plan};
pub use request::PlanRequest;
pub use scope::{ADDABLE, DROPPABLE, Scope, ScopeError, classes};
pub use sweep::{Choice, NEIGHBOURHOOD, PassSink, Sweeps};
pub use wants::{NoMatch, no_match};
pub use write::write_plan;
