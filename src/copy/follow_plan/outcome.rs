//! How copying in a case ended.

use super::{Revision, case};
use crate::base::extent::ExtentSet;
use crate::copy::reading::CopyOutcome;
use crate::copy::session::Session;
use crate::results::audit::{Truth, WantedCount, audit};
use crate::survey::allocation::{Patterns, read_drive};
use serde::Serialize;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// How copying in a case ended.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CaseCopyOutcome {
    /// The copy, over all plans that were followed.
    #[serde(flatten)]
    pub copy: CopyOutcome,
    /// The files that the plan wants first, by pattern; empty when nothing is wanted, or the copy ended before they were counted.
    pub wanted: Vec<WantedCount>,
    /// The plans made anew, in order; mostly none.
    pub revisions: Vec<Revision>,
    /// Where all of the plan was read: existing files that are damaged or lost all the same. An audit names them.
    pub damaged_files: DamagedFiles,
}

/// Files that are not complete although everything that was requested was read: what the drive gave of their records is damaged.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct DamagedFiles {
    /// Part of the run list is missing, or names no place of the volume.
    pub damaged: u64,
    /// Only the folder's entry is left.
    pub lost: u64,
}

impl DamagedFiles {
    /// Whether there are any.
    pub fn is_none(self) -> bool {
        self == DamagedFiles::default()
    }

    /// Counts them as an audit does. None while structure cannot be read from the case, and once `session` was stopped.
    pub(super) fn of(session: &Session) -> DamagedFiles {
        let case = case(session);
        let reader = case.reader_without_drive(&session.sources.keys).with_stop(Arc::clone(&session.stop));
        let Ok(drive) = read_drive(&reader) else { return DamagedFiles::default() };
        let (planned, wanted) = (ExtentSet::new(), Patterns::default());
        let truth = Truth { store: case.store().as_ref(), planned: &planned, wanted: &wanted };
        let stopped = || session.stop.load(Ordering::Relaxed);
        let counted = audit(&drive, &truth, &Patterns::default(), |_| if stopped() { Err(()) } else { Ok(()) });
        counted.map_or_else(
            |()| DamagedFiles::default(),
            |summary| DamagedFiles { damaged: summary.totals.damaged, lost: summary.totals.lost },
        )
    }
}

impl CaseCopyOutcome {
    pub(super) fn new(copy: CopyOutcome, wanted: Vec<WantedCount>, revisions: Vec<Revision>) -> CaseCopyOutcome {
        CaseCopyOutcome { copy, wanted, revisions, damaged_files: DamagedFiles::default() }
    }

    pub(super) fn following(mut self, before: CaseCopyOutcome) -> CaseCopyOutcome {
        self.copy = self.copy.following(before.copy);
        if self.wanted.is_empty() {
            self.wanted = before.wanted;
        }
        self.revisions.splice(0..0, before.revisions);
        self
    }
}
