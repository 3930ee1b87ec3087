//! How much trouble the reading of structure may cost a drive, and when a bad range is left.
//!
//! A failed read costs a sick drive 7 to 120 s, and wear; the drive may die in it. What the structure says can be read later,
//! by copying, which reads first what answers. So structure is read as far as it comes easily, and the few failures allowed
//! go where a read is worth most. `docs/coherence.md` has the figures.

use crate::base::extent::Extent;
use serde::Serialize;
use std::time::Duration;

/// How many failures, and how much time in them, one reading of the structure may cost.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TroubleLimit {
    /// Requests that fail, or take longer than [`TroubleLimit::SLOW`].
    pub failures: u64,
    /// Time in such requests. It counts only after [`TroubleLimit::AT_LEAST`] of them.
    pub time: Duration,
}

impl TroubleLimit {
    /// Failures that are allowed however long they take.
    pub const AT_LEAST: u64 = 4;

    /// A request that takes this long is trouble although its bytes have arrived: the drive was retrying inside. A healthy one
    /// takes milliseconds (common practice, no source).
    pub const SLOW: Duration = Duration::from_secs(2);

    /// From so many failures on a reading spares nothing: no short range is left because of its neighbours.
    pub const PATIENT: u64 = 100;

    /// Failures that are kept for what comes after the structure: whether the drive still answers anywhere.
    const FOR_THE_END: u64 = 3;
}

impl Default for TroubleLimit {
    /// 16 failures or 10 minutes.
    fn default() -> TroubleLimit {
        TroubleLimit { failures: 16, time: Duration::from_secs(600) }
    }
}

/// What a read is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Worth {
    /// One thing on which much depends: a table, a boot sector, the first record.
    Single,
    /// A range of many like things: the next range is worth as much as this one, and may answer.
    Stretch,
}

/// Whether a range is to be requested.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Judgement {
    Ask,
    /// It lies just behind trouble.
    Near,
    /// No more failures are allowed.
    Over,
}

/// Failures that a range leaves over for what comes after it.
const LEFT_BY_A_STRETCH: u64 = 3;

/// The fewest failures a volume may cost, while there are any.
const LEAST_SHARE: u64 = 3;

/// Behind a piece of a range that fails as a whole twice its length is passed over, then twice as much with each failure; at most
/// so much, in bytes, and at most a part of the range: [`STEPS_IN_A_STRETCH`].
const LONGEST_STEP: u64 = 64 << 20;

/// A range is not passed over in fewer steps than this.
const STEPS_IN_A_STRETCH: u64 = 32;

/// Requests do not become shorter than this where a zone is bad, in bytes.
const SHORTEST_REQUEST: u64 = 64 << 10;

/// After so many failures in a row, none farther than [`NEARBY`] from the first, [`SPOT`] bytes on either side of it are passed over,
/// however much depends on them, and twice as much with each further failure: a search that looks for one thing after the other there
/// would find none.
const ROW: u32 = 2;
const SPOT: u64 = 4 << 10;
const NEARBY: u64 = 32 << 10;

/// Each success halves it; below this, in bytes, the trouble is over.
const LEAST_STEP: u64 = 1 << 20;

/// What trouble there was.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Trouble {
    limit: TroubleLimit,
    failures: u64,
    time: Duration,
    /// Failures before what is read at present, and after which it is left.
    floor: u64,
    ceiling: u64,
    /// How much is passed over behind the next failure; 0 while no range has failed as a whole.
    step: u64,
    /// The most that is passed over in the present range.
    longest_step: u64,
    /// Failures before the present range.
    before_stretch: u64,
    /// What is passed over now.
    near: Option<Extent>,
    /// The first of failures in a row, and how many there were: at most as many entries as failures are allowed.
    rows: Vec<(Extent, u32)>,
    /// Whether anything was left because no more failures were allowed.
    left: bool,
}

/// Why a reading of the structure left some of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftOff {
    /// It was stopped.
    Stopped,
    /// It had cost as much trouble as is allowed.
    TroubleLimit,
    /// The drive is not at hand, and when it was read some was left.
    Before,
}

impl Trouble {
    pub(super) fn new(limit: TroubleLimit) -> Trouble {
        Trouble {
            limit,
            failures: 0,
            time: Duration::ZERO,
            floor: 0,
            ceiling: for_structure(limit),
            step: 0,
            longest_step: LONGEST_STEP,
            before_stretch: 0,
            near: None,
            rows: Vec::new(),
            left: false,
        }
    }

    pub(super) fn limit(&self) -> TroubleLimit {
        self.limit
    }

    /// Whether a range is to be requested.
    pub(super) fn may_request(&mut self, extent: Extent, worth: Worth) -> Judgement {
        let leaves = LEFT_BY_A_STRETCH.min(self.ceiling.saturating_sub(self.floor) / 2);
        let stretch_ends =
            worth == Worth::Stretch && self.failures > self.before_stretch && self.failures >= self.ceiling - leaves;
        if stretch_ends || self.is_used_up() {
            self.left = true;
            return Judgement::Over;
        }
        let near = worth == Worth::Stretch && self.near.is_some_and(|near| near.intersection(&extent).is_some());
        if near { Judgement::Near } else { Judgement::Ask }
    }

    /// Whether no single range may be requested any more.
    pub(super) fn is_used_up(&self) -> bool {
        self.failures >= self.ceiling || self.is_too_long()
    }

    /// Whether even the sectors of short ranges are tried one by one.
    pub(super) fn is_patient(&self) -> bool {
        self.limit.failures >= TroubleLimit::PATIENT
    }

    /// Whether one more failure leaves any for what comes after it: looking for the readable parts of one range must not end the
    /// reading of all that answers.
    pub(super) fn may_corner(&self) -> bool {
        self.failures + 1 < self.ceiling
    }

    /// What of `extent` is passed over after failures in a row, the first such part.
    pub(super) fn bad_spot(&self, extent: Extent) -> Option<Extent> {
        let spots = self.rows.iter().filter(|(_, failures)| *failures >= ROW && !self.is_patient());
        let spots = spots.map(|(first, failures)| {
            let (start, reach) = (first.start.0, SPOT << (failures - ROW).min(4));
            Extent::between(start.saturating_sub(reach), start.saturating_add(reach))
        });
        spots.filter_map(|spot| spot.intersection(&extent)).min_by_key(|part| part.start)
    }

    /// Whether nothing more may fail at all.
    pub(super) fn is_over(&self) -> bool {
        self.failures >= self.limit.failures || self.is_too_long()
    }

    /// Whether something was left because no more failures were allowed.
    pub(super) fn has_left(&self) -> bool {
        self.left
    }

    /// Requests that failed or were slow.
    pub(super) fn failures(&self) -> u64 {
        self.failures
    }

    fn is_too_long(&self) -> bool {
        self.failures >= TroubleLimit::AT_LEAST && self.time >= self.limit.time
    }

    /// Whether it is worth while to look for the readable parts of a range that has failed: not in the middle of a bad zone.
    pub(super) fn may_look_closer(&self) -> bool {
        self.step == 0
    }

    /// A request has come back.
    pub(super) fn note(&mut self, extent: Extent, failed: bool, took: Duration) {
        let here = |row: &(Extent, u32)| row.0.start.0.abs_diff(extent.start.0) < NEARBY;
        match self.rows.iter_mut().find(|row| here(row)) {
            // The same once more tells nothing new.
            Some(row) if failed => row.1 += u32::from(extent.intersection(&row.0).is_none()),
            None if failed => self.rows.push((extent, 1)),
            _ => self.rows.retain(|row| !here(row)),
        }
        if failed || took >= TroubleLimit::SLOW {
            self.failures += 1;
            self.time = self.time.saturating_add(took);
        } else {
            self.step /= 2;
            if self.step < LEAST_STEP {
                self.step = 0;
                self.near = None;
            }
        }
    }

    /// A range has failed and no part of it was found readable, or none was looked for: what follows it on the drive is
    /// passed over.
    pub(super) fn leave(&mut self, failed: Extent) {
        if self.is_patient() {
            return;
        }
        self.step = self.step.max(failed.bytes).saturating_mul(2).min(self.longest_step);
        self.near = Some(Extent::between(failed.end(), failed.end().saturating_add(self.step)));
    }

    /// Where a zone is bad, a request for a range is no longer than this, in bytes: a short range is not passed over whole.
    pub(super) fn longest_request(&self) -> Option<u64> {
        (self.step > 0).then(|| (self.longest_step / SHORTEST_REQUEST).max(1) * SHORTEST_REQUEST)
    }

    /// Another range of so many bytes begins: a new chance, wherever it lies.
    pub(super) fn begin_stretch(&mut self, bytes: u64) {
        self.near = None;
        self.before_stretch = self.failures;
        self.longest_step = (bytes / STEPS_IN_A_STRETCH).min(LONGEST_STEP);
    }

    /// What is read next may cost `share` of `of` parts of the failures that are left, and a few at least.
    pub(super) fn share(&mut self, share: u64, of: u64) {
        let left = for_structure(self.limit).saturating_sub(self.failures);
        let part = u128::from(left) * u128::from(share) / u128::from(of.max(1));
        let part =
            u64::try_from(part).unwrap_or(left).max(LEAST_SHARE).min(self.limit.failures.saturating_sub(self.failures));
        (self.floor, self.ceiling) = (self.failures, self.failures + part);
    }

    /// The structure is read; what comes now may have all that is left.
    pub(super) fn end_shares(&mut self) {
        (self.floor, self.ceiling) = (self.failures, self.limit.failures);
    }
}

/// Failures that the structure may cost.
fn for_structure(limit: TroubleLimit) -> u64 {
    limit.failures - TroubleLimit::FOR_THE_END.min(limit.failures / 4)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn extent(mib: u64) -> Extent {
        Extent::between(mib * MIB, (mib + 1) * MIB)
    }

    #[test]
    fn time_ends_it_only_after_four_failures() {
        let mut trouble = Trouble::new(TroubleLimit::default());
        for _ in 0..3 {
            trouble.note(extent(0), true, Duration::from_secs(400));
        }
        assert_eq!(trouble.may_request(extent(0), Worth::Single), Judgement::Ask);
        trouble.note(extent(0), true, Duration::from_secs(1));
        assert_eq!(trouble.may_request(extent(0), Worth::Single), Judgement::Over);
        assert!(trouble.is_over());
    }

    #[test]
    fn a_stretch_leaves_some_and_the_structure_leaves_some() {
        let mut trouble = Trouble::new(TroubleLimit::default());
        let mut failed = 0;
        for worth in [Worth::Stretch, Worth::Single] {
            while trouble.may_request(extent(0), worth) == Judgement::Ask {
                trouble.note(extent(0), true, Duration::from_secs(7));
                failed += 1;
            }
            assert_eq!(failed, if worth == Worth::Stretch { 10 } else { 13 });
        }
        assert!(!trouble.is_over());
        trouble.end_shares();
        assert_eq!(trouble.may_request(extent(0), Worth::Single), Judgement::Ask);
    }

    #[test]
    fn a_small_volume_leaves_the_large_one_its_failures() {
        let mut trouble = Trouble::new(TroubleLimit::default());
        trouble.share(1, 1000);
        let spend = |trouble: &mut Trouble| {
            (0..)
                .take_while(|_| {
                    trouble.may_request(extent(0), Worth::Single) == Judgement::Ask && {
                        trouble.note(extent(0), true, Duration::from_secs(7));
                        true
                    }
                })
                .count()
        };
        assert_eq!(spend(&mut trouble), 3);
        trouble.share(999, 999);
        assert_eq!(spend(&mut trouble), 10);
        // The last has what is kept for the end.
        trouble.share(1, 1);
        assert_eq!(spend(&mut trouble), 3);
        trouble.share(1, 1);
        assert_eq!(spend(&mut trouble), 0);
    }

    #[test]
    fn steps_double_in_a_bad_zone_and_end_behind_it() {
        let mut trouble = Trouble::new(TroubleLimit::default());
        let mut asked = Vec::new();
        // 40 MiB fail; each MiB is a request.
        for at in 0..120 {
            if trouble.may_request(extent(at), Worth::Stretch) != Judgement::Ask {
                continue;
            }
            asked.push(at);
            let failed = at < 40;
            trouble.note(extent(at), failed, Duration::from_millis(7));
            if failed {
                trouble.leave(extent(at));
            }
        }
        assert_eq!(asked[..5], [0, 3, 8, 17, 34]);
        assert_eq!(asked[5..], (67..120).collect::<Vec<u64>>());
        assert!(trouble.may_look_closer());
        // One thing on which much depends is read wherever it lies.
        trouble.leave(extent(0));
        assert_eq!(trouble.may_request(extent(1), Worth::Stretch), Judgement::Near);
        assert_eq!(trouble.may_request(extent(1), Worth::Single), Judgement::Ask);
    }
}
