//! Where zones begin and end, looked at anew around a surprise.

use super::ensemble::{Ensemble, Prior};
use super::pattern::Pattern;
use super::zones::{Zone, Zones};
use crate::base::chance::Chances;
use crate::drive::heads::evidence::cells::Cells;
use crate::drive::heads::evidence::{Evidence, index};
use crate::drive::model::to_f64;

/// What the beginning of another zone costs: its few numbers have to be found out.
pub(in crate::drive::heads) const NEW_ZONE: f64 = 8.0;
/// And what it costs on the way through all parts: less than one failure that nothing explains, because waiting for the next one
/// costs a failure. The whole drive's criterion decides whether it stays.
const TRY_ZONE: f64 = 4.0;
/// Cycles to both sides of the surprise that are looked at.
const CYCLES: f64 = 200.0;
/// And those to which a new zone is fitted at first.
const NEAR: f64 = 4.0;
/// Parts of a cycle between which zones may change.
const PARTS: f64 = 8.0;
/// Proposals for a new zone.
const PROPOSALS: usize = 1500;
/// What lengths do from zone to zone: the deviation of the common factor from that of the tracks' mean, which halves over
/// the drive, near by and for each doubling beyond; and of each head's by itself. Common practice, no source.
const COMMON: f64 = 0.02;
const FARTHER: f64 = 0.3;
const EACH: f64 = 0.005;
/// Where the reference itself is not certain, its own deviation, up to this one.
const MOST_EACH: f64 = 0.1;
/// Of lengths whose gaps were found to differ.
const UNEVEN: f64 = 0.05;
/// By so much gaps that differ must explain a zone better: the order of heads is the same over the whole drive.
const MUCH_BETTER: f64 = 2.0 * NEW_ZONE;

struct BandCandidate {
    number: u32,
    bands: Option<Ensemble>,
    best: Option<Pattern>,
}

/// Lays zones out anew around a cell that the present ones do not explain: with the present ones, with a place without
/// bands, and with new ones that are fitted to the neighbourhood, with lengths as in the zone `reference`. The cells over which anything changed.
pub(in crate::drive::heads) fn rezone(
    zones: &mut Zones,
    reference: usize,
    cells: &Cells,
    (cell, bad): (usize, bool),
    chances: &mut Chances,
) -> Option<(usize, usize)> {
    let bands = zones.list[reference].bands.as_ref()?;
    let (lengths, each) = (bands.best().0, bands.spread().clamp(EACH, MOST_EACH));
    let cycle = lengths.cycle();
    let at = to_f64(cell as u64);
    let own = zones.index(cell);
    let from = index((at - CYCLES * cycle).max(0.0));
    // Behind what was read together the last zone goes on, whatever it is.
    let is_last = own + 1 == zones.list.len() && zones.list[own].known.1 > cell;
    let frontier = if is_last { zones.list[own].known.1 } else { cells.end() };
    let to = index(at + CYCLES * cycle).min(frontier);
    let evidence = Evidence::of(cells, from, to);
    let known = zones.list[reference].known;
    let scale = |cell: f64| 1.0 - 0.5 * cell / to_f64(cells.count() as u64);
    let ratio = scale(at) / scale(to_f64((known.0 + known.1) as u64 / 2));
    let common = COMMON + FARTHER * (1.0 - ratio).abs();
    let prior = Prior { lengths: lengths.with_shorter_bands(each / 2.0).scaled(0.0, ratio), common, each };
    let surprise = Surprise { cell, bad, cells, evidence: &evidence, prior, cycle };
    let candidates = surprise.candidates(zones, (from, to), chances);

    let state = |cell: usize| candidates.iter().position(|c| c.number == zones.list[zones.index(cell)].number);
    let ends = (state(from), if to < frontier { state(to) } else { None });
    let path = best_path(&candidates, &evidence, (cycle / PARTS).max(1.0), ends);
    // The new candidates come last, each with the next number.
    let mut number = candidates.last().map_or(zones.last_number, |candidate| candidate.number);
    let list = laid_out(zones, &candidates, &path, (from, to), to < frontier, &mut number);
    zones.last_number = number;
    let shape = |list: &[Zone]| list.iter().map(|zone| (zone.number, zone.from)).collect::<Vec<_>>();
    if shape(&list) == shape(&zones.list) {
        return None;
    }
    zones.list = list;
    Some((from, to))
}

/// A cell that the present zones do not explain, with what is known around it.
struct Surprise<'s> {
    cell: usize,
    bad: bool,
    cells: &'s Cells,
    evidence: &'s Evidence,
    prior: Prior,
    cycle: f64,
}

impl Surprise<'_> {
    /// What may rule in a range around it: the present zones, none, and then new ones.
    fn candidates(&self, zones: &Zones, (from, to): (usize, usize), chances: &mut Chances) -> Vec<BandCandidate> {
        let (first, last) = (zones.index(from), zones.index(to.max(1) - 1));
        let mut candidates: Vec<BandCandidate> = zones.list[first..=last]
            .iter()
            .map(|zone| BandCandidate { number: zone.number, bands: zone.bands.clone(), best: zone.best() })
            .collect();
        let own = zones.index(self.cell);
        let mut new = vec![None];
        for range in self.ranges(zones.list[own].best()) {
            let proposals = proposals(&self.prior, to_f64(self.cell as u64), self.bad, chances);
            new.extend(Ensemble::chosen(proposals, Some(self.prior), self.evidence, range, chances).map(Some));
        }
        let range = zones.range(own, self.cells.end());
        new.extend(uneven(&zones.list[own], self.evidence, range, chances).map(Some));
        candidates.extend(new.into_iter().zip(zones.last_number + 1..).map(|(bands, number)| {
            let best = bands.as_ref().map(|bands| bands.best().0);
            BandCandidate { number, bands, best }
        }));
        candidates
    }

    /// Where a new zone is fitted. It may have begun behind the last band before the surprise, or end before the next one
    /// behind it.
    fn ranges(&self, present: Option<Pattern>) -> [(f64, f64); 2] {
        let (at, cycle) = (to_f64(self.cell as u64), self.cycle);
        let behind =
            present.and_then(|p| p.bands(at - 1.5 * p.cycle(), at).map(|band| band.1).filter(|end| *end <= at).last());
        let before =
            present.and_then(|p| p.bands(at, at + 1.5 * p.cycle()).map(|band| band.0).find(|start| *start > at));
        let (low, high) = self.evidence.range();
        [
            (behind.unwrap_or(at - cycle / 4.0).ceil(), at + NEAR * cycle),
            (at - NEAR * cycle, before.unwrap_or(at + cycle / 4.0).floor()),
        ]
        .map(|(from, to)| (from.max(low), to.min(high)))
    }
}

/// Patterns as they may be around a cell: one band holds it when it is bad.
fn proposals(prior: &Prior, at: f64, bad: bool, chances: &mut Chances) -> Vec<Pattern> {
    let mut one = || {
        let lengths = prior.lengths.with_shorter_bands(chances.normal() * prior.each);
        let lengths = lengths.scaled(0.0, (chances.normal() * prior.common).exp());
        let lengths = if chances.below(2) == 0 { lengths } else { lengths.swapped() };
        let start = match (bad, chances.below(2)) {
            // The edge is often where something fails first.
            (true, 0) => at + 1.0 - 2.0 * chances.share(),
            (true, _) => at + 1.0 - (lengths.bad + 1.0) * chances.share(),
            (false, _) => at - lengths.cycle() * chances.share(),
        };
        Pattern { start, ..lengths }
    };
    (0..PROPOSALS).map(|_| one()).collect()
}

/// The zone's bands with gaps that differ, if it has one gap only.
fn uneven(zone: &Zone, evidence: &Evidence, range: (usize, usize), chances: &mut Chances) -> Option<Ensemble> {
    let bands = zone.bands.as_ref().filter(|bands| bands.best().0.is_even())?;
    let mut apart = |pattern: &Pattern| {
        let by = (chances.share() - 0.5) * 0.6 * pattern.bad;
        // The middle of each pair of bands stays.
        Pattern { start: pattern.start - by / 2.0, good: [pattern.good[0] + by, pattern.good[1] - by], ..*pattern }
    };
    let proposals: Vec<Pattern> =
        (0..8).flat_map(|_| bands.members().iter().map(&mut apart).collect::<Vec<_>>()).collect();
    let range = (to_f64(range.0 as u64), to_f64(range.1 as u64));
    let mut ensemble = Ensemble::chosen(proposals, None, evidence, range, chances)?;
    let improves = evidence.cost(Some(&bands.best().0), range) - ensemble.best().1;
    ensemble.keep_near(UNEVEN);
    (improves > MUCH_BETTER).then_some(ensemble)
}

/// For each part of the evidence's range the candidate that rules there: the cheapest way through all of them (dynamic
/// programming over the parts). Parts with the cell behind them.
fn best_path(
    candidates: &[BandCandidate],
    evidence: &Evidence,
    part: f64,
    ends: (Option<usize>, Option<usize>),
) -> Vec<(usize, usize)> {
    let (from, to) = evidence.range();
    let away = |state: Option<usize>, candidate: usize| match state {
        Some(state) if state != candidate => TRY_ZONE,
        _ => 0.0,
    };
    let mut sums: Vec<f64> = (0..candidates.len()).map(|candidate| away(ends.0, candidate)).collect();
    let mut steps: Vec<(usize, Vec<usize>)> = Vec::new();
    let mut at = from;
    while at < to {
        let next = (at + part).floor().min(to);
        let best = (0..sums.len()).min_by(|a, b| sums[*a].total_cmp(&sums[*b])).expect("candidates");
        let enter = sums[best] + TRY_ZONE;
        let came: Vec<usize> = (0..sums.len()).map(|own| if sums[own] <= enter { own } else { best }).collect();
        for (own, candidate) in candidates.iter().enumerate() {
            sums[own] = sums[own].min(enter) + evidence.cost(candidate.best.as_ref(), (at, next));
        }
        steps.push((index(next), came));
        at = next;
    }
    let last = |candidate: &usize| sums[*candidate] + away(ends.1, *candidate);
    let mut own = (0..sums.len()).min_by(|a, b| last(a).total_cmp(&last(b))).expect("candidates");
    let mut path = Vec::with_capacity(steps.len());
    for (end, came) in steps.into_iter().rev() {
        path.push((end, own));
        own = came[own];
    }
    path.reverse();
    path
}

/// The zones with those in a range replaced by what `path` says. `goes_on` when anything is known behind the range.
fn laid_out(
    zones: &Zones,
    candidates: &[BandCandidate],
    path: &[(usize, usize)],
    (from, to): (usize, usize),
    goes_on: bool,
    number: &mut u32,
) -> Vec<Zone> {
    let mut list: Vec<Zone> = Vec::new();
    // What rules in two places with another zone between is two zones from now on.
    let mut last = None;
    let mut push = |zone: Zone| {
        if last.replace(zone.number) == Some(zone.number) {
            return;
        }
        let known_before = list.iter().any(|other| other.number == zone.number);
        *number += u32::from(known_before);
        list.push(Zone { number: if known_before { *number } else { zone.number }, ..zone });
    };
    zones.list.iter().filter(|zone| zone.from < from).for_each(|zone| push(zone.clone()));
    let mut at = from;
    for (until, candidate) in path {
        let BandCandidate { number, bands, .. } = &candidates[*candidate];
        let old = zones.list.iter().find(|zone| zone.number == *number);
        let known = old.map_or((at, *until), |zone| zone.known);
        push(Zone { number: *number, from: at, bands: bands.clone(), known });
        at = *until;
    }
    let behind = if goes_on { &zones.list[zones.index(to)..] } else { &[] };
    behind.iter().for_each(|zone| push(Zone { from: zone.from.max(to), ..zone.clone() }));
    if let Some(first) = list.first_mut() {
        first.from = 0;
    }
    list
}
