//! The plan as a series of pieces: what is wanted, and gaps that are read through.

use super::Halt;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::plan::{PassHeader, Plan, PlannedExtent};
use gleaner::source::CopyStore;
use gleaner::survey::allocation::Class;

pub(super) const WINDOW: u64 = 64 << 20;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    Wanted,
    Gap,
}

pub(super) trait Follower {
    fn begin(&mut self, _pass: &PassHeader) {}
    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt>;
    fn end(&mut self) -> Result<(), Halt> {
        Ok(())
    }
}

pub(super) fn follow(plan: &Plan, class: Option<Class>, follower: &mut impl Follower) -> Result<(), Halt> {
    for pass in plan.passes.iter().filter(|pass| class.is_none_or(|class| pass.header.class == class)) {
        follower.begin(&pass.header);
        for (part, is_gap) in pass.planned().flat_map(PlannedExtent::parts) {
            let kind = if is_gap { Kind::Gap } else { Kind::Wanted };
            part.pieces(WINDOW).try_for_each(|piece| follower.piece(piece, kind))?;
        }
        follower.end()?;
    }
    Ok(())
}

/// What of `extent` the store knows nothing about.
pub(super) fn unknown(store: &dyn CopyStore, extent: Extent) -> Vec<Extent> {
    let mut known = store.held(extent);
    known.extend(store.skipped(extent));
    known.extend(store.unreadable(extent));
    known.into_iter().collect::<ExtentSet>().missing_from(extent)
}
