//! What is told while a copy runs.

use crate::allocation::Class;
use crate::audit::WantedCount;
use crate::extent::Extent;
use serde::Serialize;
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
        /// Of those, held from before.
        copied_bytes: u64,
        /// Deferred from before.
        deferred_bytes: u64,
        /// Given up before.
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
    /// The sweep of a pass is over.
    PassEnded {
        /// Its number in the plan.
        number: u32,
        /// Bytes that arrived in this pass.
        arrived_bytes: u64,
        /// Bytes that this pass skipped.
        deferred_bytes: u64,
    },
    /// Difficult places are tried; told only when there are any.
    StageBegun {
        /// How.
        stage: Stage,
    },
    /// How far it has come; at most about ten a second.
    Progress(Progress),
    /// A request failed, or was slow.
    Trouble {
        /// What was asked for.
        extent: Extent,
        /// Which of the two.
        kind: TroubleKind,
        /// How long it took.
        seconds: f64,
        /// Bytes from its end on that are skipped untried.
        jump_bytes: u64,
    },
    /// A place was given up.
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
        #[serde(serialize_with = "crate::text::serialize_path")]
        path: PathBuf,
    },
}

/// How difficult places are tried.
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
    /// The pass being read; `None` where difficult places are tried.
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
    /// Given up.
    pub unreadable_bytes: u64,
    /// Bytes that arrived in this run.
    pub arrived_bytes: u64,
    /// Bytes a second over the last ten seconds or so, pauses left out.
    pub rate: Option<f64>,
    /// Seconds since the start, pauses included.
    pub seconds: f64,
    /// Seconds to the end at this rate, if all goes well.
    pub seconds_left: Option<f64>,
    /// What the next hour over difficult places is expected to bring, in bytes of class `files` (`docs/copying.md`, "Worth");
    /// `None` in first reading.
    pub next_hour_bytes: Option<f64>,
    /// Requests that failed in this run.
    pub failed_requests: u64,
    /// The drive's temperature, where known.
    pub celsius: Option<f64>,
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
    /// Of those, passed over: arrived, held before, or skipped.
    pub done_bytes: u64,
}
