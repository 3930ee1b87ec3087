//! What a person wants of a plan.

use crate::plan::{BridgeRule, Choice, Order, Scope, ScopeError, classes};
use crate::survey::allocation::Class;
use std::collections::BTreeSet;

/// What a person wants of a plan.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PlanRequest {
    /// How much of the drive.
    pub scope: Scope,
    /// Classes added to it.
    pub also: Vec<Class>,
    /// Classes dropped from it.
    pub without: Vec<Class>,
    /// The areas to keep to, by their index in the drive's layout; `None` for all. What belongs to no single area is
    /// planned whatever is chosen.
    pub areas: Option<BTreeSet<u32>>,
    /// Which gaps are read through.
    pub bridge: BridgeRule,
    /// The patterns that chose the `wanted` files, in the order given: lane n of `wanted` is pattern n.
    pub wants: Vec<String>,
    /// The patterns that chose the `bulk` files.
    pub bulk: Vec<String>,
    /// In which order, beside class by class.
    pub order: Order,
}

impl PlanRequest {
    /// Everything in a scope, with nothing chosen by pattern and the usual bridging.
    pub fn new(scope: Scope) -> PlanRequest {
        let bridge = BridgeRule::default();
        PlanRequest {
            scope,
            also: Vec::new(),
            without: Vec::new(),
            areas: None,
            bridge,
            wants: Vec::new(),
            bulk: Vec::new(),
            order: Order::default(),
        }
    }

    /// The request as it is met on a drive whose table does not explain what lies outside volumes: the scope `allocated`
    /// then takes `outside` as well, as its last pass, unless that was dropped or volumes were chosen.
    #[must_use]
    pub fn widened(mut self, outside_unexplained: bool) -> PlanRequest {
        let refused = self.without.contains(&Class::Outside) || self.areas.is_some();
        if outside_unexplained && !refused && self.scope == Scope::Allocated && !self.also.contains(&Class::Outside) {
            self.also.push(Class::Outside);
        }
        self
    }

    /// The request in the terms of the sweep.
    ///
    /// # Errors
    /// [`ScopeError`] for a class that cannot be added or dropped.
    pub fn choice(&self) -> Result<Choice, ScopeError> {
        let classes = classes(self.scope, &self.also, &self.without)?;
        Ok(Choice { classes, areas: self.areas.clone(), gap_bytes: self.bridge.gap_bytes, pick_up: self.order.pick_up })
    }
}
