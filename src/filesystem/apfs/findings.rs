//! What may be noticed on an APFS container, beside what all volumes have that are read by their allocation map.

use crate::base::finding::{Code, Severity};

/// An older checkpoint stands in for the newest.
pub static OLDER_CHECKPOINT: Code = Code {
    id: "apfs-older-checkpoint",
    severity: Severity::Damage,
    meaning: "The newest checkpoint of the container is damaged, or may be. The one before it was used, and with it all that newer chunk \
              information marks as in use; where that cannot be read, all of the container is planned. Files of the last seconds before \
              the drive was disconnected may be missing.",
};

/// The codes of this file system.
pub static CODES: &[&Code] = &[&OLDER_CHECKPOINT];
