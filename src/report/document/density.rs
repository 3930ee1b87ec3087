//! How much of each place of an area is what.

use crate::base::extent::Extent;
use crate::survey::allocation::Class;

/// Places of a strip.
pub const PLACES: usize = 240;

/// What a place's bytes can be, beside their class; what remains is not copied.
pub(super) const STATES: [&str; 3] = ["copied", "skipped", "could not be read"];

/// One area of the drive, place by place.
#[derive(Clone, PartialEq, Debug)]
pub struct AreaDensity {
    /// What it is called.
    pub name: String,
    /// Where it lies.
    pub extent: Extent,
    /// For each class the share of each place, 0 to 1.
    pub classes: Vec<(Class, Vec<f64>)>,
    /// For copied, skipped and unreadable the share of each place, 0 to 1.
    pub states: [Vec<f64>; 3],
    /// Bytes copied, skipped and unreadable.
    pub state_bytes: [u64; 3],
}
