//! What can be noticed about an encrypted volume.

use crate::base::finding::{Code, Severity};

/// A volume was opened with a key.
pub static OPENED: Code = Code {
    id: "volume-opened",
    severity: Severity::Note,
    meaning: "The key opens this volume: its files are listed and planned as on any other. The image keeps the sectors encrypted as they are \
              on the drive, so any system opens it with the same key. The key is stored nowhere.",
};

/// A volume was opened without a key that was given.
pub static KEY_IN_CLEAR: Code = Code {
    id: "volume-key-in-clear",
    severity: Severity::Note,
    meaning: "The key of this volume stands on it in the clear, as Windows leaves it while protection is suspended: anyone can open this \
              volume and its image.",
};

/// A copy of the metadata is damaged.
pub static METADATA_COPY: Code = Code {
    id: "encryption-metadata-copy",
    severity: Severity::Caution,
    meaning: "One of the three blocks of encryption metadata is damaged or unreadable; another was used. Each is enough to open the \
              volume. Keep the image: what is left of them is all there is.",
};

/// All copies of the metadata are damaged.
pub static METADATA_LOST: Code = Code {
    id: "encryption-metadata-lost",
    severity: Severity::Damage,
    meaning: "No usable block of encryption metadata was found. Without one even the right key opens nothing; all of the volume is planned, \
              the places of the metadata first. Give the key all the same: once \
              the drive answers there, `copy` opens the volume and makes the plan again.",
};

/// The metadata are not those that Windows wrote last.
pub static METADATA_CHANGED: Code = Code {
    id: "encryption-metadata-changed",
    severity: Severity::Caution,
    meaning: "The key opens the metadata, but their proof does not fit: they were damaged or changed. The files are listed all the same.",
};

/// A cipher that is not known.
pub static METHOD_UNKNOWN: Code = Code {
    id: "encryption-method-unknown",
    severity: Severity::Caution,
    meaning: "The key opens the metadata, but the sectors are encrypted in a way that is not known. All of the volume is planned.",
};

/// A volume between plain and encrypted.
pub static PARTLY: Code = Code {
    id: "encryption-partly",
    severity: Severity::Note,
    meaning: "Part of this volume is stored in the clear, because a conversion was under way. The metadata tell which part; both are read as \
              what they are.",
};

/// It cannot be told which parts are encrypted.
pub static LAYOUT_LOST: Code = Code {
    id: "encryption-layout-lost",
    severity: Severity::Damage,
    meaning: "The key opens the metadata, but what tells which parts of the volume are encrypted, and where its first sectors were moved to, \
              is damaged or unreadable. All of the volume is planned, so that another system can try.",
};

/// Opened, and still no files.
pub static NO_FILES_INSIDE: Code = Code {
    id: "encryption-no-files-inside",
    severity: Severity::Caution,
    meaning: "The key opens the volume, but what is inside is not read file by file, or is damaged. All of the volume is planned.",
};

/// The codes of encrypted volumes.
pub static CODES: &[&Code] = &[
    &OPENED,
    &KEY_IN_CLEAR,
    &METADATA_COPY,
    &METADATA_LOST,
    &METADATA_CHANGED,
    &METHOD_UNKNOWN,
    &PARTLY,
    &LAYOUT_LOST,
    &NO_FILES_INSIDE,
];
