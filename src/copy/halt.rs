//! Why the walk along a plan ends before the plan does.

use super::outcome::StopReason;
use crate::extent::Extent;
use crate::plan::PlanReadError;
use crate::source::SourceLost;

/// Passed up through the plan's reader.
#[derive(Debug)]
pub(super) enum Halt {
    /// A person or a limit said so.
    Stopped(StopReason),
    /// The drive vanished.
    Gone { extent: Extent, message: String },
    /// Reading cannot go on for another reason.
    Source(SourceLost),
    /// The writing thread ended early; it has the reason.
    WriterEnded,
    /// The class spent its time on deferred places.
    ShareUsedUp,
    /// The passes of the class asked for are over.
    PastClass,
}

/// Why following a plan ended early.
#[derive(Debug)]
pub(super) enum FollowError {
    /// The plan could not be read.
    Plan(PlanReadError),
    /// Whoever follows it stopped.
    Halt(Halt),
}

impl From<SourceLost> for Halt {
    fn from(lost: SourceLost) -> Halt {
        match lost {
            SourceLost::Gone { extent, error, .. } => Halt::Gone { extent, message: error.to_string() },
            SourceLost::Stopped => Halt::Stopped(StopReason::Asked),
            other => Halt::Source(other),
        }
    }
}

impl From<Halt> for FollowError {
    fn from(halt: Halt) -> FollowError {
        FollowError::Halt(halt)
    }
}
