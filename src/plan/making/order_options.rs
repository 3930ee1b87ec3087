//! Options: orders of reading other than the plain one, which is class by class in ascending sweeps. What follows them is elsewhere in
//! this folder.
//!
//! `docs/orders.md` has the rules, and what simulation says of each. Neither ever comes before tables and structure.

use crate::survey::allocation::Prefer;
use serde::{Deserialize, Serialize};

/// In which order a plan reads, beside class by class.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Order {
    /// On the way of a sweep, what a later pass wants and lies next to what is being read is read with it, where that
    /// delays this pass by less than it spares in all.
    pub pick_up: bool,
    /// Within `files`, what comes first.
    pub prefer: Prefer,
}

impl Order {
    /// Whether it is the plain order.
    pub fn is_plain(&self) -> bool {
        *self == Order::default()
    }
}
