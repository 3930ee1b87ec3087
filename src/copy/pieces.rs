//! The plan as a series of pieces: what is wanted, and what is read only because that is cheaper than a seek.

use super::halt::{FollowError, Halt};
use crate::allocation::Class;
use crate::extent::{Extent, ExtentSet};
use crate::plan::{PassHeader, PlanHeader, PlanReadError, PlanVisitor, StreamError, follow_plan};
use crate::source::Store;
use std::io::{BufReader, Read, Seek, SeekFrom};

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
    /// Everything but the passes.
    fn header(&mut self, _header: &PlanHeader) {}
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

/// Reads the plan from its start and hands over the passes of `class`, or all.
pub(super) fn follow(
    plan: &mut (impl Read + Seek),
    class: Option<Class>,
    follower: &mut impl Follower,
) -> Result<(), FollowError> {
    plan.seek(SeekFrom::Start(0)).map_err(|error| FollowError::Plan(PlanReadError::Io(error)))?;
    let mut cutter = Cutter { follower, class, in_pass: false, rest: Extent::between(0, 0) };
    let outcome = follow_plan(BufReader::with_capacity(1 << 18, plan), &mut cutter);
    match outcome {
        Ok(()) => Ok(cutter.end_pass()?),
        Err(StreamError::Visitor(Halt::PastClass)) => Ok(()),
        Err(StreamError::Visitor(halt)) => Err(halt.into()),
        Err(StreamError::Plan(error)) => Err(FollowError::Plan(error)),
    }
}

struct Cutter<'f, F> {
    follower: &'f mut F,
    class: Option<Class>,
    in_pass: bool,
    /// What of the extent last met was not handed over yet. How it is divided is known only when its gaps are.
    rest: Extent,
}

impl<F: Follower> Cutter<'_, F> {
    fn hand_over(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt> {
        extent.pieces(WINDOW).try_for_each(|piece| self.follower.piece(piece, kind))
    }

    fn end_extent(&mut self) -> Result<(), Halt> {
        let rest = std::mem::replace(&mut self.rest, Extent::between(0, 0));
        self.hand_over(rest, Kind::Wanted)
    }

    fn end_pass(&mut self) -> Result<(), Halt> {
        if !std::mem::replace(&mut self.in_pass, false) {
            return Ok(());
        }
        self.end_extent()?;
        self.follower.end()
    }
}

impl<F: Follower> PlanVisitor for Cutter<'_, F> {
    type Error = Halt;

    fn header(&mut self, header: &PlanHeader) -> Result<(), Halt> {
        self.follower.header(header);
        Ok(())
    }

    fn pass(&mut self, pass: &PassHeader) -> Result<(), Halt> {
        self.end_pass()?;
        // Passes ascend by class; the plan's reader has checked it.
        match self.class {
            Some(class) if pass.class > class => return Err(Halt::PastClass),
            Some(class) if pass.class < class => return Ok(()),
            _ => {}
        }
        self.in_pass = true;
        self.follower.begin(pass)
    }

    fn extent(&mut self, extent: Extent) -> Result<(), Halt> {
        if self.in_pass {
            self.end_extent()?;
            self.rest = extent;
        }
        Ok(())
    }

    fn gap(&mut self, gap: Extent) -> Result<(), Halt> {
        if self.in_pass {
            let wanted = Extent::between(self.rest.start.0, gap.start.0);
            self.rest = Extent::between(gap.end(), self.rest.end());
            self.hand_over(wanted, Kind::Wanted)?;
            self.hand_over(gap, Kind::Gap)?;
        }
        Ok(())
    }
}

/// What of `extent` the store knows nothing about.
pub(super) fn waiting(store: &dyn Store, extent: Extent) -> Vec<Extent> {
    let mut known = store.held(extent);
    known.extend(store.skipped(extent));
    known.extend(store.unreadable(extent));
    if known.is_empty() {
        return vec![extent];
    }
    known.into_iter().collect::<ExtentSet>().missing_from(extent)
}
