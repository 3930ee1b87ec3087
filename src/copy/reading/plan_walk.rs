//! The plan, part by part: what is wanted, and what is read only because that is cheaper than a seek.

use super::early_end::EarlyEnd;
use super::error::CopyError;
use crate::base::extent::{Extent, ExtentSet};
use crate::plan::{Pass, PassHeader, Plan};
use crate::source::{CopyStore, SourceIdentity};
use crate::survey::allocation::Class;

/// The longest part, in bytes. It bounds what a store lists at once: at worst 65,536 ranges, 1 MiB.
pub(super) const WINDOW: u64 = 64 << 20;

/// Why a part is in the plan.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum WhyPlanned {
    /// The pass is there for it.
    Wanted,
    /// A bridged gap.
    Gap,
}

/// Receives the plan part by part.
pub(super) trait Follower {
    /// A pass starts.
    fn begin(&mut self, _pass: &PassHeader) -> Result<(), EarlyEnd> {
        Ok(())
    }
    /// A part of the pass, ascending, at most [`WINDOW`] long. The parts of an extent touch.
    fn part(&mut self, extent: Extent, why: WhyPlanned) -> Result<(), EarlyEnd>;
    /// The pass is over.
    fn end(&mut self) -> Result<(), EarlyEnd> {
        Ok(())
    }
}

/// Whether a plan can be followed on this source.
pub(super) fn check(plan: &Plan, identity: &SourceIdentity) -> Result<(), CopyError> {
    let source = &plan.header.source;
    if source.bytes != identity.bytes {
        return Err(CopyError::OtherSource { plan_bytes: source.bytes, source_bytes: identity.bytes });
    }
    let source_sector = identity.logical_sector.bytes();
    if identity.needs_alignment() && !source.logical_sector.is_multiple_of(source_sector) {
        return Err(CopyError::OtherSectors { plan_sector: source.logical_sector, source_sector });
    }
    Ok(())
}

/// Hands over the passes of `class`, or all.
pub(super) fn follow(plan: &Plan, class: Option<Class>, follower: &mut impl Follower) -> Result<(), EarlyEnd> {
    let chosen = |pass: &&Pass| class.is_none_or(|class| pass.header.class == class);
    for pass in plan.passes.iter().filter(chosen) {
        follower.begin(&pass.header)?;
        for planned in pass.planned() {
            for (part, is_gap) in planned.parts() {
                let why = if is_gap { WhyPlanned::Gap } else { WhyPlanned::Wanted };
                part.pieces(WINDOW).try_for_each(|part| follower.part(part, why))?;
            }
        }
        follower.end()?;
    }
    Ok(())
}

/// What of `extent` the store knows nothing about.
pub(super) fn waiting(store: &dyn CopyStore, extent: Extent) -> Vec<Extent> {
    let known = [store.held(extent), store.skipped(extent), store.unreadable(extent)];
    without(extent, known.concat())
}

/// What of `extent` is neither copied nor unreadable.
pub(super) fn unread(store: &dyn CopyStore, extent: Extent) -> Vec<Extent> {
    without(extent, [store.held(extent), store.unreadable(extent)].concat())
}

fn without(extent: Extent, known: Vec<Extent>) -> Vec<Extent> {
    if known.is_empty() {
        return vec![extent];
    }
    known.into_iter().collect::<ExtentSet>().missing_from(extent)
}
