//! Patterns that agree with what is known: many of them, for what is not certain yet.

use super::pattern::Pattern;
use crate::base::chance::Chances;
use crate::drive::heads::evidence::Evidence;
use crate::drive::model::to_f64;

/// Patterns in an ensemble.
const MEMBERS: usize = 48;
/// A member so much worse than the best is dropped.
const HOPELESS: f64 = 6.0;
/// Tries to make a member's bands shorter, and by what share at most.
const LOOSENINGS: usize = 8;
const MOST_CUT: f64 = 0.35;

/// What is known of lengths before anything of a zone is.
#[derive(Clone, Copy, Debug)]
pub(in crate::drive::heads) struct Prior {
    /// The lengths to be expected.
    pub(in crate::drive::heads) lengths: Pattern,
    /// Standard deviation of the logarithm of the factor that all lengths share.
    pub(in crate::drive::heads) common: f64,
    /// And of each length by itself.
    pub(in crate::drive::heads) each: f64,
}

impl Prior {
    /// Minus the logarithm of a pattern's density, but for a constant.
    fn cost(&self, pattern: &Pattern) -> f64 {
        let common = (pattern.cycle() / self.lengths.cycle()).ln();
        let off = |is: f64, should: f64| (((is / should).ln() - common) / self.each).powi(2);
        let with = |lengths: Pattern| {
            let gaps: f64 = (0..2).map(|turn| off(pattern.good[turn], lengths.good[turn])).sum();
            0.5 * ((common / self.common).powi(2) + off(pattern.bad, lengths.bad) + gaps)
        };
        with(self.lengths).min(with(self.lengths.swapped()))
    }
}

/// Patterns with what each costs. Together they stand for what is known: each is as likely as the next.
#[derive(Clone, Debug)]
pub(in crate::drive::heads) struct Ensemble {
    members: Vec<Pattern>,
    costs: Vec<f64>,
    prior: Option<Prior>,
}

impl Ensemble {
    /// Chooses out of proposals, drawn as the prior has them, by how well they agree with what is known of a range. `None`
    /// without a possible proposal.
    pub(in crate::drive::heads) fn chosen(
        proposals: Vec<Pattern>,
        prior: Option<Prior>,
        evidence: &Evidence,
        range: (f64, f64),
        chances: &mut Chances,
    ) -> Option<Ensemble> {
        let cost = |pattern: Pattern| (pattern, evidence.cost(Some(&pattern), range));
        let scored: Vec<(Pattern, f64)> = proposals.into_iter().filter(Pattern::is_possible).map(cost).collect();
        let least = scored.iter().map(|(_, cost)| *cost).min_by(f64::total_cmp)?;
        let weight = |cost: f64| (least - cost).exp();
        let step = scored.iter().map(|(_, cost)| weight(*cost)).sum::<f64>() / to_f64(MEMBERS as u64);
        let (mut next, mut sum) = (chances.share() * step, 0.0);
        let mut members = Vec::with_capacity(MEMBERS);
        for (pattern, cost) in scored {
            sum += weight(cost);
            while next < sum && members.len() < MEMBERS {
                members.push(pattern);
                next += step;
            }
        }
        let costs = vec![0.0; members.len()];
        let mut ensemble = Ensemble { members, costs, prior };
        ensemble.refine(evidence, range, 8, chances);
        Some(ensemble)
    }

    /// Brings the members up to what is known of a range: a Markov chain with steps along differences of members, which
    /// have the scale and the direction of what is still open (differential evolution; ter Braak, 2006, from memory).
    pub(in crate::drive::heads) fn refine(
        &mut self,
        evidence: &Evidence,
        range: (f64, f64),
        sweeps: u32,
        chances: &mut Chances,
    ) {
        let prior = self.prior;
        let cost_of = |pattern: &Pattern| {
            evidence.cost(Some(pattern), range) + prior.as_ref().map_or(0.0, |prior| prior.cost(pattern))
        };
        self.costs = self.members.iter().map(cost_of).collect();
        self.drop_hopeless(chances);
        for sweep in 0..sweeps {
            for index in 0..self.members.len() {
                let [from, to] = [0; 2].map(|_| self.members[chances.index(self.members.len())]);
                let factor = if sweep % 4 == 3 { 1.0 } else { 0.3 + 0.7 * chances.share() };
                let proposal = self.members[index].stepped(&from, &to, factor).shaken(range, chances);
                if !proposal.is_possible() {
                    continue;
                }
                let cost = cost_of(&proposal);
                if chances.share() < (self.costs[index] - cost).exp() {
                    (self.members[index], self.costs[index]) = (proposal, cost);
                }
            }
        }
    }

    /// From now on lengths far from the best member's are unlikely: `spread` is the deviation of their logarithm.
    pub(in crate::drive::heads) fn keep_near(&mut self, spread: f64) {
        let lengths = self.best().0.with_shorter_bands(spread);
        self.prior = Some(Prior { lengths, common: spread, each: spread });
    }

    /// Makes the bands of each member shorter as far as what is known allows, by chance: nothing is read where all members see a
    /// band, so that one which is too long would never be found out.
    pub(in crate::drive::heads) fn loosen(&mut self, evidence: &Evidence, range: (f64, f64), chances: &mut Chances) {
        for (member, cost) in self.members.iter_mut().zip(&mut self.costs) {
            for _ in 0..LOOSENINGS {
                let cut = member.bad * MOST_CUT * chances.share();
                let start = if chances.below(2) == 0 { member.start + cut } else { member.start };
                let shorter = Pattern { start, bad: member.bad - cut, good: member.good.map(|good| good + cut) };
                let new = evidence.cost(Some(&shorter), range);
                if shorter.is_possible() && new <= *cost + 0.5 {
                    (*member, *cost) = (shorter, new);
                    break;
                }
            }
        }
    }

    /// The deviation of the logarithm of the bands' length.
    pub(in crate::drive::heads) fn spread(&self) -> f64 {
        let logs: Vec<f64> = self.members.iter().map(|member| member.bad.ln()).collect();
        let mean = logs.iter().sum::<f64>() / to_f64(logs.len() as u64);
        (logs.iter().map(|log| (log - mean).powi(2)).sum::<f64>() / to_f64(logs.len() as u64)).sqrt()
    }

    fn drop_hopeless(&mut self, chances: &mut Chances) {
        let limit = self.best().1 + HOPELESS;
        let good: Vec<usize> = (0..self.costs.len()).filter(|index| self.costs[*index] <= limit).collect();
        for index in 0..self.costs.len() {
            if self.costs[index] > limit {
                let other = good[chances.index(good.len())];
                (self.members[index], self.costs[index]) = (self.members[other], self.costs[other]);
            }
        }
    }

    /// The best member and what it costs.
    pub(in crate::drive::heads) fn best(&self) -> (Pattern, f64) {
        let pairs = self.members.iter().copied().zip(self.costs.iter().copied());
        pairs.min_by(|a, b| a.1.total_cmp(&b.1)).expect("an ensemble has members")
    }

    pub(in crate::drive::heads) fn members(&self) -> &[Pattern] {
        &self.members
    }

    /// The chance that a band overlaps a cell.
    pub(in crate::drive::heads) fn risk(&self, cell: f64) -> f64 {
        let meeting = self.members.iter().filter(|pattern| pattern.meets(cell)).count();
        to_f64(meeting as u64) / to_f64(self.members.len() as u64)
    }

    /// The first cell behind one where the risk may be another.
    pub(in crate::drive::heads) fn next_change(&self, cell: f64) -> f64 {
        self.members.iter().map(|pattern| pattern.next_change(cell)).fold(f64::INFINITY, f64::min)
    }
}
