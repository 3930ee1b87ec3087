//! What is said of each file that was taken.

use crate::results::content::Absence;
use serde::Serialize;
use std::path::PathBuf;

/// How a file came out.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TakenState {
    /// Every byte is there.
    #[serde(rename = "whole")]
    Complete,
    /// Bytes are missing that may still come: the case does not hold them yet.
    NotYetRead,
    /// Bytes are missing or not to be trusted, and no further reading is known to help.
    Damaged,
    /// It could not be written.
    Failed,
}

impl TakenState {
    /// All, from the best to the worst.
    pub const ALL: [TakenState; 4] =
        [TakenState::Complete, TakenState::NotYetRead, TakenState::Damaged, TakenState::Failed];

    /// What people read.
    pub fn name(self) -> &'static str {
        match self {
            TakenState::Complete => "complete",
            TakenState::NotYetRead => "not read yet",
            TakenState::Damaged => "damaged",
            TakenState::Failed => "failed",
        }
    }
}

/// Something to know of a file although all its bytes are there.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Note {
    /// Encrypted by the file system and taken as it is stored; only the user's key opens it.
    Encrypted,
    /// A link to another place, which is not followed.
    Link {
        /// The reparse point's tag.
        tag: u32,
    },
    /// The content is kept elsewhere or in another form (compressed by the system, deduplicated); what was taken is the
    /// stand-in.
    StandIn {
        /// The reparse point's tag.
        tag: u32,
    },
    /// A reparse point of another kind (files of a cloud store, among others).
    ReparsePoint {
        /// Its tag.
        tag: u32,
    },
    /// The run list is damaged, so that there may be content whose place is not known.
    RunListIncomplete,
    /// The catalog knows of no content at all, not even of an empty one.
    NoContent,
}

impl Note {
    /// By its tag. Source: [MS-FSCC] 2.1.2.1 "Reparse Tags" (from memory).
    pub(super) fn of_tag(tag: u32) -> Note {
        match tag {
            0xA000_0003 | 0xA000_000C => Note::Link { tag },
            0x8000_0013 | 0x8000_0017 => Note::StandIn { tag },
            _ => Note::ReparsePoint { tag },
        }
    }
}

/// Bytes of a file that are missing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct MissingRange {
    /// First byte in the file.
    pub start: u64,
    /// Number of bytes.
    pub bytes: u64,
    /// Why.
    pub why: Absence,
}

/// One file, or one of its named streams.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Taken {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// Its path on the volume.
    pub path: String,
    /// Name of a named stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<String>,
    /// Where it was written, from the destination folder; `None` when it was not.
    pub written_to: Option<PathBuf>,
    /// Its further names that were chosen, with where each was written.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub other_names: Vec<(String, PathBuf)>,
    /// Size in bytes; what was written has it too, whatever is missing.
    pub bytes: u64,
    /// Checksum of what was written, in lower-case hexadecimal; `None` where nothing was, and for a file that says to be larger than
    /// its volume.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// How it came out.
    pub state: TakenState,
    /// What is missing, ascending.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<MissingRange>,
    /// What else to know.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// Why it could not be written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub failure: Option<String>,
}

impl Taken {
    /// What is put into the name, before the extension, of a file that is not what it seems.
    pub fn mark(&self) -> Option<&'static str> {
        let noted = |wanted: fn(&Note) -> bool| self.notes.iter().any(wanted);
        match self.state {
            TakenState::Damaged => Some(".damaged"),
            TakenState::NotYetRead => Some(".incomplete"),
            _ if noted(|n| matches!(n, Note::Encrypted)) => Some(".encrypted"),
            _ if noted(|n| matches!(n, Note::StandIn { .. })) => Some(".stand-in"),
            _ => None,
        }
    }
}

/// Sums over what was taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct TakenTotals {
    /// Files and named streams in each state, in the order of [`TakenState::ALL`].
    pub files: [u64; 4],
    /// Bytes of those.
    pub bytes: [u64; 4],
    /// Bytes that are missing from them.
    pub missing_bytes: u64,
    /// Files that are encrypted or stand-ins, whatever their state.
    pub not_readable_as_they_are: u64,
}

impl TakenTotals {
    pub(super) fn add(&mut self, taken: &Taken) {
        let at = TakenState::ALL.iter().position(|s| *s == taken.state).expect("all states are listed");
        self.files[at] += 1;
        self.bytes[at] = self.bytes[at].saturating_add(taken.bytes);
        self.missing_bytes = taken.missing.iter().fold(self.missing_bytes, |sum, m| sum.saturating_add(m.bytes));
        let unusable = taken.notes.iter().any(|n| matches!(n, Note::Encrypted | Note::StandIn { .. }));
        self.not_readable_as_they_are += u64::from(unusable);
    }
}
