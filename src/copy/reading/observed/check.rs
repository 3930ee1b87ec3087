//! Whether the drive still answers, and with its own bytes.
//!
//! A drive that answers nothing is not full of bad sectors, and one that answers everything with zeros does not read well.
//! Both look like what they are not, request by request. So sectors whose content is known are read once more: the one
//! stated exception to "no byte is read twice". `docs/copying.md` has the rules with their reasons.

use super::known_sectors::{CHECKED_AT_ONCE, EvenSample, KnownSector, KnownSectors, is_repeated};
use crate::base::extent::Extent;
use crate::copy::reading::early_end::EarlyEnd;
use crate::source::{Blame, CopyStore, Failure, RangeMark, Reader, Skip};
use serde::Serialize;

/// Failed requests in a row that do not blame the medium before the drive is checked; doubled by each check that it passes,
/// up to [`MOST_UNANSWERED`], until it answers. An error of the medium is an answer.
const FIRST_CHECK: usize = 4;

/// The most that are not answered between two checks.
const MOST_UNANSWERED: usize = 64;

/// Failed requests in a row before the drive is checked although it blames the medium for all.
const MOST_IN_A_ROW: u32 = 64;

/// Failed requests in a row after which a drive is taken for silent although nothing is known by which it could be checked.
const NOTHING_KNOWN: usize = 32;

/// Bytes in a row that are constant or one block again and again, before the drive is checked.
const CONSTANT_BYTES: u64 = 64 << 20;

/// Ranges that are not decided yet, at most; what is beyond stays skipped.
const MOST_UNDECIDED: usize = 1 << 16;

/// What checking cost the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct CheckFigures {
    /// Sectors that were read once more.
    pub requests: u64,
    /// Of those, failed.
    pub failed_requests: u64,
    /// Bytes that arrived by them.
    pub bytes: u64,
}

impl CheckFigures {
    pub(in crate::copy::reading) fn add(&mut self, other: &CheckFigures) {
        self.requests += other.requests;
        self.failed_requests += other.failed_requests;
        self.bytes += other.bytes;
    }
}

/// What is known of the drive's answers.
pub(in crate::copy::reading) struct DriveCheck<'r> {
    reader: &'r Reader,
    store: &'r dyn CopyStore,
    known: KnownSectors,
    unit: usize,
    /// Requests that were not answered since the last that was.
    row: Vec<Extent>,
    /// Requests that failed since the last that succeeded.
    in_a_row: u32,
    check_after: usize,
    /// What failed at every try, not decided before the drive has answered.
    undecided: Vec<RangeMark>,
    /// Ranges kept whose bytes are constant or repeated, since the last good check.
    constant: Vec<Extent>,
    /// How many bytes of those came in a row.
    constant_in_a_row: u64,
    figures: CheckFigures,
}

/// What a check found.
enum Found {
    /// The drive gives what it gave. `long_ago` when the sector cannot come from its buffer.
    Answers { long_ago: bool },
    /// It gives other bytes than it gave.
    Differs { byte: u64 },
    /// It gives none of them.
    Nothing,
    /// There is nothing to check it by.
    NotKnown,
}

impl<'r> DriveCheck<'r> {
    pub(in crate::copy::reading) fn new(
        reader: &'r Reader,
        store: &'r dyn CopyStore,
        held: &EvenSample<Extent>,
    ) -> DriveCheck<'r> {
        let identity = reader.identity();
        let unit = identity.physical_sector.bytes();
        DriveCheck {
            reader,
            store,
            known: KnownSectors::new(identity.bytes, unit, held),
            unit: usize::try_from(unit).expect("at most 64 KiB"),
            row: Vec::new(),
            in_a_row: 0,
            check_after: FIRST_CHECK,
            undecided: Vec::new(),
            constant: Vec::new(),
            constant_in_a_row: 0,
            figures: CheckFigures::default(),
        }
    }

    pub(in crate::copy::reading) fn figures(&self) -> CheckFigures {
        self.figures
    }

    /// A request succeeded; `arrived` is how many bytes had before. Gives what is decided by that.
    pub(in crate::copy::reading) fn succeeded(
        &mut self,
        extent: Extent,
        bytes: &[u8],
        arrived: u64,
    ) -> Result<Vec<RangeMark>, EarlyEnd> {
        self.known.arrived(extent, bytes, arrived);
        self.end_row();
        if is_repeated(bytes, self.unit) {
            self.constant.push(extent);
            self.constant_in_a_row += extent.bytes;
            if self.constant_in_a_row >= CONSTANT_BYTES || self.constant.len() >= MOST_UNDECIDED {
                self.constant_in_a_row = 0;
                self.check_content(arrived)?;
            }
        } else {
            self.constant_in_a_row = 0;
        }
        Ok(std::mem::take(&mut self.undecided))
    }

    /// A request failed. Gives what is decided meanwhile.
    pub(in crate::copy::reading) fn failed(
        &mut self,
        extent: Extent,
        failure: Failure,
        arrived: u64,
    ) -> Result<Vec<RangeMark>, EarlyEnd> {
        self.in_a_row += 1;
        if failure.blame == Blame::Medium {
            self.row.clear();
            self.check_after = FIRST_CHECK;
            return if self.in_a_row.is_multiple_of(MOST_IN_A_ROW) {
                self.check_presence(arrived)
            } else {
                Ok(Vec::new())
            };
        }
        self.row.push(extent);
        if !self.row.len().is_multiple_of(self.check_after) {
            return Ok(Vec::new());
        }
        self.check_after = (self.check_after * 2).min(MOST_UNANSWERED);
        self.check_presence(arrived)
    }

    /// A range failed alone at every try. Given back when that is decided; else it is kept until it is.
    pub(in crate::copy::reading) fn unreadable(&mut self, mark: RangeMark, failure: Failure) -> Option<RangeMark> {
        if failure.blame == Blame::Medium {
            return Some(mark);
        }
        if self.undecided.len() < MOST_UNDECIDED {
            self.undecided.push(mark);
        }
        None
    }

    /// Makes sure that the drive is there, where something depends on that.
    pub(in crate::copy::reading) fn decide(&mut self, arrived: u64) -> Result<Vec<RangeMark>, EarlyEnd> {
        if self.undecided.is_empty() { Ok(Vec::new()) } else { self.check_presence(arrived) }
    }

    /// Makes sure that the drive gives its own bytes, if there is anything to tell by.
    pub(in crate::copy::reading) fn check_content(&mut self, arrived: u64) -> Result<(), EarlyEnd> {
        match self.check(arrived, false)? {
            Found::Answers { .. } => self.constant.clear(),
            Found::Differs { byte } => return Err(self.changed(byte)),
            // An unreadable sector proves nothing.
            Found::Nothing | Found::NotKnown => {}
        }
        Ok(())
    }

    fn check_presence(&mut self, arrived: u64) -> Result<Vec<RangeMark>, EarlyEnd> {
        match self.check(arrived, true)? {
            Found::Answers { long_ago: true } => Ok(std::mem::take(&mut self.undecided)),
            Found::Answers { long_ago: false } => Ok(Vec::new()),
            Found::Differs { byte } => Err(self.changed(byte)),
            Found::Nothing => Err(self.silent()),
            Found::NotKnown if self.row.len() >= NOTHING_KNOWN => Err(self.silent()),
            Found::NotKnown => Ok(Vec::new()),
        }
    }

    /// Reads known sectors until one tells; where `presence` is all that matters, the first that arrives does.
    fn check(&mut self, arrived: u64, presence: bool) -> Result<Found, EarlyEnd> {
        let (sectors, long_ago) = self.known.choose(self.store, arrived);
        let mut found = if sectors.is_empty() { Found::NotKnown } else { Found::Nothing };
        for sector in sectors.iter().take(CHECKED_AT_ONCE) {
            match self.read(sector)? {
                None => {}
                Some(None) => {
                    if presence {
                        self.constant.clear();
                    }
                    return Ok(Found::Answers { long_ago });
                }
                // One that differs could be the image's fault; another decides.
                Some(Some(byte)) => found = Found::Differs { byte },
            }
        }
        Ok(found)
    }

    /// Reads a sector once more: `None` when it cannot be read, else the first byte that differs.
    fn read(&mut self, sector: &KnownSector) -> Result<Option<Option<u64>>, EarlyEnd> {
        self.figures.requests += 1;
        let Some(now) = self.reader.look_again(sector.extent)? else {
            self.figures.failed_requests += 1;
            return Ok(None);
        };
        self.figures.bytes += sector.extent.bytes;
        let differs = now.iter().zip(&sector.bytes).position(|(now, before)| now != before);
        Ok(Some(differs.map(|at| sector.extent.start.0 + at as u64)))
    }

    fn end_row(&mut self) {
        self.row.clear();
        self.in_a_row = 0;
        self.check_after = FIRST_CHECK;
    }

    /// The drive answers nothing: what failed since it last did was not tried, it was only not answered. The first and the
    /// last of it may be what stops the drive.
    fn silent(&mut self) -> EarlyEnd {
        let skipped = |extent: &Extent, why| RangeMark::Skipped { extent: *extent, why, failure: Failure::default() };
        let mut marks: Vec<RangeMark> = self.row.iter().map(|extent| skipped(extent, Skip::Near)).collect();
        let ends = [self.row.first(), self.row.last()];
        marks.extend(ends.into_iter().flatten().map(|extent| skipped(extent, Skip::Suspect)));
        let extent = self.row.first().copied().unwrap_or(Extent::between(0, 0));
        let failed_in_a_row = u32::try_from(self.row.len()).unwrap_or(u32::MAX);
        EarlyEnd::Silent { extent, failed_in_a_row, marks }
    }

    /// The drive gives other bytes: what is constant since it last gave its own is not believed.
    fn changed(&mut self, byte: u64) -> EarlyEnd {
        let marks = std::mem::take(&mut self.constant).into_iter().map(|extent| RangeMark::Withdrawn { extent });
        EarlyEnd::Changed { byte, marks: marks.collect() }
    }
}
