//! File systems of which the allocation map alone is read: what is in use is then known, and not of which file it is.
//!
//! A reader gives a [`SpaceMap`], or the findings that say why the map cannot be used; then all of the volume is planned. Doubt
//! widens: a block whose mark is not read or not believed is planned as if it were in use, and so is every byte of the volume that the
//! map does not describe.

/// The value of a [`Step`], or out of the function with why there is none.
macro_rules! step {
    ($step:expr) => {
        match $step? {
            Ok(value) => value,
            Err(why) => return Ok(Err(why)),
        }
    };
}

mod apfs;
mod ext;
pub mod findings;
mod hfs_plus;
mod places;

use super::{ClusterGeometry, ClusterSet, VolumeState};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::partition::signature::{Recognised, Sign};
use crate::source::{SourceLost, Window};
use findings::{ENCRYPTED_INSIDE, MAP_UNUSABLE, READ_BY_MAP};

/// Why a journal cannot be followed.
type NotFollowed = &'static str;

/// A value on the way through a journal, or why it cannot be followed.
type Step<T> = Result<Result<T, NotFollowed>, SourceLost>;

/// What is in use on a volume by its allocation map alone.
#[derive(Debug)]
pub struct SpaceMap {
    /// What it was recognised as, with label, identifier and facts.
    pub recognised: Recognised,
    /// The whole volume on the drive.
    pub extent: Extent,
    /// Where the blocks lie that the map describes. It may reach beyond `extent`.
    pub geometry: ClusterGeometry,
    /// Blocks marked as in use.
    pub used: ClusterSet,
    /// Blocks whose mark was not read or is not believed; none of them is in `used`.
    pub unknown: ClusterSet,
    /// Places on the drive that hold the file system's own metadata, as far as the map's reader knows them: read first.
    pub structure: ExtentSet,
    /// What its own marks say.
    pub state: VolumeState,
    /// What was noticed.
    pub findings: Findings,
}

/// What reading a map gave: the map, or the findings that say why it cannot be used.
pub(super) type SpaceOutcome = Result<Box<SpaceMap>, Findings>;

impl SpaceMap {
    /// Blocks marked as free.
    pub fn free(&self) -> ClusterSet {
        let all: ClusterSet = [self.geometry.all()].into_iter().collect();
        all.without(&self.used).without(&self.unknown)
    }

    /// Bytes of the drive that are free by the map, in ascending order. All else of `extent` is planned as in use.
    pub fn free_extents(&self) -> impl Iterator<Item = Extent> {
        let free = self.free();
        let on_drive = |run| self.geometry.extent(run)?.intersection(&self.extent);
        free.runs().iter().filter_map(|run| on_drive(*run)).collect::<Vec<_>>().into_iter()
    }

    /// Bytes of the drive that are planned as in use, in ascending order: marked so, of unknown mark, or outside the map.
    pub fn in_use(&self) -> Vec<Extent> {
        self.free_extents().collect::<ExtentSet>().missing_from(self.extent)
    }
}

/// Reads the allocation map of what was recognised; `None` for what has none that is read.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read(window: &Window<'_>, found: &Recognised) -> Result<Option<SpaceOutcome>, SourceLost> {
    let outcome = match found.kind {
        Sign::Ext2 | Sign::Ext3 | Sign::Ext4 => ext::read(window, found),
        Sign::Apfs => apfs::read(window, found),
        Sign::HfsPlus | Sign::Hfsx => hfs_plus::read(window, found),
        _ => return Ok(None),
    };
    let place = window.extent().start;
    let outcome = match outcome {
        Err(SourceLost::NotInCase { .. }) => {
            let mut findings = Findings::new();
            let sentence = format!("{}: its allocation map is not in this case", found.kind.name());
            findings.push(Finding::at(&MAP_UNUSABLE, place, sentence));
            Err(findings)
        }
        outcome => outcome?,
    };
    let mark = |mut map: Box<SpaceMap>| {
        let name = map.recognised.kind.name();
        let sentence = format!("{name}: its allocation map tells what is in use, its files are not read one by one");
        map.findings.push(Finding::at(&READ_BY_MAP, place, sentence));
        if map.recognised.encrypted {
            let sentence = format!("{name}: files inside can be read only with a key");
            map.findings.push(Finding::at(&ENCRYPTED_INSIDE, place, sentence));
        }
        map
    };
    Ok(Some(outcome.map(mark)))
}
