//! How copying went, over time: one line every second or so, for the pictures of a report and for a person who watches a copy
//! that runs.
//!
//! The file `history.jsonl` in the case's folder is only appended to, by the one process that copies; any process may read
//! it meanwhile. It is told from what the copy engine says, and nothing else rests on it: when it is lost, pictures are
//! lost, no data. `docs/formats/history.md` gives the format.

mod read;
mod write;

pub use read::{CopyRun, History, HistoryFollower, read_history};
pub use write::HistoryWriter;

use crate::copy::reading::{Health, TimeLeft};
use crate::results::audit::WantedCount;
use crate::survey::allocation::Class;
use serde::{Deserialize, Serialize};

pub use crate::case::HISTORY_NAME;

/// One line of the history.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Line {
    /// A copy began.
    Began {
        /// When (RFC 3339, UTC, whole seconds).
        when: String,
        /// Bytes of the drive.
        drive_bytes: u64,
        /// Bytes of the plan.
        plan_bytes: u64,
        /// Held before.
        copied_bytes: u64,
    },
    /// How it stood.
    Point(Point),
    /// Something that a person may want to know of.
    Note {
        /// Seconds since it began.
        seconds: f64,
        /// What happened, in a sentence.
        text: String,
    },
    /// How many of the wanted files are safe.
    Wanted {
        /// Seconds since it began.
        seconds: f64,
        /// The counts, in the order of the patterns.
        patterns: Vec<WantedCount>,
    },
    /// It ended.
    Ended {
        /// Seconds since it began.
        seconds: f64,
        /// How, in a sentence.
        how: String,
    },
}

/// How a copy stood at a moment.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Point {
    /// Seconds since the copy began, pauses included.
    pub seconds: f64,
    /// The class being read; what arrived since the point before is counted to it.
    pub class: Class,
    /// The byte of the drive behind the last request.
    pub at: u64,
    /// Bytes of the plan that are held.
    pub copied_bytes: u64,
    /// Bytes of the plan as it is now.
    pub plan_bytes: u64,
    /// Skipped.
    pub deferred_bytes: u64,
    /// Given up.
    pub unreadable_bytes: u64,
    /// Requests that failed since the copy began.
    pub failed_requests: u64,
    /// Bytes a second over the last ten seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate: Option<f64>,
    /// How long the rest takes.
    #[serde(flatten)]
    pub left: TimeLeft,
    /// Whether it is safe to go on.
    #[serde(flatten)]
    pub health: Health,
}
