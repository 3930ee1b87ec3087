//! What a volume's own marks say of its state, and what is told of it: the same for all file systems.

use crate::base::finding::{Code, Finding, Findings, Severity};
use crate::base::units::ByteOffset;
use serde::Serialize;

/// The marks of a volume. `None` where none was read: its place is lost, or the file system has none.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct VolumeState {
    /// Whether it was not cleanly unmounted: NTFS in `$Volume`, FAT in entry 1 or the boot sector, exFAT, ext and HFS+ in boot sector,
    /// superblock or volume header. All that is read of it may be sound; what was written last may be missing from one of its maps.
    pub dirty: Option<bool>,
    /// Whether a system that used it met errors: FAT and exFAT those of the medium, ext those of its structure.
    pub errors_noted: Option<bool>,
}

impl VolumeState {
    /// Findings on the marks that are set, which stand at `place`.
    pub(super) fn note(self, place: ByteOffset, findings: &mut Findings) {
        if self.dirty == Some(true) {
            findings.push(Finding::at(&DIRTY, place, "The volume is marked as not cleanly unmounted."));
        }
        if self.errors_noted == Some(true) {
            let sentence = "The volume is marked as having met errors while it was last in use.";
            findings.push(Finding::at(&ERRORS_NOTED, place, sentence));
        }
    }
}

/// It was in use when it was last disconnected.
pub static DIRTY: Code = Code {
    id: "volume-dirty",
    severity: Severity::Note,
    meaning: "The volume was not cleanly unmounted. The last files written may be cut or missing, and its map and its files' records \
              may disagree; both are taken into account.",
};

/// Errors were met on it.
pub static ERRORS_NOTED: Code = Code {
    id: "volume-errors-noted",
    severity: Severity::Caution,
    meaning: "The system that last used the volume could not read or write some sectors, or found its structure damaged. Files may be \
              damaged.",
};
