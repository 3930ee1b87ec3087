//! One check, what came of it, and its figures.

use serde::Serialize;

/// What is checked.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Check {
    /// The capacity is a plausible one, and no table or volume needs more.
    Capacity,
    /// The last sector answers.
    LastSector,
    /// The drive answers the survey's reads, to the end.
    Answers,
    /// Signatures and CRCs of the tables.
    Tables,
    /// Boot sectors stand where the table puts them.
    BootSectors,
    /// Boot sectors equal their copies.
    BootCopies,
    /// File records are at their places, with sound fixups and their own numbers.
    FileRecords,
    /// The copies of the FAT agree, and it starts as it must.
    FileTables,
    /// Folders hold entries, and their entries for themselves lead to themselves.
    Folders,
    /// Entry sets have the checksum they were written with; bitmap and up-case table are there.
    EntrySets,
    /// Names are text.
    Names,
    /// The allocation map and the files' own runs agree.
    TwoMaps,
    /// What sampled places hold.
    Samples,
    /// The first sector does not come again further up.
    Wrap,
}

impl Check {
    /// The check's name as people read it.
    pub fn name(self) -> &'static str {
        match self {
            Check::Capacity => "capacity",
            Check::LastSector => "last sector",
            Check::Answers => "reads",
            Check::Tables => "partition table",
            Check::BootSectors => "boot sectors in place",
            Check::BootCopies => "boot sectors and copies",
            Check::FileRecords => "file records in place",
            Check::FileTables => "file allocation tables",
            Check::Folders => "folders",
            Check::EntrySets => "entry sets",
            Check::Names => "names",
            Check::TwoMaps => "bitmap and files' runs",
            Check::Samples => "sampled content",
            Check::Wrap => "addresses",
        }
    }
}

/// What came of a check.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It holds.
    Holds,
    /// It holds for a part, or with a difference that a person should look at.
    InPart,
    /// It fails.
    Fails,
    /// There is nothing of the kind on this drive.
    NotApplicable,
    /// What it needs was not read.
    NotRead,
}

impl Outcome {
    /// The outcome as people read it.
    pub fn name(self) -> &'static str {
        match self {
            Outcome::Holds => "OK",
            Outcome::InPart => "partly",
            Outcome::Fails => "failed",
            Outcome::NotApplicable => "not applicable",
            Outcome::NotRead => "not read yet",
        }
    }
}

/// One line of evidence.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Evidence {
    /// What was checked.
    pub check: Check,
    /// What came of it.
    pub outcome: Outcome,
    /// The figures.
    pub figures: String,
}

impl Evidence {
    pub(super) fn new(check: Check, outcome: Outcome, figures: impl Into<String>) -> Evidence {
        Evidence { check, outcome, figures: figures.into() }
    }
}

/// How many of how many passed a check.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Tally {
    pub(super) good: u64,
    pub(super) total: u64,
}

impl Tally {
    pub(super) fn add(&mut self, good: bool) {
        self.good += u64::from(good);
        self.total += 1;
    }

    pub(super) fn bad(self) -> u64 {
        self.total.saturating_sub(self.good)
    }

    /// Whether at least half is bad: that is no longer damage in a sound volume.
    pub(super) fn mostly_bad(self) -> bool {
        self.total > 0 && self.bad() * 2 >= self.total
    }

    pub(super) fn outcome(self) -> Outcome {
        match () {
            () if self.total == 0 => Outcome::NotApplicable,
            () if self.bad() == 0 => Outcome::Holds,
            () if self.mostly_bad() => Outcome::Fails,
            () => Outcome::InPart,
        }
    }
}

/// A number with its noun: `1 partition`, `3 partitions`.
pub(super) fn counted(number: u64, one: &str, many: &str) -> String {
    format!("{} {}", crate::base::human::count(number), if number == 1 { one } else { many })
}
