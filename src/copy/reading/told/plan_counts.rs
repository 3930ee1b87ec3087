//! Counting what the store has of a plan.

use crate::base::extent::Extent;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::known_sectors::EvenSample;
use crate::copy::reading::plan_walk::{self, Follower, WhyPlanned};
use crate::plan::{PassHeader, Plan};
use crate::source::CopyStore;
use crate::survey::allocation::Class;

/// A held place is offered in parts of so many bytes to the sectors by which the drive is checked.
const OFFERED_AT_ONCE: u64 = 1 << 20;

/// Bytes of one class's passes.
#[derive(Clone, Copy, Default)]
pub(in crate::copy::reading) struct Counts {
    pub(in crate::copy::reading) planned_bytes: u64,
    pub(in crate::copy::reading) copied_bytes: u64,
    pub(in crate::copy::reading) skipped_bytes: u64,
    pub(in crate::copy::reading) unreadable_bytes: u64,
    /// Ranges in which something is not read yet.
    pub(in crate::copy::reading) unread_ranges: u64,
}

/// What the store has of a plan, by class.
pub(in crate::copy::reading) struct PlanCounts {
    classes: [Counts; Class::ALL.len()],
    /// Some of what the store holds, spread over it.
    pub(in crate::copy::reading) held: EvenSample<Extent>,
}

impl PlanCounts {
    /// Walks the whole plan.
    pub(in crate::copy::reading) fn count(plan: &Plan, store: &dyn CopyStore) -> PlanCounts {
        let counts_so_far = PlanCounts { classes: Default::default(), held: EvenSample::default() };
        let mut counter = Counter { store, counts_so_far, class: 0, behind: None };
        plan_walk::follow(plan, None, &mut counter).expect("counting never halts");
        counter.counts_so_far
    }

    pub(in crate::copy::reading) fn of(&self, class: Class) -> &Counts {
        &self.classes[class as usize]
    }

    /// The sum of all classes.
    pub(in crate::copy::reading) fn whole(&self) -> Counts {
        self.classes.iter().fold(Counts::default(), |sum, class| Counts {
            planned_bytes: sum.planned_bytes + class.planned_bytes,
            copied_bytes: sum.copied_bytes + class.copied_bytes,
            skipped_bytes: sum.skipped_bytes + class.skipped_bytes,
            unreadable_bytes: sum.unreadable_bytes + class.unreadable_bytes,
            unread_ranges: sum.unread_ranges + class.unread_ranges,
        })
    }
}

struct Counter<'s> {
    store: &'s dyn CopyStore,
    counts_so_far: PlanCounts,
    class: usize,
    /// The end of the last part in which something is not read yet.
    behind: Option<u64>,
}

fn sum(extents: Vec<Extent>) -> u64 {
    extents.iter().map(|extent| extent.bytes).sum()
}

impl Follower for Counter<'_> {
    fn begin(&mut self, pass: &PassHeader) -> Result<(), EarlyEnd> {
        self.class = pass.class as usize;
        Ok(())
    }

    fn part(&mut self, extent: Extent, _: WhyPlanned) -> Result<(), EarlyEnd> {
        let counts = &mut self.counts_so_far.classes[self.class];
        counts.planned_bytes += extent.bytes;
        let held = self.store.held(extent);
        held.iter()
            .flat_map(|place| place.pieces(OFFERED_AT_ONCE))
            .for_each(|part| self.counts_so_far.held.offer(part.bytes, || Some(part)));
        let known = [sum(held), sum(self.store.skipped(extent)), sum(self.store.unreadable(extent))];
        counts.copied_bytes += known[0];
        counts.skipped_bytes += known[1];
        counts.unreadable_bytes += known[2];
        if known.iter().sum::<u64>() < extent.bytes {
            counts.unread_ranges += u64::from(self.behind != Some(extent.start.0));
            self.behind = Some(extent.end());
        }
        Ok(())
    }
}
