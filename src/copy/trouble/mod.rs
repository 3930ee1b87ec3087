//! Coming back to deferred places: from their edges inward, then sector by sector, then once more, then giving up.

mod edges;
mod ladder;
mod sectors;

use super::event::Round;
use super::halt::Halt;
use super::pieces::{self, Follower, Kind};
use super::run::Run;
use crate::allocation::Class;
use crate::extent::Extent;
use crate::plan::Plan;
use crate::source::Skip;
use ladder::Ladder;

/// Deferred places further apart than this are handled apart, in bytes.
const JOIN: u64 = 1 << 20;

/// Deferred places that are handled together: at most these, 64 KiB of memory.
const MOST_PLACES: usize = 4096;

/// What becomes of places that may have stopped the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Suspects {
    /// They stay skipped.
    Left,
    /// They alone are tried.
    Alone,
}

/// All rounds over what is deferred of `class` (or of all classes) and of `kind`. At the end nothing of it is deferred.
pub(super) fn rounds(
    plan: &Plan,
    run: &mut Run<'_>,
    class: Option<Class>,
    kind: Kind,
    suspects: Suspects,
) -> Result<(), Halt> {
    let retries = (1..=run.options().retries).map(|number| Round::Retry { number });
    for round in [Round::Edges, Round::Sectors].into_iter().chain(retries) {
        // The store is asked what is deferred, so it must know the end of the round before.
        run.settle()?;
        let mut spots = Spots { run: &mut *run, class, kind, suspects, round, places: Vec::new(), announced: false };
        pieces::follow(plan, class, &mut spots)?;
        run.decide()?;
    }
    run.settle()
}

/// Gathers deferred places that lie close together into spots, and works on each.
struct Spots<'s, 'r> {
    run: &'s mut Run<'r>,
    class: Option<Class>,
    kind: Kind,
    suspects: Suspects,
    round: Round,
    places: Vec<Extent>,
    announced: bool,
}

impl Spots<'_, '_> {
    fn add(&mut self, place: Extent) -> Result<(), Halt> {
        let is_full = self.places.len() == MOST_PLACES;
        match self.places.last_mut() {
            // A piece of the plan may end in the middle of what the store has as one place.
            Some(last) if last.end() == place.start.0 => {
                *last = Extent::between(last.start.0, place.end());
                return Ok(());
            }
            Some(last) if is_full || place.start.0 - last.end() > JOIN => self.work()?,
            _ => {}
        }
        self.places.push(place);
        Ok(())
    }

    fn work(&mut self) -> Result<(), Halt> {
        if self.places.is_empty() {
            return Ok(());
        }
        if !std::mem::replace(&mut self.announced, true) {
            self.run.announce_round(self.class, self.round);
        }
        let ladder = Ladder::new(self.run.options().request_bytes, self.run.unit());
        let spot = std::mem::take(&mut self.places);
        let retries = self.run.options().retries;
        match self.round {
            Round::Edges => edges::trim(self.run, &ladder, spot),
            Round::Sectors => sectors::every_sector(self.run, &ladder, &spot, retries == 0),
            Round::Retry { number } => sectors::retry(self.run, &ladder, &spot, number, number == retries),
        }
    }
}

impl Follower for Spots<'_, '_> {
    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt> {
        if kind != self.kind {
            return Ok(());
        }
        let skips = self.run.store().skips(extent).into_iter();
        let wanted = skips.filter(|(_, why)| (*why == Skip::Suspect) == (self.suspects == Suspects::Alone));
        wanted.map(|(place, _)| place).collect::<Vec<_>>().into_iter().try_for_each(|place| self.add(place))
    }

    fn end(&mut self) -> Result<(), Halt> {
        self.work()
    }
}
