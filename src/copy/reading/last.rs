//! To the end: every sector that is still skipped is tried alone, and again as often as `retries` says.

use super::engine::{Engine, Outcome};
use super::halt::Halt;
use super::ladder::Ladder;
use super::pieces::{self, Follower, Kind};
use super::places::{self, Place};
use crate::base::extent::Extent;
use crate::source::{Failure, Skip};

/// Tries every sector that is skipped, or those alone that may have stopped the drive. Afterwards none of them is skipped.
pub(super) fn every_sector(engine: &mut Engine<'_, '_>, suspects: bool) -> Result<(), Halt> {
    for round in 0..=engine.run.options().retries {
        engine.run.settle()?;
        let plan = engine.plan;
        let mut last = Last { engine: &mut *engine, suspects, round };
        pieces::follow(plan, None, &mut last)?;
        engine.run.decide()?;
    }
    engine.run.settle()
}

struct Last<'l, 'e, 'r> {
    engine: &'l mut Engine<'e, 'r>,
    suspects: bool,
    /// How often each sector has been tried alone at least.
    round: u32,
}

impl Last<'_, '_, '_> {
    /// Tries what of a skipped range was not tried alone often enough. At first requests grow where sectors answer, because
    /// what lies between two bad sectors can be long and sound.
    fn try_alone(&mut self, place: Extent) -> Result<(), Halt> {
        let ladder = Ladder::new(self.engine.learned.request(), self.engine.run.unit());
        let mut rung = ladder.bottom();
        let mut rest = place;
        while !rest.is_empty() {
            let (tries, until) = self.engine.places.tries(rest.start.0);
            let part = Extent::between(rest.start.0, until.min(rest.end()));
            // In the last round, what is skipped still has its last try.
            if u32::from(tries) > self.round && self.round < self.engine.run.options().retries {
                rest = Extent::between(part.end(), rest.end());
                continue;
            }
            let request = ladder.head(&rung, part);
            match self.engine.ask(request, true, f64::MAX)? {
                Outcome::Arrived { .. } if self.round == 0 => ladder.arrived(&mut rung, request),
                Outcome::Arrived { .. } => {}
                Outcome::Failed { failure, .. } if ladder.is_single(request) => {
                    rung = ladder.bottom();
                    self.failed_alone(request, u32::from(tries).max(self.round) + 1, failure)?;
                }
                Outcome::Failed { .. } => {
                    ladder.failed(&mut rung, request);
                    continue;
                }
            }
            rest = Extent::between(request.end(), rest.end());
        }
        Ok(())
    }

    fn failed_alone(&mut self, sector: Extent, tries: u32, failure: Failure) -> Result<(), Halt> {
        if tries > self.engine.run.options().retries {
            return self.engine.run.unreadable(sector, tries, failure);
        }
        self.engine.run.mark_failed(sector, failure, true)?;
        let kind = places::Kind::Alone { tries: u16::try_from(tries).unwrap_or(u16::MAX - 1) };
        self.engine.places.set(sector, Place { failure, ..Place::new(sector.end(), kind) });
        Ok(())
    }
}

impl Follower for Last<'_, '_, '_> {
    fn begin(&mut self, pass: &crate::plan::PassHeader) -> Result<(), Halt> {
        self.engine.run.begin_class(pass.class);
        Ok(())
    }

    fn piece(&mut self, extent: Extent, _: Kind) -> Result<(), Halt> {
        let skips = self.engine.run.store().skips(extent).into_iter();
        let chosen = skips.filter(|(_, why)| (*why == Skip::Suspect) == self.suspects).map(|(place, _)| place);
        chosen.collect::<Vec<_>>().into_iter().try_for_each(|place| self.try_alone(place))
    }
}
