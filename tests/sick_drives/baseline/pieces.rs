//! The plan as a series of pieces: what is wanted, and gaps that are read through.

use super::Halt;
use gleaner::allocation::Class;
use gleaner::extent::{Extent, ExtentSet};
use gleaner::plan::{PassHeader, PlanVisitor, StreamError, follow_plan};
use gleaner::source::Store;
use std::io::{BufReader, Read, Seek, SeekFrom};

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

pub(super) fn follow(
    plan: &mut (impl Read + Seek),
    class: Option<Class>,
    follower: &mut impl Follower,
) -> Result<(), Halt> {
    plan.seek(SeekFrom::Start(0)).unwrap();
    let mut cutter = Cutter { follower, class, in_pass: false, rest: Extent::between(0, 0) };
    match follow_plan(BufReader::with_capacity(1 << 18, plan), &mut cutter) {
        Ok(()) => cutter.end_pass(),
        Err(StreamError::Visitor(Halt::PastClass)) => Ok(()),
        Err(StreamError::Visitor(halt)) => Err(halt),
        Err(StreamError::Plan(error)) => panic!("{error}"),
    }
}

struct Cutter<'f, F> {
    follower: &'f mut F,
    class: Option<Class>,
    in_pass: bool,
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

    fn pass(&mut self, pass: &PassHeader) -> Result<(), Halt> {
        self.end_pass()?;
        match self.class {
            Some(class) if pass.class > class => return Err(Halt::PastClass),
            Some(class) if pass.class < class => return Ok(()),
            _ => {}
        }
        self.in_pass = true;
        self.follower.begin(pass);
        Ok(())
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
pub(super) fn unknown(store: &dyn Store, extent: Extent) -> Vec<Extent> {
    let mut known = store.held(extent);
    known.extend(store.skipped(extent));
    known.extend(store.unreadable(extent));
    known.into_iter().collect::<ExtentSet>().missing_from(extent)
}
