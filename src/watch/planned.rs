//! Where the plan reads, in shares of places: a plan is read once and not kept.

use super::held::shares;
use crate::extent::Extent;
use crate::plan::{PlanVisitor, follow_plan, open_plan};
use std::convert::Infallible;
use std::path::{Path, PathBuf};

/// The current plan's shares.
#[derive(Default)]
pub(super) struct Planned {
    path: Option<PathBuf>,
    shares: Vec<f64>,
}

/// Keeps a plan's extents.
#[derive(Default)]
struct Extents(Vec<Extent>);

impl PlanVisitor for Extents {
    type Error = Infallible;

    fn extent(&mut self, extent: Extent) -> Result<(), Infallible> {
        self.0.push(extent);
        Ok(())
    }
}

impl Planned {
    /// Takes the case's current plan, where it is another one than before. Without a sound plan nothing is known of it.
    pub(super) fn follow(&mut self, path: Option<&Path>, drive_bytes: u64) {
        if self.path.as_deref() == path {
            return;
        }
        self.path = path.map(Path::to_path_buf);
        let mut extents = Extents::default();
        let read = path.and_then(|path| open_plan(path).ok()).map(|plan| follow_plan(plan, &mut extents));
        self.shares = match read {
            Some(Ok(())) => shares(extents.0.into_iter(), drive_bytes),
            _ => Vec::new(),
        };
    }

    /// How much of each place is planned; empty when that is not known.
    pub(super) fn shares(&self) -> &[f64] {
        &self.shares
    }
}
