//! The sweep of a class: large requests in ascending order, which leave trouble behind quickly.

use super::TroubleKind;
use super::halt::Halt;
use super::pieces::{Follower, Kind, waiting};
use super::run::{Answer, Run};
use crate::extent::Extent;
use crate::plan::PassHeader;
use crate::source::{Failure, Skip};

/// Makes requests of pieces that touch, and jumps ahead after trouble.
pub(super) struct Sweep<'s, 'r> {
    run: &'s mut Run<'r>,
    /// The request being gathered; it touches what comes next, or else is made.
    open: Option<Extent>,
    /// Everything below is put off untried.
    skip_until: u64,
    /// How far the next trouble makes it jump.
    step: u64,
}

impl<'s, 'r> Sweep<'s, 'r> {
    pub(super) fn new(run: &'s mut Run<'r>) -> Sweep<'s, 'r> {
        let step = run.options().first_step;
        Sweep { run, open: None, skip_until: 0, step }
    }

    fn take(&mut self, part: Extent) -> Result<(), Halt> {
        if self.open.is_some_and(|open| open.end() != part.start.0) {
            self.ask()?;
        }
        let request = self.run.options().request_bytes;
        let mut at = part.start.0;
        while at < part.end() {
            if at < self.skip_until {
                let skipped = Extent::between(at, part.end().min(self.skip_until));
                self.run.skip(skipped, Skip::Near, Failure::default())?;
                at = skipped.end();
                continue;
            }
            // Requests end on multiples of their size, so that they are aligned to large blocks of whatever lies below.
            let start = self.open.map_or(at, |open| open.start.0);
            let boundary = (start / request + 1).saturating_mul(request);
            at = part.end().min(boundary);
            self.open = Some(Extent::between(start, at));
            if at == boundary {
                self.ask()?;
            }
        }
        Ok(())
    }

    fn ask(&mut self) -> Result<(), Halt> {
        let Some(extent) = self.open.take() else { return Ok(()) };
        match self.run.attempt(extent, false)? {
            Answer::Arrived { slow: None } => self.step = (self.step / 2).max(self.run.options().first_step),
            Answer::Arrived { slow: Some(took) } => {
                let jump = self.jump(extent);
                self.run.announce_trouble(extent, TroubleKind::Slow, took, jump);
            }
            Answer::Failed { took, failure } => {
                self.run.skip(extent, Skip::Failed, failure)?;
                let jump = self.jump(extent);
                self.run.announce_trouble(extent, TroubleKind::Failed, took, jump);
            }
        }
        Ok(())
    }

    /// Jumps ahead; to a whole physical sector, so that none is read by halves.
    fn jump(&mut self, from: Extent) -> u64 {
        let unit = self.run.unit();
        let target = from.end().saturating_add(self.step);
        self.skip_until = target.checked_next_multiple_of(unit).unwrap_or(target);
        self.step = self.step.saturating_mul(2).min(self.run.options().largest_step);
        self.skip_until - from.end()
    }
}

impl Follower for Sweep<'_, '_> {
    fn begin(&mut self, pass: &PassHeader) -> Result<(), Halt> {
        self.skip_until = 0;
        self.step = self.run.options().first_step;
        self.run.begin_pass(pass);
        Ok(())
    }

    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt> {
        let parts = waiting(self.run.store(), extent);
        self.run.passed_over(extent.bytes - parts.iter().map(|part| part.bytes).sum::<u64>());
        for part in parts {
            if kind == Kind::Gap && self.run.has_trouble_near(part) {
                // Near a bad place nothing is read only for convenience. It waits for the end: some of it may be
                // wanted by a class that leaves it to this gap.
                self.ask()?;
                self.run.skip(part, Skip::Near, Failure::default())?;
            } else {
                self.take(part)?;
            }
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), Halt> {
        self.ask()?;
        self.run.end_pass()
    }
}
