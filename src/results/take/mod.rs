//! Taking chosen files out of a case's image into a folder: names, times and content, and nothing silently short.
//!
//! `docs/taking.md` says what becomes of names, named streams, times, holes, and of files that are not complete.

mod checksums;
mod destination;
mod error;
mod file;
mod names;
mod taken;
mod volume;

pub use error::TakeError;
pub use taken::{MissingRange, Note, Taken, TakenState, TakenTotals};

use crate::source::CopyStore;
use crate::survey::allocation::{DriveMap, Patterns};
use checksums::ChecksumList;
use destination::Destination;
use std::path::Path;
use std::sync::atomic::AtomicBool;
use volume::VolumeTake;

/// What is taken, and how.
#[derive(Clone, Copy)]
pub struct Take<'t> {
    /// Files and folders, by patterns over their paths. A folder brings all that is below it.
    pub chosen: &'t Patterns,
    /// The areas of the drive whose volumes are meant; `None` for all.
    pub areas: Option<&'t [usize]>,
    /// What unreadable bytes become. Other missing bytes become zeros.
    pub fill: u8,
    /// Set from outside to stop.
    pub stop: &'t AtomicBool,
}

impl Take<'_> {
    fn volumes<'d>(&self, drive: &'d DriveMap) -> impl Iterator<Item = (usize, &'d crate::filesystem::VolumeMap)> {
        let areas = self.areas;
        drive.volumes().filter(move |(index, _)| areas.is_none_or(|areas| areas.contains(index)))
    }

    /// Files (named streams among them) and bytes that would be taken.
    pub fn count(&self, drive: &DriveMap) -> (u64, u64) {
        let mut sum = (0u64, 0u64);
        for (_, map) in self.volumes(drive) {
            for stream in volume::chosen_streams(map, self.chosen) {
                sum = (sum.0 + 1, sum.1.saturating_add(stream.size()));
            }
        }
        sum
    }

    /// Takes the chosen files into the folder `to`, which is made, or exists and is empty. Each is handed to `each`
    /// when it is done, in the order of the file list; `progress` is told bytes of content as they are written.
    ///
    /// A file that cannot be written for a reason of its own (too large for the destination, say) is reported as
    /// failed and the next one follows. The list of checksums lies beside them, also when the work ends early.
    ///
    /// # Errors
    /// [`TakeError`] when nothing more can be written. Files that were handed over before are complete.
    pub fn run(
        &self,
        drive: &DriveMap,
        store: &dyn CopyStore,
        to: &Path,
        progress: &mut dyn FnMut(u64),
        each: &mut dyn FnMut(&Taken),
    ) -> Result<TakenTotals, TakeError> {
        let mut destination = Destination::open(to)?;
        let mut list = ChecksumList::begin(&mut destination)?;
        let mut totals = TakenTotals::default();
        let several = drive.volumes().nth(1).is_some();
        let outcome = self.volumes(drive).try_for_each(|(index, map)| {
            let top = several.then(|| {
                let area = &drive.areas[index];
                area.number().map_or_else(|| format!("volume at {}", map.extent.start.0), |n| format!("volume {n}"))
            });
            let mut report = |taken: &Taken| {
                totals.add(taken);
                list.add(taken);
                each(taken);
            };
            VolumeTake::new(map, store, self, &mut destination, progress, &mut report).run(top)
        });
        let listed = list.finish(&mut destination);
        outcome?;
        listed?;
        destination.finish()?;
        Ok(totals)
    }
}
