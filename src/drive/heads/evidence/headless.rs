//! What is known, if heads had nothing to do with it: the hypothesis to be beaten.

use super::cells::Run;
use crate::drive::model::to_f64;

/// The logarithm of the chance of the runs, if along the drive good turns bad and bad turns good at constant rates:
/// damage of any extent, anywhere, with neighbours that share it. Of some pairs of rates around the seen ones, the best.
pub(in crate::drive::heads) fn log_chance(runs: &[Run]) -> f64 {
    let mut cells = [0.5, 0.5];
    let mut turns = [0.5, 0.5];
    for run in runs {
        cells[usize::from(run.bad)] += to_f64((run.end - run.start) as u64);
    }
    for pair in runs.windows(2) {
        let gap = to_f64((pair[1].start - pair[0].end) as u64);
        pair.iter().for_each(|run| cells[usize::from(run.bad)] += gap / 2.0);
        if pair[0].bad != pair[1].bad {
            turns[usize::from(pair[0].bad)] += 1.0;
        }
    }
    const FACTORS: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];
    let pairs = FACTORS.iter().flat_map(|first| FACTORS.map(|second| [*first, second]));
    let chance = |factors: [f64; 2]| with_rates(runs, [0, 1].map(|kind| turns[kind] / cells[kind] * factors[kind]));
    pairs.map(chance).fold(f64::NEG_INFINITY, f64::max)
}

/// With rates to bad and to good per cell: a Markov chain in two states, seen only where something was read.
fn with_rates(runs: &[Run], [to_bad, to_good]: [f64; 2]) -> f64 {
    let sum = to_bad + to_good;
    let bad_share = to_bad / sum;
    let mut log = 0.0;
    let mut before: Option<&Run> = None;
    for run in runs {
        let is_bad = before.map_or(bad_share, |before| {
            let distance = to_f64((run.start - before.end + 1) as u64);
            let kept = (-sum * distance).exp();
            if before.bad { bad_share + (1.0 - bad_share) * kept } else { bad_share * (1.0 - kept) }
        });
        let inside = to_f64((run.end - run.start - 1) as u64) * if run.bad { to_good } else { to_bad };
        log += if run.bad { is_bad } else { 1.0 - is_bad }.max(f64::MIN_POSITIVE).ln() - inside;
        before = Some(run);
    }
    log
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the two-state chain by hand. Rates 0.1 and 0.3: a quarter is bad in the long run; one cell on, good is bad
    // with 0.25 (1 - e^-0.4) = 0.08242, four cells on with 0.25 (1 - e^-1.6) = 0.19953.
    #[test]
    fn chances_by_hand() {
        let run = |start, end, bad| Run { start, end, bad };
        let log = with_rates(&[run(0, 3, false), run(3, 4, true), run(7, 8, true)], [0.1, 0.3]);
        let expected = 0.75f64.ln() - 0.2 + 0.08242f64.ln() + (0.25 + 0.75 * (-1.6f64).exp()).ln();
        assert!((log - expected).abs() < 1e-4, "{log} {expected}");
    }
}
