//! How long the rest of a plan will take.

use crate::extent::{Extent, ExtentSet};
use crate::model::{DriveModel, Head};
use crate::plan::{ESTIMATED_REQUEST, PlanHeader, PlanReadError, PlanVisitor, follow_plan};
use crate::source::Store;
use std::convert::Infallible;
use std::io::Read;

/// Seconds on `model` for what a plan reads and `store` neither holds nor has skipped or marked unreadable, on a drive that gives no
/// errors. Memory does not grow with the plan.
///
/// # Errors
/// [`PlanReadError`].
pub fn seconds_left(plan: impl Read, store: &dyn Store, model: &DriveModel) -> Result<f64, PlanReadError> {
    let mut rest = Rest { store, model, head: Head { at: 0, drive_bytes: 0 }, seconds: 0.0 };
    follow_plan(plan, &mut rest)?;
    Ok(rest.seconds)
}

struct Rest<'r> {
    store: &'r dyn Store,
    model: &'r DriveModel,
    head: Head,
    seconds: f64,
}

impl PlanVisitor for Rest<'_> {
    type Error = Infallible;

    fn header(&mut self, header: &PlanHeader) -> Result<(), Infallible> {
        self.head.drive_bytes = header.source.bytes;
        Ok(())
    }

    fn extent(&mut self, extent: Extent) -> Result<(), Infallible> {
        let store = self.store;
        let mut known: Vec<Extent> = store.held(extent);
        known.extend(store.skipped(extent));
        known.extend(store.unreadable(extent));
        known.sort_unstable();
        for waiting in known.into_iter().collect::<ExtentSet>().missing_from(extent) {
            let (seconds, head) = self.model.read_seconds(self.head, waiting, ESTIMATED_REQUEST);
            self.seconds += seconds;
            self.head = head;
        }
        Ok(())
    }
}
