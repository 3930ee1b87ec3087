//! From evidence to a verdict on the drive as a whole: whether what it gives can be the client's data. A volume is not judged here;
//! what is damaged of it is evidence.

use super::LastSector;
use super::SoFar;
use super::answers::Answers;
use super::evidence::{Check, Evidence, Outcome, counted};
use super::findings as found;
use super::samples::Samples;
use super::structure::Structure;
use super::tables::Tables;
use crate::base::finding::Code;
use crate::base::human;
use crate::partition::Scheme;
use crate::source::LeftOff;
use crate::survey::allocation::DriveMap;
use serde::Serialize;

/// Is what the drive gives consistent?
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Verdict {
    /// All that could be checked holds.
    Sound,
    /// It reads, and parts of its structure are damaged or unreadable.
    PartlyDamaged,
    /// Most of what tells which files there are could not be read, or the drive has stopped answering.
    Unreadable,
    /// Tables read, but what they lead to is not at its places.
    Misplaced,
    /// It answers with the same byte everywhere.
    Constant,
    /// It answers with the same blocks at different places, or with a pattern.
    Repeating,
    /// It answers with nothing but what looks random.
    Random,
    /// It answers with zeros.
    Blank,
    /// Most of it is an encrypted volume.
    Encrypted,
    /// Too little could be checked.
    Unclear,
}

impl Verdict {
    /// The verdict as a headline.
    pub fn headline(self) -> &'static str {
        match self {
            Verdict::Sound => "data is consistent",
            Verdict::PartlyDamaged => "consistent, partly damaged",
            Verdict::Unreadable => "structure was not read",
            Verdict::Misplaced => "not consistent: structure is not at its places",
            Verdict::Constant => "not consistent: the same byte everywhere",
            Verdict::Repeating => "not consistent: content repeats",
            Verdict::Random => "nothing but random-looking data",
            Verdict::Blank => "blank",
            Verdict::Encrypted => "encrypted",
            Verdict::Unclear => "cannot be told",
        }
    }

    /// Whether copying should wait until the cause is known.
    pub fn says_stop(self) -> bool {
        matches!(
            self,
            Verdict::Unreadable
                | Verdict::Misplaced
                | Verdict::Constant
                | Verdict::Repeating
                | Verdict::Random
                | Verdict::Blank
        )
    }

    /// What to do (common practice, no source).
    pub fn advice(self) -> &'static str {
        match self {
            Verdict::Sound => "Go on.",
            Verdict::PartlyDamaged => {
                "Go on, structure first: it is what the rest depends on, and it is where the damage shows."
            }
            Verdict::Unreadable => {
                "Stop for now. Let the drive rest and cool, then switch it off and on, and survey again. If it answers, plan and copy: `copy` \
                 reads what answers easily before it retries these ranges, and plans anew when the structure arrives. If the drive \
                 stays silent, look for the cause before you read on: power, board, heads."
            }
            Verdict::Misplaced | Verdict::Constant | Verdict::Repeating => {
                "Stop here. This is not the client's data: check the board, its ROM and adaptive data, and the translation, then survey again \
                 without a case."
            }
            Verdict::Random => {
                "Stop here. Ask whether the drive was encrypted: then copy it whole. If not, check the board, its ROM and adaptive data \
                 (drives that encrypt by themselves answer like this with another board), then survey again without a case."
            }
            Verdict::Blank => {
                "Stop here. Ask whether the drive was wiped, trimmed or never used; a drive that cannot reach its medium may also answer \
                 with zeros."
            }
            Verdict::Encrypted => "Copy all that is planned, and ask the client for the key or password.",
            Verdict::Unclear => {
                "Look at a few sectors and at the drive's label before copying; when they make sense, copy all of it."
            }
        }
    }

    /// The finding that goes with it.
    pub fn code(self) -> Option<&'static Code> {
        match self {
            Verdict::Sound | Verdict::PartlyDamaged => None,
            Verdict::Unreadable => Some(&found::UNREADABLE),
            Verdict::Misplaced => Some(&found::MISPLACED),
            Verdict::Constant => Some(&found::CONSTANT),
            Verdict::Repeating => Some(&found::REPEATING),
            Verdict::Random => Some(&found::RANDOM),
            Verdict::Blank => Some(&found::BLANK),
            Verdict::Encrypted => Some(&found::ENCRYPTED),
            Verdict::Unclear => Some(&found::UNCLEAR),
        }
    }
}

/// Whether what was read leaves so much doubt that places are to be sampled. Never on a drive whose tables and volumes are sound.
pub(super) fn is_in_doubt(tables: &Tables, structure: &Structure) -> bool {
    if mostly_encrypted(tables) && structure.lost == 0 {
        return false;
    }
    let nothing = structure.understood == 0 && tables.foreign == 0;
    nothing || tables.in_doubt() || structure.in_doubt() || tables.missing > 0
}

fn mostly_encrypted(tables: &Tables) -> bool {
    tables.encrypted_bytes > tables.area_bytes / 2
}

/// All that a verdict rests on.
pub(super) struct Ground<'g> {
    pub(super) drive: &'g DriveMap,
    pub(super) tables: &'g Tables,
    pub(super) structure: &'g Structure,
    pub(super) samples: Option<&'g Samples>,
    pub(super) last: LastSector,
    pub(super) answers: &'g Answers,
    pub(super) so_far: Option<SoFar>,
}

impl Ground<'_> {
    /// The verdict and its sentence. What contradicts the drive as a whole comes first, then what is known of its volumes.
    pub(super) fn decide(&self, evidence: &[Evidence]) -> (Verdict, String) {
        if let Some(repeats) = self.samples.and_then(|samples| self.repetition(samples)) {
            return (Verdict::Repeating, repeats);
        }
        if self.answers.has_stopped() || self.answers.has_mostly_failed() {
            return (Verdict::Unreadable, self.silent());
        }
        if mostly_encrypted(self.tables) && self.structure.lost == 0 {
            return (Verdict::Encrypted, self.encrypted());
        }
        // What was not requested says nothing about the drive.
        let stopped = self.so_far.is_some_and(|so_far| so_far.why == LeftOff::Stopped);
        let unread = if stopped { 0 } else { self.structure.unread + self.tables.unreadable };
        if stopped && self.structure.understood == 0 && self.tables.foreign == 0 && self.structure.lost == 0 {
            return (
                Verdict::Unclear,
                "Nothing that was read by then says whether it is the client's data.".to_owned(),
            );
        }
        if self.structure.understood == 0 && self.tables.foreign == 0 {
            let wrong = self.structure.lost + self.tables.missing;
            return if unread > wrong { (Verdict::Unreadable, self.unread()) } else { self.of_samples() };
        }
        let (missing, expected) = self.missing();
        if missing * 2 > expected {
            return (Verdict::Misplaced, self.misplaced());
        }
        if unread * 2 > expected {
            return (Verdict::Unreadable, self.unread());
        }
        if self.structure.understood == 0 && self.tables.checksummed == 0 && self.drive.layout.scheme != Scheme::Gpt {
            let sentence =
                "Another kind of volume is recognised by its signature; nothing else on this drive can be checked.";
            return (Verdict::Unclear, sentence.to_owned());
        }
        let failed = evidence.iter().filter(|e| e.outcome == Outcome::Fails).count();
        if failed > 0
            || self.structure.damage > 0
            || self.structure.records.bad() + self.structure.unread_records() > 0
            || self.last == LastSector::Unreadable
        {
            return (Verdict::PartlyDamaged, self.damaged(evidence));
        }
        (Verdict::Sound, self.sound(evidence))
    }

    /// Volumes that are not there, or hardly, where tables and boot sectors put them; and all that are expected.
    fn missing(&self) -> (u64, u64) {
        let mut missing = self.structure.lost + self.tables.missing + self.structure.hollow;
        let mut expected = self.tables.boots.total.saturating_sub(self.tables.found);
        if self.tables.found > 0 {
            // Volumes stand elsewhere: then places that are all zero are not taken for never formatted.
            missing += self.tables.blank;
            expected += self.tables.blank;
        }
        let expected = expected.max(missing).max(1);
        (missing, expected)
    }

    fn repetition(&self, samples: &Samples) -> Option<String> {
        if samples.mostly(samples.most_equal) {
            return Some(format!(
                "{} of {} samples hold the same block: the drive does not give what stands at each address.",
                samples.most_equal, samples.answered
            ));
        }
        if let Some(at) = samples.wraps_at {
            return Some(format!(
                "The first sector comes again {} ({}) further up and at every larger power of two: addresses wrap round.",
                human::bytes(at),
                human::unit_size(at)
            ));
        }
        let nothing = self.structure.understood == 0 && self.tables.foreign == 0;
        (nothing && samples.mostly(samples.periodic))
            .then(|| format!("{} of {} samples hold a pattern instead of content.", samples.periodic, samples.answered))
    }

    /// The verdict where no volume says anything.
    fn of_samples(&self) -> (Verdict, String) {
        let Some(samples) = self.samples.filter(|samples| samples.answered > 0) else {
            return (Verdict::Unclear, "No volume is recognised, and no sample was read.".to_owned());
        };
        let answered = samples.answered;
        if let Some((byte, count)) = samples.constant().filter(|(_, count)| samples.mostly(*count)) {
            let sentence = format!("{count} of {answered} samples hold nothing but the byte {byte:02X}.");
            return (Verdict::Constant, sentence);
        }
        if samples.nearly_all_random() {
            let table = match self.drive.layout.scheme {
                Scheme::Unrecognised => "nothing is recognised",
                _ => "only the table is recognised",
            };
            let sentence = format!(
                "{} of {answered} sampled places look like random bytes and {table}: encrypted as a whole without a published signature, or \
                 the translation is wrong. These look alike from outside.",
                samples.random
            );
            return (Verdict::Random, sentence);
        }
        // A table whose copy is missing was not left alone: then the zeros say nothing for sure.
        let nothing_else =
            if self.tables.nothing_recognised() { self.tables.first_is_zero } else { !self.tables.in_doubt() };
        if samples.zero == answered && self.structure.lost == 0 && self.tables.missing == 0 && nothing_else {
            let table = if self.tables.nothing_recognised() { "" } else { " outside the table" };
            return (
                Verdict::Blank,
                format!("All of {answered} samples{table} are zero, and no volume is recognised."),
            );
        }
        // Several volumes that were all never formatted, on a drive that holds something; or one, and the table's copy is gone as well.
        let blank_places = self.tables.boots.good == 0
            && (self.tables.blank >= 2 && samples.zero < answered || self.tables.blank > 0 && self.tables.in_doubt());
        let proven = self.tables.is_proven() && self.tables.missing > 0;
        if self.structure.lost > 0 || proven || blank_places {
            return (Verdict::Misplaced, self.misplaced());
        }
        if self.drive.layout.scheme != Scheme::Unrecognised && self.tables.areas == 0 && self.tables.is_proven() {
            let sentence = "The table is sound and names no volume; what lies outside it is not zero everywhere.";
            return (Verdict::Unclear, sentence.to_owned());
        }
        let sentence = format!(
            "No volume is recognised. Of {answered} sampled places {} are zero, {} look random, the rest holds something: the drive answers, \
             but nothing says whether from the right places.",
            samples.zero, samples.random
        );
        (Verdict::Unclear, sentence)
    }

    /// The drive does not answer, or hardly.
    fn silent(&self) -> String {
        let state = if self.answers.has_stopped() { "The drive has stopped answering" } else { "Most reads failed" };
        format!("{state}: {}. What was read does not tell which files there are.", self.answers.figures())
    }

    /// It answers, but not where the structure is.
    fn unread(&self) -> String {
        let mut said = Vec::new();
        if self.structure.unread > 0 {
            said.push(format!(
                "of {} at least half of what lists the files was not read",
                counted(self.structure.unread, "volume", "volumes")
            ));
        }
        if self.structure.unread_records() > 0 {
            said.push(counted(self.structure.unread_records(), "file record is missing", "file records are missing"));
        }
        if self.tables.unreadable > 0 {
            said.push(format!(
                "{} not read, and no copy was found",
                counted(self.tables.unreadable, "boot sector was", "boot sectors were")
            ));
        }
        format!(
            "The drive answers, but not where its structure is: {}. Nothing is known to be at a wrong place.",
            said.join("; ")
        )
    }

    fn misplaced(&self) -> String {
        let mut said = Vec::new();
        if self.structure.lost > 0 {
            said.push(format!(
                "{} to nothing at the places given",
                counted(self.structure.lost, "boot sector leads", "boot sectors lead")
            ));
        }
        if self.tables.missing > 0 {
            said.push(format!(
                "{} missing where the table puts {}",
                counted(self.tables.missing, "boot sector is", "boot sectors are"),
                if self.tables.missing == 1 { "it" } else { "them" }
            ));
        }
        if self.tables.blank > 0 && (self.tables.boots.good == 0 || self.tables.found > 0) {
            said.push(format!(
                "{} all zero",
                counted(self.tables.blank, "place of a boot sector is", "places of boot sectors are")
            ));
        }
        if self.tables.found > 0 {
            said.push(format!(
                "{} where the table puts none",
                counted(self.tables.found, "volume stands", "volumes stand")
            ));
        }
        if self.structure.hollow > 0 {
            said.push(format!(
                "of {} at least half of the records, folders or map is not at its place",
                counted(self.structure.hollow, "volume", "volumes")
            ));
        }
        format!(
            "Tables can be read, but {}. Either blocks of the drive come from wrong places, or these volumes were overwritten.",
            said.join("; ")
        )
    }

    fn encrypted(&self) -> String {
        let name = self.tables.encrypted_name.unwrap_or("encryption");
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let share = self.tables.encrypted_bytes as f64 / self.tables.area_bytes.max(1) as f64;
        format!(
            "{} ({name}), {} of all volumes' bytes. What is not encrypted is consistent as far as it can be checked; inside, nothing can be checked.",
            counted(self.tables.encrypted, "volume is encrypted", "volumes are encrypted"),
            human::share(share)
        )
    }

    fn damaged(&self, evidence: &[Evidence]) -> String {
        let failed: Vec<String> = remarks(evidence, &[Outcome::Fails]);
        let part: Vec<String> = remarks(evidence, &[Outcome::InPart]);
        let why = if failed.is_empty() { part } else { failed };
        match why.is_empty() {
            true => format!(
                "Structure is at its places, with {}.",
                counted(self.structure.damage, "finding of damage", "findings of damage")
            ),
            false => format!(
                "Structure is at its places where it could be checked. Not or only partly OK: {}.",
                why.join(", ")
            ),
        }
    }

    fn sound(&self, evidence: &[Evidence]) -> String {
        let part = remarks(evidence, &[Outcome::InPart]);
        let good = evidence.iter().filter(|e| e.outcome == Outcome::Holds).count() as u64;
        let holds = counted(good, "check is OK", "checks are OK");
        match part.is_empty() {
            true => format!("Capacity, tables and structure fit together: {holds}, none failed."),
            false => format!("{holds}, none failed; only partly OK: {}.", part.join(", ")),
        }
    }
}

/// Checks with one of these outcomes; their figures stand with each of them in the full form.
fn remarks(evidence: &[Evidence], outcomes: &[Outcome]) -> Vec<String> {
    let chosen = evidence.iter().filter(|e| outcomes.contains(&e.outcome) && e.check != Check::Samples);
    chosen.map(|e| e.check.name().to_owned()).collect()
}
