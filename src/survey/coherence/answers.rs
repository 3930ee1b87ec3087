//! Whether the drive answers the survey's reads, and still does at the end.

use super::evidence::{Check, Evidence, Outcome, counted};
use super::samples;
use crate::base::extent::Extent;
use crate::base::human;
use crate::source::{AlignedBuffer, ReadOutcomes, Reader, SourceLost};

/// Sectors that are requested, one after the other, when the last read has brought nothing: does the drive answer anywhere?
pub const PROBES: usize = 3;

/// Fewer failed reads than this are no majority that means anything.
const LEAST_FAILED: u64 = 3;

/// How the survey's reads went.
pub(super) struct Answers {
    outcomes: ReadOutcomes,
    /// How many sectors did not answer at the end; `None` when one answered, or none had to be requested.
    silent_probes: Option<u64>,
}

impl Answers {
    /// Looks at the reads so far. When the last has brought nothing, up to [`PROBES`] further sectors are requested, until one answers.
    pub(super) fn of(reader: &Reader) -> Result<Answers, SourceLost> {
        let outcomes = reader.outcomes();
        let silent_probes = if outcomes.silent_since == 0 || reader.is_let_go() { None } else { probe(reader)? };
        Ok(Answers { outcomes, silent_probes })
    }

    /// Whether the drive no longer answers anywhere.
    pub(super) fn has_stopped(&self) -> bool {
        self.silent_probes.is_some()
    }

    /// Whether most of the survey's reads failed.
    pub(super) fn has_mostly_failed(&self) -> bool {
        self.outcomes.failed >= LEAST_FAILED && self.outcomes.failed * 2 > self.outcomes.made
    }

    /// The figures in a sentence without its end.
    pub(super) fn figures(&self) -> String {
        let ReadOutcomes { made, failed, silent_since } = self.outcomes;
        let mut said =
            format!("{} of {} failed, in part or completely", human::count(failed), counted(made, "read", "reads"));
        if let Some(probes) = self.silent_probes {
            said += &format!(
                "; the last {} nothing, and {} elsewhere did not answer either",
                counted(silent_since, "read brought", "reads brought"),
                counted(probes, "range", "ranges")
            );
        }
        said
    }

    /// A line where any read failed; a drive that answers needs none.
    pub(super) fn evidence(&self) -> Option<Evidence> {
        let outcome = match () {
            () if self.outcomes.failed == 0 => return None,
            () if self.has_stopped() || self.has_mostly_failed() => Outcome::Fails,
            () => Outcome::InPart,
        };
        Some(Evidence::new(Check::Answers, outcome, self.figures()))
    }
}

/// Requests single sectors, spread over the drive, that have not failed before. `None` when one answers, or none could be requested.
fn probe(reader: &Reader) -> Result<Option<u64>, SourceLost> {
    let sector = reader.identity().physical_sector.bytes();
    let unreadable = reader.unreadable();
    let places = samples::spread(reader.identity().bytes).into_iter().map(|place| Extent { bytes: sector, ..place });
    let mut asked = 0;
    for place in places.filter(|place| unreadable.bytes_within(*place) == 0).take(PROBES) {
        let mut buffer = AlignedBuffer::new(usize::try_from(sector).expect("a sector fits in memory"));
        match reader.attempt(place, &mut buffer.bytes_mut()[..usize::try_from(sector).expect("as before")]) {
            Ok(attempt) if attempt.failure.is_none() => return Ok(None),
            Ok(_) => asked += 1,
            Err(SourceLost::NotInCase { .. }) => return Ok(None),
            Err(error) => return Err(error),
        }
    }
    Ok(Some(asked).filter(|asked| *asked > 0))
}
