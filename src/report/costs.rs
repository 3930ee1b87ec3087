//! What each scope would cost: bytes, requests and time at the drive's pace.

use crate::allocation::{ClassMap, DriveMap};
use crate::plan::{BridgeRule, Pace, PlanRequest, Scope, Sweeps, estimate};
use serde::Serialize;

/// Where the rate comes from.
#[derive(Serialize, Debug, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum RateOrigin {
    /// The user gave it.
    Given,
    /// Measured over this run's own large reads.
    Measured,
    /// Too little was read to measure: a typical drive's.
    Assumed,
}

/// The figures that times rest on.
#[derive(Serialize, Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// Rate and reposition time.
    pub pace: Pace,
    /// Where the rate comes from.
    pub rate_origin: RateOrigin,
    /// The gaps that are read through rather than skipped.
    pub bridge: BridgeRule,
}

impl Costs {
    /// Takes the rate given, else the one measured, else a typical one; all in bytes a second.
    pub fn new(given: Option<f64>, measured: Option<f64>, reposition_ms: f64) -> Costs {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "checked or measured, above zero; saturates"
        )]
        let whole = |value: f64| value.round().max(1.0) as u64;
        let (rate, rate_origin) = match (given, measured) {
            (Some(rate), _) => (whole(rate), RateOrigin::Given),
            (None, Some(rate)) => (whole(rate), RateOrigin::Measured),
            (None, None) => (Pace::TYPICAL_RATE, RateOrigin::Assumed),
        };
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked, not negative; saturates")]
        let reposition_microseconds = (reposition_ms * 1000.0).round() as u64;
        // The same rule as a plan made without further options: a measured rate must not change a plan, or the same
        // bytes would not give the same plan.
        let bridge = if rate_origin == RateOrigin::Given { BridgeRule::at_rate(rate) } else { BridgeRule::default() };
        Costs { pace: Pace { bytes_per_second: rate, reposition_microseconds }, rate_origin, bridge }
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
    /// Separate stretches it reads: each costs a reposition.
    pub extents: u64,
    /// Its share of the drive, 0 to 1.
    pub share: f64,
    /// Time in seconds.
    pub seconds: f64,
    /// Room that a sparse image of it needs at the destination, in bytes.
    pub room_bytes: u64,
}

/// The costs of all scopes, from the smallest to the largest.
pub fn scope_costs(map: &ClassMap, costs: &Costs, drive: &DriveMap) -> Vec<ScopeReport> {
    let sweeps = Sweeps::new(map);
    let report = |scope: Scope| {
        let request = PlanRequest { bridge: costs.bridge, ..PlanRequest::new(scope) };
        let request = request.widened(drive.layout.outside_unexplained);
        let choice = request.choice().expect("a scope without changes to it is always valid");
        let estimate = estimate(&sweeps, &choice, &costs.pace);
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let share = estimate.bytes as f64 / drive.identity.bytes.max(1) as f64;
        ScopeReport {
            scope,
            bytes: estimate.bytes,
            unasked_bytes: estimate.unasked_bytes,
            extents: estimate.extents,
            share,
            seconds: estimate.seconds,
            room_bytes: estimate.bytes,
        }
    };
    Scope::ALL.map(report).into()
}
