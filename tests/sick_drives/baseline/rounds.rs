//! The rounds over what was skipped: from the edges inward, sector by sector, once more.

use super::pieces::{self, Follower, Kind};
use super::{Answer, Halt, RETRIES, Run};
use gleaner::base::extent::Extent;
use gleaner::plan::Plan;
use gleaner::survey::allocation::Class;
use std::collections::VecDeque;

const JOIN: u64 = 1 << 20;
const MOST_PLACES: usize = 4096;

#[derive(Clone, Copy)]
enum Round {
    Edges,
    Sectors,
    Retry { number: u32 },
}

pub(super) fn rounds(plan: &Plan, run: &mut Run<'_, '_>, class: Option<Class>, kind: Kind) -> Result<(), Halt> {
    let retries = (1..=RETRIES).map(|number| Round::Retry { number });
    for round in [Round::Edges, Round::Sectors].into_iter().chain(retries) {
        let mut spots = Spots { run: &mut *run, kind, round, places: Vec::new() };
        pieces::follow(plan, class, &mut spots)?;
    }
    Ok(())
}

struct Spots<'s, 'r, 'b> {
    run: &'s mut Run<'r, 'b>,
    kind: Kind,
    round: Round,
    places: Vec<Extent>,
}

impl Spots<'_, '_, '_> {
    fn add(&mut self, place: Extent) -> Result<(), Halt> {
        let is_full = self.places.len() == MOST_PLACES;
        match self.places.last_mut() {
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
        let ladder = Ladder::new(self.run.request_bytes(), self.run.unit);
        let spot = std::mem::take(&mut self.places);
        match self.round {
            Round::Edges => trim(self.run, &ladder, spot),
            Round::Sectors => every_sector(self.run, &ladder, &spot),
            Round::Retry { number } => retry(self.run, &ladder, &spot, number == RETRIES),
        }
    }
}

impl Follower for Spots<'_, '_, '_> {
    fn piece(&mut self, extent: Extent, kind: Kind) -> Result<(), Halt> {
        if kind != self.kind {
            return Ok(());
        }
        self.run.store().skipped(extent).into_iter().try_for_each(|place| self.add(place))
    }

    fn end(&mut self) -> Result<(), Halt> {
        self.work()
    }
}

/// From the start on until a sector fails, then from the end backward until one fails.
fn trim(run: &mut Run<'_, '_>, ladder: &Ladder, spot: Vec<Extent>) -> Result<(), Halt> {
    let mut spot = VecDeque::from(spot);
    let mut rung = spot.front().map_or_else(|| ladder.top(), |first| ladder.below(*first));
    while let Some(place) = spot.pop_front() {
        let request = ladder.head(&rung, place);
        let behind = Extent::between(request.end(), place.end());
        match run.attempt(request)? {
            Answer::Arrived => ladder.arrived(&mut rung, request),
            Answer::Failed if ladder.is_single(request) => {
                put_front(&mut spot, behind);
                break;
            }
            Answer::Failed => {
                ladder.failed(&mut rung, request);
                spot.push_front(place);
                continue;
            }
        }
        put_front(&mut spot, behind);
    }
    let mut rung = ladder.top();
    while let Some(place) = spot.pop_back() {
        let request = ladder.tail(&rung, place);
        match run.attempt(request)? {
            Answer::Arrived => {
                ladder.arrived(&mut rung, request);
                let before = Extent::between(place.start.0, request.start.0);
                if !before.is_empty() {
                    spot.push_back(before);
                }
            }
            Answer::Failed if ladder.is_single(request) => return Ok(()),
            Answer::Failed => {
                ladder.failed(&mut rung, request);
                spot.push_back(place);
            }
        }
    }
    Ok(())
}

fn put_front(spot: &mut VecDeque<Extent>, place: Extent) {
    if !place.is_empty() {
        spot.push_front(place);
    }
}

fn every_sector(run: &mut Run<'_, '_>, ladder: &Ladder, spot: &[Extent]) -> Result<(), Halt> {
    let mut rung = ladder.bottom();
    for place in spot {
        let mut rest = *place;
        while !rest.is_empty() {
            let request = ladder.head(&rung, rest);
            match run.attempt(request)? {
                Answer::Arrived => ladder.arrived(&mut rung, request),
                Answer::Failed if ladder.is_single(request) => rung = ladder.bottom(),
                Answer::Failed => {
                    ladder.failed(&mut rung, request);
                    continue;
                }
            }
            rest = Extent::between(request.end(), rest.end());
        }
    }
    Ok(())
}

fn retry(run: &mut Run<'_, '_>, ladder: &Ladder, spot: &[Extent], last: bool) -> Result<(), Halt> {
    let single = ladder.bottom();
    for place in spot {
        let mut rest = *place;
        while !rest.is_empty() {
            let request = ladder.head(&single, rest);
            if matches!(run.attempt(request)?, Answer::Failed) && last {
                run.give_up(request);
            }
            rest = Extent::between(request.end(), rest.end());
        }
    }
    Ok(())
}

/// Request sizes from the largest to one sector.
struct Ladder {
    sizes: Vec<u64>,
}

struct Rung {
    at: usize,
    streak: u64,
}

impl Ladder {
    fn new(request: u64, unit: u64) -> Ladder {
        let between = [64 << 10, 4 << 10].into_iter().filter(|size| unit < *size && *size < request);
        let sizes = std::iter::once(request).chain(between).chain((unit < request).then_some(unit)).collect();
        Ladder { sizes }
    }

    fn last(&self) -> usize {
        self.sizes.len() - 1
    }

    fn unit(&self) -> u64 {
        self.sizes[self.last()]
    }

    fn top(&self) -> Rung {
        Rung { at: 0, streak: 0 }
    }

    fn bottom(&self) -> Rung {
        Rung { at: self.last(), streak: 0 }
    }

    fn below(&self, place: Extent) -> Rung {
        let at = self.sizes.iter().position(|size| *size < place.bytes).unwrap_or(self.last());
        Rung { at: at.max(1).min(self.last()), streak: 0 }
    }

    fn head(&self, rung: &Rung, place: Extent) -> Extent {
        let size = self.sizes[rung.at];
        Extent::between(place.start.0, place.end().min((place.start.0 / size + 1).saturating_mul(size)))
    }

    fn tail(&self, rung: &Rung, place: Extent) -> Extent {
        let size = self.sizes[rung.at];
        Extent::between(place.start.0.max((place.end() - 1) / size * size), place.end())
    }

    fn is_single(&self, request: Extent) -> bool {
        request.start.0 / self.unit() == (request.end() - 1) / self.unit()
    }

    fn arrived(&self, rung: &mut Rung, request: Extent) {
        rung.streak += request.bytes;
        if rung.at > 0 && rung.streak >= self.sizes[rung.at - 1] {
            *rung = Rung { at: rung.at - 1, streak: 0 };
        }
    }

    fn failed(&self, rung: &mut Rung, request: Extent) {
        let smaller = self.sizes.iter().position(|size| *size < request.bytes).unwrap_or(self.last());
        *rung = Rung { at: smaller.max(rung.at + 1).min(self.last()), streak: 0 };
    }
}
