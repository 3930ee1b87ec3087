//! How strong the evidence of bands is, over the whole drive.

use super::Evidence;
use super::cells::Cells;
use super::headless;
use crate::drive::heads::bands::rezone::NEW_ZONE;
use crate::drive::heads::bands::zones::Zones;
use crate::drive::model::to_f64;

/// How strong the evidence of bands of heads is.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct HeadEvidence {
    /// The logarithm of how many times as likely all that was read is with the bands as without heads.
    pub log_ratio: f64,
    /// The difference in the Bayesian information criterion: twice that, less what the numbers cost that were fitted. Above
    /// 10 is very strong (Kass and Raftery 1995, from memory).
    pub bic: f64,
    /// Bands in which something was bad.
    pub bands: u64,
}

/// What was weighed.
#[derive(Debug, Default)]
pub(in crate::drive::heads) struct Weighed {
    pub(in crate::drive::heads) evidence: HeadEvidence,
    /// The bad cells that bands explain: zone by zone from the first to behind the last.
    pub(in crate::drive::heads) hits: Vec<(usize, usize)>,
    /// What each zone adds to the criterion.
    pub(in crate::drive::heads) gains: Vec<f64>,
}

/// Weighs the bands in each zone against no heads.
///
/// The first zone's numbers cost what the criterion says. Those of the others follow from it but for the phase and the
/// zone's place; these cost [`NEW_ZONE`].
pub(in crate::drive::heads) fn weigh(zones: &Zones, cells: &Cells) -> Weighed {
    let mut all = Weighed::default();
    let mut first_zone: f64 = 0.0;
    for (index, zone) in zones.list.iter().enumerate() {
        all.gains.push(if index == 0 { 0.0 } else { -2.0 * NEW_ZONE });
        let Some(pattern) = zone.best() else { continue };
        let runs = zones.runs(index, cells);
        let Some((from, to)) = runs.first().zip(runs.last()).map(|(first, last)| (first.start, last.end)) else {
            continue;
        };
        let evidence = Evidence::of_runs(&runs, from, to);
        let ratio = -evidence.cost(Some(&pattern), evidence.range()) - headless::log_chance(&runs);
        all.evidence.log_ratio += ratio;
        all.gains[index] += 2.0 * ratio;
        first_zone = first_zone.max(pattern.parameters() * f64::from(evidence.known().max(1)).ln());
        let mut last = f64::NEG_INFINITY;
        let mut own: Option<(usize, usize)> = None;
        for run in runs.iter().filter(|run| run.bad) {
            let mut bands = pattern.bands(to_f64(run.start as u64), to_f64(run.end as u64));
            let Some((start, _)) = bands.next() else { continue };
            all.evidence.bands += u64::from(start > last);
            last = start;
            own = Some((own.map_or(run.start, |own| own.0), run.end));
        }
        all.hits.extend(own);
    }
    all.evidence.bic = all.gains.iter().sum::<f64>() - first_zone;
    all
}
