//! What a verification found.

use crate::verify::{AgainCheck, ClaimCheck, Owners, SecondOpinion, Verdict, WholeSum};
use serde::Serialize;

/// Everything `verify` says.
#[derive(Serialize, Debug)]
pub struct VerifyReport {
    /// The image against the journal's hashes.
    pub claims: ClaimCheck,
    /// Whose the places are that differ.
    pub owners: Owners,
    /// The image's sum as a whole.
    pub sum: WholeSum,
    /// The drive read again, where that was asked for.
    pub again: Option<AgainCheck>,
    /// What a second reader sees of each volume.
    pub opinions: Vec<SecondOpinion>,
}

impl VerifyReport {
    /// Whether the image is what arrived from the drive. A sector that the drive has lost since does not count against it.
    pub fn is_sound(&self) -> bool {
        self.claims.all_sound() && self.again.as_ref().is_none_or(|again| again.differing.is_empty())
    }

    /// Whether a second reader sees something else that none of its known weaknesses explains.
    pub fn is_doubted(&self) -> bool {
        self.opinions.iter().any(|opinion| opinion.verdict == Verdict::Differs)
    }
}
