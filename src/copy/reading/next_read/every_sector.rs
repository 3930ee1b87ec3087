//! Only where a copy goes to the end: every sector that is still skipped is tried alone, and again as often as `retries` says.

use super::engine::{Engine, Outcome};
use super::request_sizes::RequestSizes;
use crate::base::extent::Extent;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::skipped_ranges::{RangeState, SkippedRange};
use crate::copy::reading::plan_walk::{self, Follower, WhyPlanned};
use crate::source::{Failure, Skip};

/// Tries every sector that is skipped, or those alone that may have stopped the drive. Afterwards none of them is skipped.
pub(super) fn every_sector(engine: &mut Engine<'_, '_>, suspects: bool) -> Result<(), EarlyEnd> {
    for round in 0..=engine.reading.options().retries {
        engine.reading.settle()?;
        let plan = engine.plan;
        let mut last = EverySector { engine: &mut *engine, suspects, round };
        plan_walk::follow(plan, None, &mut last)?;
        engine.reading.decide()?;
    }
    engine.reading.settle()
}

struct EverySector<'l, 'e, 'r> {
    engine: &'l mut Engine<'e, 'r>,
    suspects: bool,
    /// How often each sector has been tried alone at least.
    round: u32,
}

impl EverySector<'_, '_, '_> {
    /// Tries what of a skipped range was not tried alone often enough. At first requests grow where sectors answer, because
    /// what lies between two bad sectors can be long and sound.
    fn try_alone(&mut self, place: Extent) -> Result<(), EarlyEnd> {
        let sizes = RequestSizes::new(self.engine.learned.request(), self.engine.reading.unit());
        let mut current = sizes.smallest();
        let mut rest = place;
        while !rest.is_empty() {
            let (tries, until) = self.engine.skipped.tries(rest.start.0);
            let part = Extent::between(rest.start.0, until.min(rest.end()));
            // In the last round, what is skipped still has its last try.
            if u32::from(tries) > self.round && self.round < self.engine.reading.options().retries {
                rest = Extent::between(part.end(), rest.end());
                continue;
            }
            let request = sizes.next_request(&current, part);
            match self.engine.ask(request, true, f64::MAX)? {
                Outcome::Arrived { .. } if self.round == 0 => sizes.arrived(&mut current, request),
                Outcome::Arrived { .. } => {}
                Outcome::Failed { failure, .. } if sizes.is_single(request) => {
                    current = sizes.smallest();
                    self.failed_alone(request, u32::from(tries).max(self.round) + 1, failure)?;
                }
                Outcome::Failed { .. } => {
                    sizes.failed(&mut current, request);
                    continue;
                }
            }
            rest = Extent::between(request.end(), rest.end());
        }
        Ok(())
    }

    fn failed_alone(&mut self, sector: Extent, tries: u32, failure: Failure) -> Result<(), EarlyEnd> {
        if tries > self.engine.reading.options().retries {
            return self.engine.reading.unreadable(sector, tries, failure);
        }
        self.engine.reading.mark_failed(sector, failure, true)?;
        let state = RangeState::Alone { tries: u16::try_from(tries).unwrap_or(u16::MAX - 1) };
        self.engine.skipped.set(sector, SkippedRange { failure, ..SkippedRange::new(sector.end(), state) });
        Ok(())
    }
}

impl Follower for EverySector<'_, '_, '_> {
    fn begin(&mut self, pass: &crate::plan::PassHeader) -> Result<(), EarlyEnd> {
        self.engine.reading.begin_class(pass.class);
        Ok(())
    }

    fn part(&mut self, extent: Extent, _: WhyPlanned) -> Result<(), EarlyEnd> {
        let skips = self.engine.reading.store().skips(extent).into_iter();
        let chosen = skips.filter(|(_, why)| (*why == Skip::Suspect) == self.suspects).map(|(place, _)| place);
        chosen.collect::<Vec<_>>().into_iter().try_for_each(|place| self.try_alone(place))
    }
}
