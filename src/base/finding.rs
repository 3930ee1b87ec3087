//! What a parser noticed that a person should know: a stable code, its severity, where it is, and a sentence.
//!
//! Damage met while parsing never stops the parsing: it becomes a [`Finding`] beside the value.

use crate::base::units::{ByteOffset, Lba, SectorSize};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// The severity of a finding for the client's data.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; nothing is lost.
    Note,
    /// Something does not agree; the plan allows for it, a person should look.
    Caution,
    /// Structure or client data is damaged or could not be read.
    Damage,
    /// The volume or table cannot be understood this way; the plan falls back to reading all of it.
    Blocking,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Severity::Note => "note",
            Severity::Caution => "caution",
            Severity::Damage => "damage",
            Severity::Blocking => "blocking",
        })
    }
}

/// A kind of finding. Each layer declares its own as constants and lists them in a `CODES` table.
#[derive(PartialEq, Eq, Debug)]
pub struct Code {
    /// Stable name in lower case with hyphens, e.g. `gpt-header-crc`.
    pub id: &'static str,
    /// Its severity.
    pub severity: Severity,
    /// What it means for the client's data: one or two sentences.
    pub meaning: &'static str,
}

/// One thing noticed, at one place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Finding {
    /// Which kind.
    pub code: &'static Code,
    /// The first byte it concerns, where there is one.
    pub place: Option<ByteOffset>,
    /// What was seen, as a full sentence with its figures.
    pub sentence: String,
}

impl Finding {
    /// A finding at a byte of the drive.
    pub fn at(code: &'static Code, place: ByteOffset, sentence: impl Into<String>) -> Finding {
        Finding { code, place: Some(place), sentence: sentence.into() }
    }

    /// A finding about a whole that has no one place.
    pub fn general(code: &'static Code, sentence: impl Into<String>) -> Finding {
        Finding { code, place: None, sentence: sentence.into() }
    }

    /// The place as a sector number.
    pub fn lba(&self, sector: SectorSize) -> Option<Lba> {
        self.place.map(|at| sector.lba_of(at))
    }
}

/// Findings in the order they were made. A badly damaged drive can give millions of one kind, so only the first
/// [`Findings::KEPT_PER_CODE`] of each are kept in full and the rest counted.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Findings {
    kept: Vec<Finding>,
    counts: BTreeMap<&'static str, u64>,
}

impl Findings {
    /// How many of one kind are kept in full.
    pub const KEPT_PER_CODE: u64 = 50;

    /// None yet.
    pub fn new() -> Findings {
        Findings::default()
    }

    /// Adds one; past the limit for its code it is only counted.
    pub fn push(&mut self, finding: Finding) {
        let count = self.counts.entry(finding.code.id).or_default();
        *count += 1;
        if *count <= Self::KEPT_PER_CODE {
            self.kept.push(finding);
        }
    }

    /// Takes over all of another collection.
    pub fn append(&mut self, other: Findings) {
        let mut counts = other.counts;
        for finding in other.kept {
            if let Some(left) = counts.get_mut(finding.code.id) {
                *left -= 1;
            }
            self.push(finding);
        }
        for (id, rest) in counts {
            *self.counts.entry(id).or_default() += rest;
        }
    }

    /// Those kept in full.
    pub fn kept(&self) -> &[Finding] {
        &self.kept
    }

    /// How many were made of a kind, kept or not.
    pub fn count(&self, code: &'static Code) -> u64 {
        self.counts.get(code.id).copied().unwrap_or(0)
    }

    /// Code and number of those that were counted but not kept.
    pub fn not_kept(&self) -> impl Iterator<Item = (&'static str, u64)> {
        self.counts.iter().filter(|(_, n)| **n > Self::KEPT_PER_CODE).map(|(id, n)| (*id, *n - Self::KEPT_PER_CODE))
    }

    /// The highest severity among them.
    pub fn highest_severity(&self) -> Option<Severity> {
        self.kept.iter().map(|f| f.code.severity).max()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    static CODE: Code = Code { id: "test-code", severity: Severity::Note, meaning: "A test." };

    #[test]
    fn a_flood_is_counted_and_bounded_also_when_appended() {
        let mut all = Findings::new();
        for part in 0..2 {
            let mut some = Findings::new();
            for n in 0..60 {
                some.push(Finding::at(&CODE, ByteOffset(n), format!("{part}")));
            }
            all.append(some);
        }
        assert_eq!(all.kept().len(), 50);
        assert_eq!(all.count(&CODE), 120);
        assert_eq!(all.not_kept().collect::<Vec<_>>(), [("test-code", 70)]);
    }
}
