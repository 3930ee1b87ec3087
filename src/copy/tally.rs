//! Counting what the store has of a plan.

use super::CopyError;
use super::halt::FollowError;
use super::halt::Halt;
use super::known::Spread;
use super::pieces::{self, Follower, Kind};
use crate::allocation::Class;
use crate::extent::Extent;
use crate::plan::{PassHeader, PlanHeader};
use crate::source::{SourceIdentity, Store};
use std::io::{Read, Seek};

/// A held place is offered in parts of so many bytes to the sectors by which the drive is checked.
const OFFERED_AT_ONCE: u64 = 1 << 20;

/// Bytes of one class's passes.
#[derive(Clone, Copy, Default)]
pub(super) struct Counts {
    pub(super) planned_bytes: u64,
    pub(super) copied_bytes: u64,
    pub(super) deferred_bytes: u64,
    pub(super) unreadable_bytes: u64,
}

/// What the store has of a plan, by class.
pub(super) struct Tally {
    classes: [Counts; Class::ALL.len()],
    /// Some of what the store holds, spread over it.
    pub(super) held: Spread<Extent>,
}

impl Tally {
    /// Walks the whole plan, which checks it, and that it can be followed on this source.
    pub(super) fn take(
        plan: &mut (impl Read + Seek),
        store: &dyn Store,
        identity: &SourceIdentity,
    ) -> Result<Tally, CopyError> {
        let mut counter = Counter {
            store,
            tally: Tally { classes: Default::default(), held: Spread::default() },
            class: 0,
            plan_source: (0, 0),
        };
        match pieces::follow(plan, None, &mut counter) {
            Ok(()) => {}
            Err(FollowError::Plan(error)) => return Err(error.into()),
            Err(FollowError::Halt(_)) => unreachable!("counting never halts"),
        }
        let (plan_bytes, plan_sector) = counter.plan_source;
        if plan_bytes != identity.bytes {
            return Err(CopyError::OtherSource { plan_bytes, source_bytes: identity.bytes });
        }
        let source_sector = identity.logical_sector.bytes();
        if identity.needs_alignment() && !plan_sector.is_multiple_of(source_sector) {
            return Err(CopyError::OtherSectors { plan_sector, source_sector });
        }
        Ok(counter.tally)
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
        })
    }
}

struct Counter<'s> {
    store: &'s dyn Store,
    tally: Tally,
    class: usize,
    /// Size and sector of the plan's drive.
    plan_source: (u64, u64),
}

fn sum(extents: Vec<Extent>) -> u64 {
    extents.iter().map(|extent| extent.bytes).sum()
}

impl Follower for Counter<'_> {
    fn header(&mut self, header: &PlanHeader) {
        self.plan_source = (header.source.bytes, header.source.logical_sector);
    }

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
        counts.copied_bytes += sum(held);
        counts.deferred_bytes += sum(self.store.skipped(extent));
        counts.unreadable_bytes += sum(self.store.unreadable(extent));
        Ok(())
    }
}
