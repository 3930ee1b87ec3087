//! Is what the drive gives consistent? The verdict that comes before every other answer, after a board or part was replaced.
//!
//! A drive that answers is not a drive that tells the truth: with the wrong translation or adaptive data it gives bytes without an error,
//! from the wrong places or from none. What was read of tables and structure carries its own proof (CRCs, fixups, copies that must agree),
//! so it is held against itself first, at no cost. Only where that leaves doubt are a few places sampled, within [`BUDGET`].
//!
//! `docs/coherence.md` lists checks, thresholds and their reasons, and what cannot be told.

mod answers;
mod block;
mod capacity;
mod evidence;
mod findings;
mod names;
mod samples;
mod structure;
mod tables;
mod verdict;

pub use answers::PROBES;
pub use capacity::customary_gigabytes;
pub use evidence::{Check, Evidence, Outcome};
pub use findings::CODES;
pub use samples::{BUDGET, PLACES, SAMPLE_BYTES, TIME_ALLOWED};
pub use verdict::Verdict;

use crate::base::finding::{Finding, Findings};
use crate::source::{Block, LeftOff, Reader, SourceLost};
use crate::survey::allocation::DriveMap;
use answers::Answers;
use samples::Samples;
use serde::Serialize;
use structure::Structure;
use tables::Tables;

/// An amount of reading.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Effort {
    /// Bytes.
    pub bytes: u64,
    /// Requests to the drive, failed ones included.
    pub requests: u64,
}

/// Structure that was left.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct SoFar {
    /// Why.
    pub why: LeftOff,
    /// Requests that had failed, or were slow, by then.
    pub troubles: u64,
    /// Places that are not read yet, as far as they are known.
    pub places: u64,
    /// Their bytes.
    pub bytes: u64,
}

impl SoFar {
    fn of(reader: &Reader) -> Option<SoFar> {
        let why = reader.left_off()?;
        let left = reader.not_read_yet();
        Some(SoFar { why, troubles: reader.troubles(), places: left.extents().len() as u64, bytes: left.bytes() })
    }
}

/// The verdict with all that it rests on.
#[derive(Clone, Debug, Serialize)]
pub struct Coherence {
    /// The verdict.
    pub verdict: Verdict,
    /// The verdict in a sentence or two, with the figures that decided.
    pub sentence: String,
    /// What to do.
    pub advice: &'static str,
    /// Every check, in the order in which a technician would go: capacity, tables, boot sectors, structure, samples.
    pub evidence: Vec<Evidence>,
    /// What was left, when the structure is not read to its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub so_far: Option<SoFar>,
    /// What this cost beyond the survey's own reading.
    pub read: Effort,
    /// What it may cost at most.
    pub budget: Effort,
    /// What goes into the list of findings.
    #[serde(skip)]
    pub findings: Findings,
}

/// Judges a drive whose tables and structure have been read through `reader`.
///
/// Reads the last sector; where evidence is thin or contradictory also the samples, within [`BUDGET`]. Asks for nothing that was requested
/// before, except where the last read has brought nothing: then up to [`PROBES`] sectors show whether the drive still answers. With a case alone, places that the case does not hold count as not read.
///
/// # Errors
/// [`SourceLost`] when the device is gone. Places that do not answer are evidence.
pub fn judge(drive: &DriveMap, reader: &Reader) -> Result<Coherence, SourceLost> {
    let before = reader.totals();
    let first = held(reader, crate::base::extent::Extent::between(0, 512.min(drive.identity.bytes)))?;
    let last = match drive.identity.last_sector() {
        Some(sector) if !reader.would_ask_again(sector) => LastSector::of(held(reader, sector)?),
        Some(sector) => LastSector::of_asked(reader, sector),
        None => LastSector::NotRead,
    };
    let tables = Tables::of(drive, first.as_ref(), reader)?;
    let structure = Structure::of(drive);
    let mut evidence = vec![capacity::check(drive, &tables), last.evidence(drive)];
    evidence.extend(tables.evidence());
    evidence.extend(structure.evidence());
    let mut answers = Answers::of(reader)?;
    // No samples of a drive that has stopped answering.
    let may_look = !answers.has_stopped() && !reader.has_left_off();
    let samples = if may_look && verdict::is_in_doubt(&tables, &structure) {
        let samples = Samples::take(reader, first.as_ref(), before)?;
        answers = Answers::of(reader)?;
        Some(samples)
    } else {
        None
    };
    evidence.extend(samples.iter().flat_map(Samples::evidence));
    evidence.extend(answers.evidence());
    evidence.sort_by_key(|line| line.check);
    let samples = samples.as_ref();
    let so_far = SoFar::of(reader);
    let ground =
        verdict::Ground { drive, tables: &tables, structure: &structure, samples, last, answers: &answers, so_far };
    let (verdict, sentence) = ground.decide(&evidence);
    let after = reader.totals();
    let read = Effort { bytes: after.bytes - before.bytes, requests: after.requests - before.requests };
    let mut findings = Findings::new();
    if last == LastSector::Unreadable
        && let Some(sector) = drive.identity.last_sector()
    {
        let sentence =
            format!("The last sector, of {} bytes from byte {}, does not answer.", sector.bytes, sector.start.0);
        findings.push(Finding::at(&findings::LAST_SECTOR, sector.start, sentence));
    }
    for finding in &structure.findings {
        findings.push(finding.clone());
    }
    if let Some(code) = verdict.code() {
        findings.push(Finding::general(code, sentence.clone()));
    }
    Ok(Coherence { verdict, sentence, advice: verdict.advice(), evidence, so_far, read, budget: BUDGET, findings })
}

/// Reads `extent`; `None` when there is only a case and it does not hold the place.
fn held(reader: &Reader, extent: crate::base::extent::Extent) -> Result<Option<Block>, SourceLost> {
    if extent.is_empty() {
        return Ok(None);
    }
    match reader.read(extent) {
        Ok(block) => Ok(Some(block)),
        Err(SourceLost::NotInCase { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}

/// Whether the drive's last sector answers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum LastSector {
    Answers,
    Unreadable,
    NotRead,
}

impl LastSector {
    fn of(block: Option<Block>) -> LastSector {
        match block {
            None => LastSector::NotRead,
            Some(block) if block.whole().is_some() => LastSector::Answers,
            Some(_) => LastSector::Unreadable,
        }
    }

    /// The survey has read it in one of its large requests.
    fn of_asked(reader: &Reader, sector: crate::base::extent::Extent) -> LastSector {
        let unreadable = reader.unreadable().bytes_within(sector) > 0;
        if unreadable { LastSector::Unreadable } else { LastSector::Answers }
    }

    fn evidence(self, drive: &DriveMap) -> Evidence {
        let sector = drive.identity.last_sector();
        let place = sector.map_or(String::new(), |s| {
            format!("LBA {}, of {} bytes", drive.identity.logical_sector.lba_of(s.start).0, s.bytes)
        });
        let (outcome, figures) = match self {
            LastSector::Answers => (Outcome::Holds, format!("{place}: answers")),
            LastSector::Unreadable => (Outcome::Fails, format!("{place}: does not answer")),
            LastSector::NotRead => (Outcome::NotRead, format!("{place}: not in the case")),
        };
        Evidence::new(Check::LastSector, outcome, figures)
    }
}
