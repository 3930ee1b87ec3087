//! The sweep of a class: large requests in ascending order, with jumps after failures.

use super::pieces::{Follower, Kind, unknown};
use super::{Answer, FIRST_STEP, Halt, LARGEST_STEP, Run};
use gleaner::base::extent::Extent;
use gleaner::plan::PassHeader;

pub(super) struct Sweep<'s, 'r, 'b> {
    run: &'s mut Run<'r, 'b>,
    open: Option<Extent>,
    skip_until: u64,
    step: u64,
}

impl<'s, 'r, 'b> Sweep<'s, 'r, 'b> {
    pub(super) fn new(run: &'s mut Run<'r, 'b>) -> Sweep<'s, 'r, 'b> {
        Sweep { run, open: None, skip_until: 0, step: FIRST_STEP }
    }

    fn take(&mut self, part: Extent) -> Result<(), Halt> {
        if self.open.is_some_and(|open| open.end() != part.start.0) {
            self.read()?;
        }
        let request = self.run.request_bytes();
        let mut at = part.start.0;
        while at < part.end() {
            if at < self.skip_until {
                let skipped = Extent::between(at, part.end().min(self.skip_until));
                self.run.skip(skipped);
                at = skipped.end();
                continue;
            }
            let start = self.open.map_or(at, |open| open.start.0);
            let boundary = (start / request + 1).saturating_mul(request);
            at = part.end().min(boundary);
            self.open = Some(Extent::between(start, at));
            if at == boundary {
                self.read()?;
            }
        }
        Ok(())
    }

    fn read(&mut self) -> Result<(), Halt> {
        let Some(extent) = self.open.take() else { return Ok(()) };
        match self.run.attempt(extent)? {
            Answer::Arrived => self.step = (self.step / 2).max(FIRST_STEP),
            Answer::Failed => {
                self.run.skip(extent);
                let target = extent.end().saturating_add(self.step);
                self.skip_until = target.checked_next_multiple_of(self.run.unit).unwrap_or(target);
                self.step = self.step.saturating_mul(2).min(LARGEST_STEP);
            }
        }
        Ok(())
    }
}

impl Follower for Sweep<'_, '_, '_> {
    fn begin(&mut self, _: &PassHeader) {
        self.skip_until = 0;
        self.step = FIRST_STEP;
    }

    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt> {
        for part in unknown(self.run.store(), extent) {
            if kind == Kind::Gap && self.run.nearby.has_trouble(part) {
                self.read()?;
                self.run.skip(part);
            } else {
                self.take(part)?;
            }
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), Halt> {
        self.read()
    }
}
