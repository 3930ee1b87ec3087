//! Whether a drive is the case's own, whatever it calls itself: behind another bridge it has another name and serial number.

use super::Refusal;
use crate::allocation::DriveMap;
use crate::fs::Content;
use crate::partition::{AreaKind, DriveMark, Scheme, drive_marks};
use std::collections::BTreeSet;

/// How much of a drive's start and end is looked at, in bytes.
pub(super) const END_BYTES: u64 = 1 << 20;

/// A drive's first and last bytes, and what is known of its structure.
pub(super) struct Look<'l> {
    pub first: &'l [u8],
    pub last: &'l [u8],
    pub drive: &'l DriveMap,
}

impl Look<'_> {
    /// All numbers that it bears.
    fn marks(&self) -> BTreeSet<DriveMark> {
        let mut marks = drive_marks(self.first, self.last, self.drive.identity.bytes);
        for area in &self.drive.areas {
            if let AreaKind::Partition(entry) = &area.area.kind {
                marks.extend(entry.unique_id.clone().map(DriveMark::PartitionGuid));
            }
            let number = match &area.content {
                Some(Content::Volume(volume)) => Some(volume.serial.clone()),
                Some(content) => content.recognised().and_then(|found| found.uuid.clone()),
                None => None,
            };
            // Nothing but zeros and dashes is no number.
            let number = number.filter(|number| number.chars().any(|c| !matches!(c, '0' | '-')));
            marks.extend(number.map(DriveMark::Volume));
        }
        marks
    }

    /// Whether all that its first bytes hold is in the other's as well; `false` where they hold nothing.
    fn begins_as(&self, other: &Look<'_>) -> bool {
        let mut sectors = self.first.chunks(512).zip(other.first.chunks(512));
        let held = |bytes: &[u8]| bytes.iter().any(|byte| *byte != 0);
        held(self.first) && sectors.all(|(own, other)| !held(own) || own == other)
    }

    /// Refuses a target that is the case's drive, or a copy of it.
    pub(super) fn refuse_same(&self, target: &Look<'_>) -> Result<(), Refusal> {
        if let Some(mark) = self.marks().intersection(&target.marks()).next() {
            return Err(Refusal::BearsMark(mark.clone()));
        }
        if self.begins_as(target) { Err(Refusal::SameContent) } else { Ok(()) }
    }
}

/// What a drive holds, in a few words; `None` where nothing is recognised.
pub(super) fn holds(drive: &DriveMap) -> Option<String> {
    let table = match drive.layout.scheme {
        Scheme::Gpt => Some("a GUID partition table"),
        Scheme::Mbr => Some("a master boot record"),
        Scheme::SingleVolume | Scheme::Searched | Scheme::Unrecognised => None,
    };
    let contents = drive.areas.iter().filter_map(|area| area.content.as_ref().and_then(Content::name));
    let found: Vec<&str> = table.into_iter().chain(contents).collect();
    (!found.is_empty()).then(|| found.join(", "))
}
