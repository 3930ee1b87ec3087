//! How long the rest of a plan will take.

use crate::base::extent::{Extent, ExtentSet};
use crate::drive::model::{DriveModel, Head};
use crate::plan::{ESTIMATED_REQUEST, Plan};
use crate::source::CopyStore;

/// Seconds on `model` for what a plan reads and `store` neither holds nor has skipped or marked unreadable, on a drive that gives no
/// errors.
pub fn seconds_left(plan: &Plan, store: &dyn CopyStore, model: &DriveModel) -> f64 {
    let mut head = Head { at: 0, drive_bytes: plan.header.source.bytes };
    let mut seconds = 0.0;
    for extent in plan.passes.iter().flat_map(|pass| pass.extents()) {
        let mut known: Vec<Extent> = store.held(*extent);
        known.extend(store.skipped(*extent));
        known.extend(store.unreadable(*extent));
        known.sort_unstable();
        for waiting in known.into_iter().collect::<ExtentSet>().missing_from(*extent) {
            let (took, now) = model.read_seconds(head, waiting, ESTIMATED_REQUEST);
            seconds += took;
            head = now;
        }
    }
    seconds
}
