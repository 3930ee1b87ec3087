//! The classes, and the map that gives every byte of the drive exactly one.

use crate::base::extent::Extent;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a byte of the drive is. The order is the order of value: a plan reads the classes one after the other, and
/// where two claims meet (a cross-linked cluster, a sector half one and half the other) the first one wins.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Class {
    /// Partition tables, boot sectors, and their backups.
    Tables,
    /// The file systems' own metadata.
    Structure,
    /// The chosen folders and files.
    Wanted,
    /// Other existing files.
    Files,
    /// In use, but rarely worth a fragile drive's time: paging, hibernation, swap and the like.
    Bulk,
    /// Marked as in use, owned by no file that is known.
    Unclaimed,
    /// Where deleted files lay, in clusters that are free.
    Deleted,
    /// Free.
    Free,
    /// In no partition.
    Outside,
}

impl Class {
    /// All, in order.
    pub const ALL: [Class; 9] = [
        Class::Tables,
        Class::Structure,
        Class::Wanted,
        Class::Files,
        Class::Bulk,
        Class::Unclaimed,
        Class::Deleted,
        Class::Free,
        Class::Outside,
    ];

    /// The name used in plans, exports and tables.
    pub fn name(self) -> &'static str {
        match self {
            Class::Tables => "tables",
            Class::Structure => "structure",
            Class::Wanted => "wanted",
            Class::Files => "files",
            Class::Bulk => "bulk",
            Class::Unclaimed => "unclaimed",
            Class::Deleted => "deleted",
            Class::Free => "free",
            Class::Outside => "outside",
        }
    }
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A range of the drive that is all of one class.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClassRun {
    /// Where it lies.
    pub extent: Extent,
    /// Its class.
    pub class: Class,
    /// Order within the class: for `wanted` the place of the pattern that chose it (0 the first given); for `files` the band of
    /// sizes when small files are preferred (else 0); for all files' classes [`super::LANE_BEHIND_VALID`]; for `unclaimed` 1 when
    /// the file system marks the place as bad, so that it is read after all others; else 0.
    pub lane: u16,
    /// Which area of the drive it lies in: an index into the areas of the layout, or [`ClassRun::NO_AREA`] for what
    /// belongs to the drive as a whole.
    pub area: u32,
}

impl ClassRun {
    /// The area of what belongs to no single area.
    pub const NO_AREA: u32 = u32::MAX;
}

/// The whole drive, in ascending runs without gap or overlap.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ClassMap {
    runs: Vec<ClassRun>,
}

impl ClassMap {
    /// Takes runs that ascend without gap or overlap; neighbours that are alike are merged.
    ///
    /// # Panics
    /// When they do not: a mistake in the caller.
    pub fn from_runs(runs: impl IntoIterator<Item = ClassRun>) -> ClassMap {
        let mut map = ClassMap::default();
        for run in runs {
            map.push(run);
        }
        map
    }

    fn push(&mut self, run: ClassRun) {
        if run.extent.is_empty() {
            return;
        }
        match self.runs.last_mut() {
            Some(last) => {
                assert_eq!(last.extent.end(), run.extent.start.0, "class runs must leave no gap and not overlap");
                if (last.class, last.lane, last.area) == (run.class, run.lane, run.area) {
                    last.extent.bytes += run.extent.bytes;
                } else {
                    self.runs.push(run);
                }
            }
            None => self.runs.push(run),
        }
    }

    /// The runs, ascending.
    pub fn runs(&self) -> &[ClassRun] {
        &self.runs
    }

    /// Bytes of one class.
    pub fn bytes_of(&self, class: Class) -> u64 {
        self.runs.iter().filter(|r| r.class == class).map(|r| r.extent.bytes).sum()
    }
}
