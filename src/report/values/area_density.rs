//! How much of each place of an area is what: by class, and by what is copied of it.

use super::place_shares::Places;
use super::state_shares::StateShares;
use crate::base::extent::Extent;
use crate::source::CopyStore;
use crate::survey::allocation::{Class, ClassMap, ClassRun};

/// One area of the drive, place by place.
#[derive(Clone, PartialEq, Debug)]
pub struct AreaDensity {
    /// What it is called.
    pub name: String,
    /// Where it lies.
    pub extent: Extent,
    /// For each class the share of each place, 0 to 1.
    pub classes: Vec<(Class, Vec<f64>)>,
    /// What of each place is copied, skipped and unreadable.
    pub states: StateShares,
    /// Bytes copied, skipped and unreadable.
    pub state_bytes: [u64; 3],
}

impl AreaDensity {
    /// Number of places that an area is cut into.
    pub const PLACES: usize = 240;

    /// The density of the part `extent` of a drive, of which `store` tells what is copied.
    pub fn of(name: String, extent: Extent, map: &ClassMap, store: &dyn CopyStore) -> AreaDensity {
        let runs = map.runs();
        let first = runs.partition_point(|run| run.extent.end() <= extent.start.0);
        let until = runs.partition_point(|run| run.extent.start.0 < extent.end());
        let within: &[ClassRun] = runs.get(first..until).unwrap_or(&[]);
        let places = Places::equal(extent, AreaDensity::PLACES);
        let of_class = |class: Class| {
            let extents = within.iter().filter(|run| run.class == class).map(|run| run.extent);
            (class, places.shares(extents))
        };
        let known = [store.held(extent), store.skipped(extent), store.unreadable(extent)];
        let state_bytes = known.each_ref().map(|list| list.iter().map(|extent| extent.bytes).sum());
        let [copied, skipped, unreadable] = known;
        AreaDensity {
            name,
            extent,
            classes: Class::ALL
                .into_iter()
                .filter(|class| within.iter().any(|run| run.class == *class))
                .map(of_class)
                .collect(),
            states: StateShares::of(&places, copied, skipped, unreadable),
            state_bytes,
        }
    }
}
