//! The plan as a series of pieces: what is wanted, and what is read only because that is cheaper than a seek.

use super::error::CopyError;
use super::halt::Halt;
use crate::base::extent::{Extent, ExtentSet};
use crate::plan::{Pass, PassHeader, Plan};
use crate::source::{SourceIdentity, Store};
use crate::survey::allocation::Class;

/// The longest piece, in bytes. It bounds what a store lists at once: at worst 65,536 ranges, 1 MiB.
pub(super) const WINDOW: u64 = 64 << 20;

/// Why a piece is in the plan.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    /// The pass is there for it.
    Wanted,
    /// A bridged gap.
    Gap,
}

/// Receives the plan piece by piece.
pub(super) trait Follower {
    /// A pass starts.
    fn begin(&mut self, _pass: &PassHeader) -> Result<(), Halt> {
        Ok(())
    }
    /// A part of the pass, ascending, at most [`WINDOW`] long. The pieces of an extent touch.
    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt>;
    /// The pass is over.
    fn end(&mut self) -> Result<(), Halt> {
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
pub(super) fn follow(plan: &Plan, class: Option<Class>, follower: &mut impl Follower) -> Result<(), Halt> {
    let chosen = |pass: &&Pass| class.is_none_or(|class| pass.header.class == class);
    for pass in plan.passes.iter().filter(chosen) {
        follower.begin(&pass.header)?;
        for planned in pass.planned() {
            for (part, is_gap) in planned.parts() {
                let kind = if is_gap { Kind::Gap } else { Kind::Wanted };
                part.pieces(WINDOW).try_for_each(|piece| follower.piece(piece, kind))?;
            }
        }
        follower.end()?;
    }
    Ok(())
}

/// What of `extent` the store knows nothing about.
pub(super) fn waiting(store: &dyn Store, extent: Extent) -> Vec<Extent> {
    let known = [store.held(extent), store.skipped(extent), store.unreadable(extent)];
    without(extent, known.concat())
}

/// What of `extent` is neither copied nor unreadable.
pub(super) fn unread(store: &dyn Store, extent: Extent) -> Vec<Extent> {
    without(extent, [store.held(extent), store.unreadable(extent)].concat())
}

fn without(extent: Extent, known: Vec<Extent>) -> Vec<Extent> {
    if known.is_empty() {
        return vec![extent];
    }
    known.into_iter().collect::<ExtentSet>().missing_from(extent)
}
