//! What can be said of a range of the drive beside that its bytes have arrived.

use super::Failure;
use crate::base::extent::Extent;
use serde::Serialize;

/// Why a range was skipped.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Skip {
    /// Not recorded: the journal is older than this distinction.
    #[default]
    NotRecorded,
    /// It was not tried: it lies near a range that failed or was slow.
    Near,
    /// A read of it failed, together with other bytes or alone.
    Failed,
    /// It was being read when the drive stopped answering, and may be what stops it. Read after everything else.
    Suspect,
    /// It was unreadable, and the technician wants it tried again.
    Again,
}

/// What is said of a range of the drive.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum RangeMark {
    /// It was skipped, and is retried later.
    Skipped {
        /// The range.
        extent: Extent,
        /// Why.
        why: Skip,
        /// The failed read, when there was one.
        failure: Failure,
    },
    /// It failed at every try so far, alone.
    Unreadable {
        /// The range.
        extent: Extent,
        /// How often it was tried alone; 0 where that was not recorded.
        tries: u16,
        /// The last failed read.
        failure: Failure,
    },
    /// Bytes that had been kept are not believed any more; the range is not read yet.
    Withdrawn {
        /// The range.
        extent: Extent,
    },
    /// An unreadable range is to be tried again: from now on it is skipped.
    Retry {
        /// The range.
        extent: Extent,
    },
}

impl RangeMark {
    /// The range.
    pub fn extent(&self) -> Extent {
        match *self {
            RangeMark::Skipped { extent, .. }
            | RangeMark::Unreadable { extent, .. }
            | RangeMark::Withdrawn { extent }
            | RangeMark::Retry { extent } => extent,
        }
    }
}
