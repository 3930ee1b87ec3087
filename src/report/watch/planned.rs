//! Where the plan reads, in shares of places: a plan is read once and not kept.

use super::places::drive_places;
use crate::plan::load_plan;
use std::path::{Path, PathBuf};

/// The current plan's shares.
#[derive(Default)]
pub(super) struct Planned {
    path: Option<PathBuf>,
    shares: Vec<f64>,
}

impl Planned {
    /// Takes the case's current plan, where it is another one than before. Without a sound plan nothing is known of it.
    pub(super) fn follow(&mut self, path: Option<&Path>, drive_bytes: u64) {
        if self.path.as_deref() == path {
            return;
        }
        self.path = path.map(Path::to_path_buf);
        let plan = path.and_then(|path| load_plan(path).ok());
        self.shares = plan.map_or_else(Vec::new, |plan| drive_places(drive_bytes).shares(plan.ascending()));
    }

    /// How much of each place is planned; empty when that is not known.
    pub(super) fn shares(&self) -> &[f64] {
        &self.shares
    }
}
