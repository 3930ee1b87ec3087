//! What a verification found.

use crate::case::JournalState;
use crate::results::verify::{AgainCheck, ClaimCheck, Owners, SecondOpinion, Verdict, WholeSum};
use serde::Serialize;

/// Everything `verify` says.
#[derive(Serialize, Debug)]
pub struct VerifyReport {
    /// The image against the journal's hashes.
    pub claims: ClaimCheck,
    /// The journal as it was then.
    pub journal: JournalState,
    /// The image's checksum as a whole.
    pub sum: WholeSum,
    /// The drive read again, where that was requested.
    pub again: Option<AgainCheck>,
    /// What the image's own structure tells.
    #[serde(flatten)]
    pub structure: Structure,
}

/// What the structure in the image tells of what was found.
#[derive(Serialize, Debug)]
#[serde(untagged)]
pub enum Structure {
    /// It could be read.
    Read {
        /// Whose the places are that differ.
        owners: Owners,
        /// What a second reader sees of each volume.
        opinions: Vec<SecondOpinion>,
    },
    /// The image was changed so that its structure leads to what it does not hold.
    NotRead {
        /// What reading it ended with.
        #[serde(rename = "structure_not_read")]
        why: String,
    },
}

impl VerifyReport {
    /// Whether the image holds what was read from the drive. A sector that the drive has lost since does not count against it.
    pub fn is_sound(&self) -> bool {
        self.claims.all_sound() && self.again.as_ref().is_none_or(|again| again.differing.is_empty())
    }

    /// Whether a second reader sees something else.
    pub fn is_doubted(&self) -> bool {
        match &self.structure {
            Structure::Read { opinions, .. } => opinions.iter().any(|opinion| opinion.verdict == Verdict::Differs),
            Structure::NotRead { .. } => true,
        }
    }
}
