//! Finds the map of a bad head. `band_finder` looks for its bands, on two scales; the one that explains more of what was read is used.

use super::band_finder::BandFinder;
use super::evidence::cells::{BAD, READ, Scale, UNTIMED};
use super::evidence::slowness::Slowness;
use super::evidence::weigh::HeadEvidence;
use crate::base::extent::Extent;
use crate::source::{CopyStore, Skip};
use std::time::Duration;

/// A read of the drive, as it turned out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Observed {
    /// What was read: one request.
    pub extent: Extent,
    /// Whether it failed.
    pub failed: bool,
    /// Whether the caller knows that it was slow. A finder judges that by itself too, from `took`.
    pub slow: bool,
    /// How long it took; zero when not known.
    pub took: Duration,
}

/// What a store lists at once, so that a list stays short.
const WINDOW: u64 = 256 << 20;

/// By so much of the criterion shrinking bands have to explain more than zones with even ones: above 10 is very strong (Kass and
/// Raftery 1995, from memory).
const SHRINKING_BY: f64 = 10.0;

/// Shrinking bands are no longer looked for when even ones explain so much more (a choice, no source).
const HOPELESS_BY: f64 = 30.0;
const HOPELESS_TIMES: f64 = 2.0;

/// A drive with so many cycles has several in each zone: drives have some 10 to 30 zones (common practice, no source).
const FEW_CYCLES: f64 = 200.0;

/// From so many slow reads on, and one for so many failures, a head may read slowly.
const FEWEST_SLOW: u64 = 16;
const SLOW_PER_FAILURES: u64 = 8;

/// Finds out from reads whether failures or slowness come in the bands of one head.
pub struct HeadFinder {
    even: BandFinder,
    /// Dropped when zones are long.
    shrinking: Option<BandFinder>,
    slowness: Slowness,
    slow: u64,
    failed: u64,
}

impl HeadFinder {
    /// For a drive of so many bytes of which nothing was read yet.
    pub fn new(drive_bytes: u64) -> HeadFinder {
        let [even, shrinking] = [Scale::Even, Scale::Shrinking].map(|scale| BandFinder::new(drive_bytes, scale));
        HeadFinder { even, shrinking: Some(shrinking), slowness: Slowness::new(drive_bytes), slow: 0, failed: 0 }
    }

    /// From what earlier reads of a drive of so many bytes left in a store: what is held was read, what failed was tried. What
    /// was only skipped tells nothing. No times are known, so a head that only reads slowly is not found.
    pub fn of_store(drive_bytes: u64, store: &dyn CopyStore) -> HeadFinder {
        let mut finder = HeadFinder::new(drive_bytes);
        for window in Extent::between(0, drive_bytes).pieces(WINDOW.max(drive_bytes >> 20)) {
            let mut reads: Vec<(Extent, bool)> = store.held(window).into_iter().map(|extent| (extent, false)).collect();
            reads.extend(store.unreadable(window).into_iter().map(|extent| (extent, true)));
            let skips = store.skips(window).into_iter();
            reads.extend(skips.filter(|(_, why)| *why == Skip::Failed).map(|(extent, _)| (extent, true)));
            reads.sort_unstable();
            for (extent, failed) in reads {
                finder.observe(&Observed { extent, failed, slow: false, took: Duration::ZERO });
            }
        }
        finder
    }

    /// Takes a read into account. Most reads cost less than a microsecond; one that is a surprise costs milliseconds.
    pub fn observe(&mut self, read: &Observed) {
        let weighings = self.weighings();
        let what = self.classify(read);
        self.on_each_scale().for_each(|bands| bands.observe(read.extent, what));
        if self.weighings() == weighings {
            return;
        }
        if let Some(shrinking) = &mut self.shrinking {
            // The one that explains all without a surprise has not looked at its evidence since.
            shrinking.weigh();
            self.even.weigh();
            if self.even.is_whole_head() && !may_shrink(&self.even, shrinking) {
                self.shrinking = None;
            }
        }
    }

    fn on_each_scale(&mut self) -> impl Iterator<Item = &mut BandFinder> {
        std::iter::once(&mut self.even).chain(&mut self.shrinking)
    }

    fn classify(&mut self, read: &Observed) -> u8 {
        if read.failed {
            self.failed += 1;
            self.slowness.interrupt();
            return BAD;
        }
        let judged = self.slowness.was_slow(read.extent, read.took);
        if read.slow || judged == Some(true) {
            self.slow += 1;
            if self.slow >= FEWEST_SLOW && self.slow * SLOW_PER_FAILURES >= self.failed {
                self.on_each_scale().for_each(|bands| bands.cells.let_speed_matter());
            }
            return BAD;
        }
        if judged.is_some() { READ } else { UNTIMED }
    }

    fn weighings(&self) -> u64 {
        self.even.weighings + self.shrinking.as_ref().map_or(0, |shrinking| shrinking.weighings)
    }

    /// The evidence of bands; all zero when there is none.
    pub fn evidence(&self) -> HeadEvidence {
        self.map().map_or_else(HeadEvidence::default, |map| map.evidence())
    }

    /// The one whose bands explain more.
    pub(super) fn better(&self) -> &BandFinder {
        let is_better = |shrinking: &&BandFinder| {
            let is_short = shrinking.cycles().is_some_and(|cycles| cycles < FEW_CYCLES);
            is_short && bic(shrinking) > bic(&self.even) + SHRINKING_BY
        };
        self.shrinking.as_ref().filter(is_better).unwrap_or(&self.even)
    }
}

/// Whether shrinking bands may still be the better ones. Where they are not they surprise without end, and each surprise takes
/// milliseconds.
fn may_shrink(even: &BandFinder, shrinking: &BandFinder) -> bool {
    let are_few = even.cycles().is_none_or(|cycles| cycles < FEW_CYCLES);
    are_few && bic(even) <= HOPELESS_BY + HOPELESS_TIMES * bic(shrinking)
}

fn bic(finder: &BandFinder) -> f64 {
    finder.weighed.evidence.bic
}
