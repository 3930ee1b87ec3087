//! What is told while a copy runs.

use crate::base::extent::Extent;
use crate::results::audit::WantedCount;
use crate::survey::allocation::Class;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Something that happened. As JSON each is one object with its kind in `event`; bytes and seconds are plain numbers,
/// temperatures are in degrees Celsius.
#[derive(Clone, PartialEq, Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Event {
    /// The plan is sound and copying starts.
    Begun {
        /// Bytes of the whole plan.
        plan_bytes: u64,
        /// Of those, copied before.
        copied_bytes: u64,
        /// Skipped before.
        deferred_bytes: u64,
        /// Unreadable before.
        unreadable_bytes: u64,
    },
    /// A pass starts.
    PassBegun {
        /// Its number in the plan.
        number: u32,
        /// Its class.
        class: Class,
        /// The pattern that chose it, for `wanted`.
        pattern: Option<String>,
        /// Bytes of the pass.
        bytes: u64,
    },
    /// First reading of a pass is over.
    PassEnded {
        /// Its number in the plan.
        number: u32,
        /// Bytes of the pass that arrived at their first request in first reading. What was read around a failure is not among them.
        arrived_bytes: u64,
        /// Bytes of the pass that first reading skipped, those that failed included.
        deferred_bytes: u64,
    },
    /// Skipped ranges are retried; told only when there are any.
    StageBegun {
        /// How.
        stage: Stage,
    },
    /// How far it has come; at most about ten a second.
    Progress(Progress),
    /// A request failed, or was slow.
    Trouble {
        /// What was requested.
        extent: Extent,
        /// Which of the two.
        kind: TroubleKind,
        /// How long it took.
        seconds: f64,
        /// Bytes from its end on that are skipped untried.
        jump_bytes: u64,
    },
    /// What was difficult since this was told last; at most every ten seconds, and less often in a long copy.
    Difficult(Difficulties),
    /// It was asked to stop, and stops when the present read ends.
    Stopping,
    /// A range is unreadable.
    Unreadable {
        /// Where.
        extent: Extent,
    },
    /// The drive is too warm, and nothing is read.
    Paused {
        /// Its temperature.
        celsius: f64,
        /// Reading goes on at this or less.
        until_celsius: f64,
    },
    /// Reading goes on.
    Resumed {
        /// The temperature now; `None` when the sensor no longer answers.
        celsius: Option<f64>,
        /// How long the pause was.
        seconds: f64,
    },
    /// Structure that did not answer before has arrived, and the plan was made anew with what it tells.
    PlanRevised {
        /// Bytes that arrived late.
        late_bytes: u64,
        /// Bytes that the plan before read.
        bytes_before: u64,
        /// Bytes that the new one reads.
        bytes_now: u64,
    },
    /// Structure that did not answer before has arrived, and the plan stays as it is: without the key of an encrypted volume a new one
    /// would know less.
    PlanKept {
        /// The volume's number.
        volume: u32,
    },
    /// How many of the wanted files are safe; told at the end of a class, and in between when it has changed.
    Wanted {
        /// The class whose first reading is over.
        class: Option<Class>,
        /// The counts, in the order of the patterns; the first ones where there are very many.
        patterns: Vec<WantedCount>,
    },
    /// The drive is gone, or no longer answers; it is waited for.
    DriveAwaited,
    /// Something that could have been the drive was not taken for it.
    DriveNotTaken {
        /// What and why.
        why: String,
    },
    /// The drive is back; reading goes on.
    DriveBack {
        /// Where it is now.
        #[serde(serialize_with = "crate::base::text::serialize_path")]
        path: PathBuf,
    },
}

/// How skipped ranges are retried.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// By what they are worth, and what they cost.
    Worth,
    /// The same for those that may have stopped the drive.
    Suspects,
    /// Every sector alone, to the end.
    EverySector,
}

/// What went wrong with a request.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TroubleKind {
    /// The bytes did not arrive.
    Failed,
    /// They arrived, but took longer than allowed.
    Slow,
}

/// How far a copy has come.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Progress {
    /// The pass being read; `None` where skipped ranges are retried.
    pub pass: Option<PassProgress>,
    /// The class being read.
    pub class: Class,
    /// The byte of the drive behind the last request.
    pub at: u64,
    /// Bytes of the whole plan.
    pub plan_bytes: u64,
    /// Of those, safe: durable in the store.
    pub copied_bytes: u64,
    /// Skipped.
    pub deferred_bytes: u64,
    /// Unreadable.
    pub unreadable_bytes: u64,
    /// Bytes that arrived in this run.
    pub arrived_bytes: u64,
    /// Bytes a second over the last ten seconds or so, pauses left out.
    pub rate: Option<f64>,
    /// Seconds since the start, pauses included.
    pub seconds: f64,
    /// How long the rest takes.
    #[serde(flatten)]
    pub left: TimeLeft,
    /// What the next hour of retries is expected to bring, in bytes of class `files` (`docs/copying.md`, "Worth");
    /// `None` in first reading.
    pub next_hour_bytes: Option<f64>,
    /// Requests that failed in this run.
    pub failed_requests: u64,
    /// Whether it is safe to go on.
    #[serde(flatten)]
    pub health: Health,
}

/// How long the rest takes: what reads easily and what does not, apart. Only the first can be estimated well.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct TimeLeft {
    /// Seconds for what is not read yet, if it all reads easily; `None` before this drive's own reads tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds_left: Option<f64>,
    /// Seconds for what is skipped, if no sector of it answers at any try; `None` where that is not known, or more than a day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub difficult_seconds: Option<f64>,
}

/// What tells whether it is safe to go on. Fields that are not known are left out.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Health {
    /// Requests that failed in the last minute, pauses left out.
    #[serde(default)]
    pub failed_last_minute: u64,
    /// Seconds of that minute which they took.
    #[serde(default)]
    pub failing_seconds: f64,
    /// How often the kernel reset the drive in that minute; `None` where its log cannot be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resets_last_minute: Option<u64>,
    /// The drive's temperature, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub celsius: Option<f64>,
    /// Whether that is so high that reading soon pauses.
    #[serde(default)]
    pub is_warm: bool,
}

/// Failed reads and retries of a while, added up.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Difficulties {
    /// From the first to the last byte of the requests that failed.
    pub extent: Option<Extent>,
    /// The LBA of its first byte.
    pub lba: u64,
    /// Requests that failed at their first try.
    pub failed_requests: u64,
    /// Requests that took longer than is usual on the drive.
    pub slow_requests: u64,
    /// Bytes skipped, to be retried later.
    pub skipped_bytes: u64,
    /// Requests for what had been skipped.
    pub retries: u64,
    /// Of those, failed.
    pub failed_retries: u64,
    /// Bytes that the others brought.
    pub retried_bytes: u64,
    /// Bytes found unreadable.
    pub unreadable_bytes: u64,
    /// Sectors read once more because reads failed: does the drive still give what it gave?
    pub checks: u64,
    /// Of those, failed.
    pub failed_checks: u64,
    /// Seconds that the failed requests took.
    pub seconds: f64,
}

/// How far a pass has come.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct PassProgress {
    /// Its number in the plan.
    pub number: u32,
    /// Its class.
    pub class: Class,
    /// Bytes of the pass.
    pub bytes: u64,
    /// Of those, safe: durable in the store.
    pub copied_bytes: u64,
}
