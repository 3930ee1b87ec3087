//! What making a plan can notice.

use crate::base::finding::{Code, Severity};

/// A pattern chose nothing that has a place of its own on the drive.
pub static WANT_WITHOUT_BYTES: Code = Code {
    id: "want-without-bytes",
    severity: Severity::Caution,
    meaning: "A pattern given for what is wanted adds no reads of its own: it matches no file, or only files small \
              enough to lie in the file system's metadata, or files that an earlier pattern already chose. If files \
              were expected, check the pattern's spelling against the list of folders.",
};

/// A pattern matches no name that is known, and not all names are.
pub static WANT_WITHOUT_MATCH: Code = Code {
    id: "want-without-match",
    severity: Severity::Caution,
    meaning: "A pattern given for what is wanted matches no file or folder that is known. Not all names are known, \
              so the folder may exist; the plan is made again when more is read. Compare the pattern with the names \
              nearest to it.",
};

/// Existing files lie in folders whose names are not known.
pub static WANT_IN_LOST_FOLDER: Code = Code {
    id: "want-in-lost-folder",
    severity: Severity::Caution,
    meaning: "Existing files lie in folders whose own records are lost or not read yet, so a pattern that needs such a \
              folder's name does not choose them. `copy` reads structure first and makes the plan again: the folders above \
              may tell the names. Files whose folder keeps no name are found under `<orphans>`.",
};

/// Patterns cannot choose anything on a volume that is not read file by file.
pub static WANT_NOT_LISTED: Code = Code {
    id: "want-not-listed",
    severity: Severity::Caution,
    meaning: "On a volume whose files are not read one by one no pattern chooses a folder or file. What is in use there is \
              planned as one class (`unclaimed`), in the order in which it lies on the drive.",
};

/// All codes of this layer.
pub static CODES: &[&Code] = &[&WANT_WITHOUT_BYTES, &WANT_WITHOUT_MATCH, &WANT_IN_LOST_FOLDER, &WANT_NOT_LISTED];
