//! Counting what the store has of a plan.

use super::halt::Halt;
use super::known::Spread;
use super::pieces::{self, Follower, Kind};
use crate::base::extent::Extent;
use crate::plan::{PassHeader, Plan};
use crate::source::Store;
use crate::survey::allocation::Class;

/// A held place is offered in parts of so many bytes to the sectors by which the drive is checked.
const OFFERED_AT_ONCE: u64 = 1 << 20;

/// Bytes of one class's passes.
#[derive(Clone, Copy, Default)]
pub(super) struct Counts {
    pub(super) planned_bytes: u64,
    pub(super) copied_bytes: u64,
    pub(super) deferred_bytes: u64,
    pub(super) unreadable_bytes: u64,
    /// Ranges in which something is not read yet.
    pub(super) unread_ranges: u64,
}

/// What the store has of a plan, by class.
pub(super) struct Tally {
    classes: [Counts; Class::ALL.len()],
    /// Some of what the store holds, spread over it.
    pub(super) held: Spread<Extent>,
}

impl Tally {
    /// Walks the whole plan.
    pub(super) fn take(plan: &Plan, store: &dyn Store) -> Tally {
        let tally = Tally { classes: Default::default(), held: Spread::default() };
        let mut counter = Counter { store, tally, class: 0, behind: None };
        pieces::follow(plan, None, &mut counter).expect("counting never halts");
        counter.tally
    }

    pub(super) fn of(&self, class: Class) -> &Counts {
        &self.classes[class as usize]
    }

    /// The sum of all classes.
    pub(super) fn whole(&self) -> Counts {
        self.classes.iter().fold(Counts::default(), |sum, class| Counts {
            planned_bytes: sum.planned_bytes + class.planned_bytes,
            copied_bytes: sum.copied_bytes + class.copied_bytes,
            deferred_bytes: sum.deferred_bytes + class.deferred_bytes,
            unreadable_bytes: sum.unreadable_bytes + class.unreadable_bytes,
            unread_ranges: sum.unread_ranges + class.unread_ranges,
        })
    }
}

struct Counter<'s> {
    store: &'s dyn Store,
    tally: Tally,
    class: usize,
    /// The end of the last piece in which something is not read yet.
    behind: Option<u64>,
}

fn sum(extents: Vec<Extent>) -> u64 {
    extents.iter().map(|extent| extent.bytes).sum()
}

impl Follower for Counter<'_> {
    fn begin(&mut self, pass: &PassHeader) -> Result<(), Halt> {
        self.class = pass.class as usize;
        Ok(())
    }

    fn piece(&mut self, extent: Extent, _: Kind) -> Result<(), Halt> {
        let counts = &mut self.tally.classes[self.class];
        counts.planned_bytes += extent.bytes;
        let held = self.store.held(extent);
        held.iter()
            .flat_map(|place| place.pieces(OFFERED_AT_ONCE))
            .for_each(|part| self.tally.held.offer(part.bytes, || Some(part)));
        let known = [sum(held), sum(self.store.skipped(extent)), sum(self.store.unreadable(extent))];
        counts.copied_bytes += known[0];
        counts.deferred_bytes += known[1];
        counts.unreadable_bytes += known[2];
        if known.iter().sum::<u64>() < extent.bytes {
            counts.unread_ranges += u64::from(self.behind != Some(extent.start.0));
            self.behind = Some(extent.end());
        }
        Ok(())
    }
}
