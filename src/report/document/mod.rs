//! The report of a case: one HTML page that needs nothing else, with the full lists beside it.
//!
//! [`gather`] puts together what is known, as values; [`page`] says it as HTML. The page loads nothing and needs no script;
//! it reads on paper, on a phone, in the light and in the dark.

mod gather;
mod heads;
mod page;
mod pictures;
mod publish;
mod timeline;

pub use gather::{GatherError, PassFacts, PlanFacts, RangeFacts, RecordedSum, gather};
pub use heads::HeadFacts;
pub use page::page;
pub use publish::{PublishError, Published, check_free, publish};

use crate::case::{CaseFile, CaseRecord};
use crate::copy::history::History;
use crate::report::values::{AreaDensity, SurveyReport};
use crate::results::audit::{AuditSummary, FileAudit};
use crate::results::verify::WholeSum;

/// Whom a report is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug, clap::ValueEnum)]
pub enum Audience {
    /// Everything, for technicians.
    Bench,
    /// Without personal fields, names of technicians and paths of their machines; the report is short and in plain words.
    Client,
}

/// All that a report says.
#[derive(Debug)]
pub struct Document {
    /// Whom it is for.
    pub audience: Audience,
    /// When it was made (RFC 3339, UTC).
    pub made: String,
    /// What the case's file says.
    pub case: CaseFile,
    /// The image's file name.
    pub image_name: String,
    /// What the survey says, from what the case holds.
    pub survey: SurveyReport,
    /// What each area holds and what of it is copied, place by place.
    pub densities: Vec<AreaDensity>,
    /// What the plan reads, if there is one.
    pub plan: Option<PlanFacts>,
    /// Files and folders by their state.
    pub files: AuditSummary,
    /// The first of the files that are not complete: the lost and damaged before the others, of these the wanted before the others.
    pub not_complete: Vec<FileAudit>,
    /// What is held and what is not.
    pub ranges: RangeFacts,
    /// The evidence of a bad head, when it is strong.
    pub heads: Option<HeadFacts>,
    /// Checksums of earlier checks, from the record, the latest last.
    pub recorded_sums: Vec<RecordedSum>,
    /// The checksum calculated for this report, where that was chosen.
    pub sum: Option<WholeSum>,
    /// How copying went.
    pub history: History,
    /// The record, in the audience's copy.
    pub record: CaseRecord,
    /// Names of the files beside the page: files, ranges.
    pub lists: [String; 2],
}
