//! What the verdict adds to the list of findings.

use crate::base::finding::{Code, Severity};

macro_rules! codes {
    ($($(#[doc = $doc:literal])+ $name:ident = $id:literal, $severity:ident, $meaning:literal;)+) => {
        $($(#[doc = $doc])+ pub static $name: Code = Code { id: $id, severity: Severity::$severity, meaning: $meaning };)+

        /// All of them, for the list of findings.
        pub static CODES: &[&Code] = &[$(&$name),+];
    };
}

codes! {
    /// The last sector does not answer.
    LAST_SECTOR = "drive-last-sector-unreadable", Damage,
        "The drive does not give its last sector. Either that sector is bad, or the drive reports more capacity than it can reach: \
         compare the capacity with the label before anything else.";
    /// Much is in use that no file owns.
    WITHOUT_OWNER = "content-without-owner", Damage,
        "Much of what this volume marks as in use belongs to no known file: file records or folders are lost \
         without a trace. The content is planned as `unclaimed`; names and order of these files are not known.";
    /// Existing files lie in clusters that the map calls free.
    MARKED_FREE = "clusters-marked-free", Caution,
        "Clusters of existing files are marked as free: the allocation map is older than the files or damaged. The \
         files are used, and the clusters beside a wrong mark are planned as well; a driver that writes to the \
         volume would overwrite these files.";
    /// Clusters of more than one file.
    SHARED = "clusters-of-two-files", Damage,
        "Clusters belong to more than one existing file. At most one of the files is right there: check them after copying.";
    /// Names that cannot be names.
    NAMES_GARBLED = "names-garbled", Caution,
        "Many names have control characters, or characters that this file system does not allow. Either folders or \
         file records are \
         damaged, or the names come from elsewhere on the drive. The files are listed with a mark in place of what cannot be shown.";
    /// A few names that cannot be names.
    NAMES_ODD = "names-odd", Note,
        "A few names have control characters, or characters that this file system does not allow. Some programs \
         write such names; the \
         files are not affected.";
    /// The same name twice in a folder.
    NAME_TWICE = "name-twice-in-a-folder", Caution,
        "A folder has two existing files or folders of the same name. An operating system opens only one of them; \
         both are listed and \
         planned.";
    /// Structure is not where tables and boot sectors put it.
    MISPLACED = "drive-structure-misplaced", Blocking,
        "The tables can be read, but what they lead to is not where it should be. A copy would have the client's \
         data in the wrong order, or not at all. Do not copy yet: look at translation and adaptive data first.";
    /// Structure could not be read.
    UNREADABLE = "drive-structure-unreadable", Blocking,
        "Most of the structure was not read, so the files are not known. Their content may be undamaged. Let the \
         drive rest, then survey again, or copy: `copy` reads the structure in smaller requests.";
    /// The same byte everywhere.
    CONSTANT = "drive-answers-constant", Blocking,
        "The drive answers with one and the same byte instead of the client's data. A copy would be worthless; the \
         data may still be on the medium. Stop, and look at board, power and heads.";
    /// The same blocks or a pattern.
    REPEATING = "drive-answers-repeating", Blocking,
        "The drive gives the same content at many addresses, or a pattern instead of content: addresses wrap \
         round, or the buffer is not filled from the medium. A copy would be worthless. Stop, and look at board, \
         power and heads.";
    /// Nothing but randomness.
    RANDOM = "drive-answers-random", Blocking,
        "Everything sampled looks like random bytes and nothing is recognised. Encryption without a signature and wrong translation look \
         the same from outside: find out which before copying.";
    /// Nothing but zeros.
    BLANK = "drive-blank", Caution,
        "Everything sampled is zero. The drive was never written, was wiped or trimmed, or gives zeros for what it \
         cannot reach. Ask the client before you copy.";
    /// Encrypted as a whole.
    ENCRYPTED = "drive-encrypted", Caution,
        "Most of the drive is an encrypted volume. Without the client's key no file is known or readable. Copy all \
         of it, and ask the client for the key.";
    /// Too little to go by.
    UNCLEAR = "drive-coherence-unclear", Caution,
        "There is too little that could be checked to say whether what the drive gives is consistent. The plan \
         reads more rather than less. Look at a few sectors before you copy.";
}
