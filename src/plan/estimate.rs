//! What reading will cost, before any plan is made: the passes played on the drive's model. The survey's table of it:
//! `report::values::costs`.

use super::{Choice, Pace, PassSink, Plan, Sweeps};
use crate::base::extent::Extent;
use crate::drive::model::{DriveModel, Head};
use crate::survey::allocation::{Class, ClassRun};
use serde::Serialize;

/// The requests that an estimate takes a copy to make, in bytes: copying's own default.
pub const ESTIMATED_REQUEST: u64 = 1 << 20;

/// What a class's own passes cost. What of the class is read earlier, by bridging, is in the passes that bridge it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct ClassTime {
    /// The class.
    pub class: Class,
    /// Bytes that its passes read.
    pub bytes: u64,
    /// Extents that they read them in.
    pub extents: u64,
    /// Time in seconds.
    pub seconds: f64,
}

/// The cost of a choice.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct Estimate {
    /// Bytes read, bridged ones included.
    pub bytes: u64,
    /// Of those, bytes that the class does not need.
    pub unasked_bytes: u64,
    /// Extents.
    pub extents: u64,
    /// Time in seconds, on a drive that gives no errors.
    pub seconds: f64,
    /// The least that the time may be, by the model's own [`crate::drive::model::Spread`].
    pub least_seconds: f64,
    /// The most that it may be.
    pub most_seconds: f64,
    /// The classes that have passes, in order.
    pub classes: Vec<ClassTime>,
}

/// The cost of a choice on a drive of a given model, its head at the first byte. Counts what a plan would hold without
/// holding it: time grows linearly with the number of class runs, memory is one bit a run.
///
/// For the same with and without bridging, call it twice with another [`Choice::gap_bytes`].
pub fn estimate(sweeps: &Sweeps<'_>, choice: &Choice, model: &DriveModel) -> Estimate {
    let drive_bytes = sweeps.runs().last().map_or(0, |run| run.extent.end());
    let mut count = Counter { estimate: Estimate::default(), model, head: Head { at: 0, drive_bytes } };
    sweeps.run(choice, &mut count);
    let mut estimate = count.estimate;
    estimate.seconds = estimate.classes.iter().map(|class| class.seconds).sum();
    (estimate.least_seconds, estimate.most_seconds) = model.spread.range(estimate.seconds);
    estimate
}

/// Seconds for each pass of a plan, one after the other, the head at the first byte before the first of them.
pub fn pass_seconds(plan: &Plan, model: &DriveModel) -> Vec<f64> {
    let mut head = Head { at: 0, drive_bytes: plan.header.source.bytes };
    let mut read = |extent: &Extent| {
        let (seconds, behind) = model.read_seconds(head, *extent, ESTIMATED_REQUEST);
        head = behind;
        seconds
    };
    plan.passes.iter().map(|pass| pass.extents().iter().map(&mut read).sum()).collect()
}

/// The fullness (share of the drive that is read, 0 to 1) at which reading `extents` pieces of a drive takes as long as
/// reading the whole drive front to back: 1 - (extents - 1) x t x B / size. Below it the pieces are faster. 0 when even
/// an all but empty drive is read faster whole.
#[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
pub fn break_even_fullness(drive_bytes: u64, extents: u64, pace: &Pace) -> f64 {
    if drive_bytes == 0 {
        return 0.0;
    }
    let repositions = extents.saturating_sub(1) as f64;
    let lost = repositions * pace.reposition_seconds() * pace.bytes_per_second as f64;
    (1.0 - lost / drive_bytes as f64).max(0.0)
}

struct Counter<'m> {
    estimate: Estimate,
    model: &'m DriveModel,
    head: Head,
}

impl PassSink for Counter<'_> {
    fn begin(&mut self, class: Class, _lane: u16) {
        let classes = &mut self.estimate.classes;
        if classes.last().is_none_or(|last| last.class != class) {
            classes.push(ClassTime { class, bytes: 0, extents: 0, seconds: 0.0 });
        }
    }

    fn extent(&mut self, extent: Extent) {
        let (seconds, head) = self.model.read_seconds(self.head, extent, ESTIMATED_REQUEST);
        self.head = head;
        self.estimate.bytes += extent.bytes;
        self.estimate.extents += 1;
        let class = self.estimate.classes.last_mut().expect("a pass begins before its extents");
        class.bytes += extent.bytes;
        class.extents += 1;
        class.seconds += seconds;
    }

    fn gap(&mut self, _gap: Extent) {}

    fn bridged(&mut self, run: &ClassRun, asked: bool) {
        self.estimate.unasked_bytes += if asked { 0 } else { run.extent.bytes };
    }

    fn left_out(&mut self, _run: &ClassRun) {}
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: elementary; whole 1 TB takes 1.85 h at 150 MB/s and 7.9 h at 35 MB/s (quotients computed by hand).
    #[test]
    fn hours_of_a_whole_drive() {
        let hours = |megabytes: u64| {
            let pace = Pace { bytes_per_second: megabytes * 1_000_000, ..Pace::TYPICAL };
            pace.seconds(1_000_000_000_000, 1) / 3600.0
        };
        assert!((hours(150) - 1.85).abs() < 0.005);
        assert!((hours(35) - 7.94).abs() < 0.005);
    }

    // Source: the definition; at the break-even both ways of reading must cost the same by `Pace::seconds`.
    #[test]
    fn at_the_break_even_both_ways_cost_the_same() {
        let pace = Pace::TYPICAL;
        let drive = 4_000_000_000_000;
        let whole = pace.seconds(drive, 1);
        for extents in [1, 1000, 100_000, 2_000_000] {
            let fullness = break_even_fullness(drive, extents, &pace);
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
            let bytes = (fullness * drive as f64) as u64;
            assert!((pace.seconds(bytes, extents) - whole).abs() < 0.001, "{extents}");
        }
        assert_eq!(break_even_fullness(1_000_000, 1_000_000, &pace).to_bits(), 0.0_f64.to_bits());
    }
}
