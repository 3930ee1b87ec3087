//! What each scope would cost: bytes, pieces and time on the drive's model. Survey's times are made here, by `plan::estimate`.

use crate::drive::model::{DriveModel, ModelChoice, RateOrigin};
use crate::plan::{BridgeRule, ClassTime, Pace, PlanRequest, Scope, Sweeps, estimate};
use crate::survey::allocation::{ClassMap, DriveMap};
use serde::Serialize;

/// The figures that times rest on.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct Costs {
    /// The model that times are estimated with.
    pub model: DriveModel,
    /// The same in two figures.
    pub pace: Pace,
    /// Where the rates come from.
    pub rate_origin: RateOrigin,
    /// The gaps that are read through rather than skipped.
    pub bridge: BridgeRule,
}

impl Costs {
    /// The costs on a drive of `drive_bytes`. `measured` is the rate of a survey's own large reads, in bytes a second, as
    /// [`crate::copy::session::Session::measured_rate`] trusts it: it takes the place of a rate that is merely assumed.
    pub fn new(choice: &ModelChoice, measured: Option<f64>, drive_bytes: u64) -> Costs {
        let ModelChoice { model, origin } = choice;
        // From the model as it was given: what this run happens to measure must not change a plan, or the same bytes
        // would not give the same plan.
        let bridge = BridgeRule::from_model(model, drive_bytes);
        let (model, rate_origin) = match (origin, measured) {
            (RateOrigin::Assumed, Some(rate)) => (model.clone().at_mean_rate(rate), RateOrigin::Measured),
            (origin, _) => (model.clone(), *origin),
        };
        Costs { pace: Pace::of_model(&model), model, rate_origin, bridge }
    }
}

/// What one scope costs.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct ScopeReport {
    /// The scope.
    pub scope: Scope,
    /// Bytes it reads, gaps read through included.
    pub bytes: u64,
    /// Of those, gaps read through that the scope itself does not ask for.
    pub unasked_bytes: u64,
    /// Separate ranges it reads: each costs a seek.
    pub extents: u64,
    /// Its share of the drive, 0 to 1.
    pub share: f64,
    /// Time in seconds.
    pub seconds: f64,
    /// The least that the time may be.
    pub least_seconds: f64,
    /// The most that it may be, on a drive that gives no errors.
    pub most_seconds: f64,
    /// Ranges when no gap is read through.
    pub unbridged_extents: u64,
    /// Time in seconds when no gap is read through.
    pub unbridged_seconds: f64,
    /// The same for each class that the scope has passes of, in the order it is read.
    pub classes: Vec<ClassCost>,
    /// Room that a sparse image of it needs at the destination, in bytes.
    pub room_bytes: u64,
}

/// What the passes of one class cost.
#[derive(Serialize, Debug, Clone, Copy, PartialEq)]
pub struct ClassCost {
    /// With gaps read through.
    #[serde(flatten)]
    pub bridged: ClassTime,
    /// Time in seconds when no gap is read through.
    pub unbridged_seconds: f64,
}

/// The costs of all scopes, from the smallest to the largest.
pub fn scope_costs(map: &ClassMap, costs: &Costs, drive: &DriveMap) -> Vec<ScopeReport> {
    let sweeps = Sweeps::new(map).avoiding(&drive.unread);
    let report = |scope: Scope| {
        let estimated = |bridge: &BridgeRule| {
            let request = PlanRequest { bridge: bridge.clone(), ..PlanRequest::new(scope) };
            let request = request.widened(drive.layout.outside_unexplained);
            let choice = request.choice().expect("a scope without changes to it is always valid");
            estimate(&sweeps, &choice, &costs.model)
        };
        let estimate = estimated(&costs.bridge);
        let unbridged = estimated(&BridgeRule::OFF);
        // A class that bridging leaves nothing of has no passes any more; the other way round cannot be.
        let class = |without: &ClassTime| {
            let bridged = estimate.classes.iter().find(|with| with.class == without.class);
            let none = ClassTime { class: without.class, bytes: 0, extents: 0, seconds: 0.0 };
            ClassCost { bridged: bridged.copied().unwrap_or(none), unbridged_seconds: without.seconds }
        };
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let share = estimate.bytes as f64 / drive.identity.bytes.max(1) as f64;
        ScopeReport {
            scope,
            bytes: estimate.bytes,
            unasked_bytes: estimate.unasked_bytes,
            extents: estimate.extents,
            share,
            seconds: estimate.seconds,
            least_seconds: estimate.least_seconds,
            most_seconds: estimate.most_seconds,
            unbridged_extents: unbridged.extents,
            unbridged_seconds: unbridged.seconds,
            classes: unbridged.classes.iter().map(class).collect(),
            room_bytes: estimate.bytes,
        }
    };
    Scope::ALL.map(report).into()
}
