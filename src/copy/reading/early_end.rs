//! Why following a plan ends before the plan does. An end because little is left that is worth its time is none of these: `next_read`.

use crate::base::extent::Extent;
use crate::source::{RangeMark, SourceLost};
use serde::Serialize;

/// What stopped a copy.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StopReason {
    /// [`crate::copy::reading::Controls::stop`] was set.
    Asked,
    /// [`crate::copy::reading::StopAfter::time`].
    Time,
    /// [`crate::copy::reading::StopAfter::bytes`].
    Bytes,
    /// [`crate::copy::reading::StopAfter::errors`].
    Errors,
    /// [`crate::copy::reading::StopAfter::failures_in_a_row`].
    FailuresInARow,
    /// [`crate::copy::reading::StopAfter::failures_a_minute`].
    FailuresAMinute,
    /// [`crate::copy::reading::StopAfter::resets`].
    Resets,
    /// [`crate::copy::reading::StopAfter::below_rate`].
    Rate,
}

/// Passed up to where the copy began.
#[derive(Debug)]
pub(super) enum EarlyEnd {
    /// A person or a limit said so.
    Stopped(StopReason),
    /// The drive vanished.
    Gone { extent: Extent, message: String },
    /// The drive is there and answers nothing; what is to be remembered of the requests that it did not answer.
    Silent { extent: Extent, failed_in_a_row: u32, marks: Vec<RangeMark> },
    /// The drive gives other bytes than it gave; what is withdrawn for that.
    Changed { byte: u64, marks: Vec<RangeMark> },
    /// The destination has no room for what comes next.
    NoRoom { room: u64 },
    /// Reading cannot go on for another reason.
    Source(SourceLost),
    /// The writing thread ended early; it has the reason.
    WriterEnded,
}

impl From<SourceLost> for EarlyEnd {
    fn from(lost: SourceLost) -> EarlyEnd {
        match lost {
            SourceLost::Gone { extent, error, .. } => EarlyEnd::Gone { extent, message: error.to_string() },
            SourceLost::Stopped => EarlyEnd::Stopped(StopReason::Asked),
            other => EarlyEnd::Source(other),
        }
    }
}
