//! What is known of a case, put together.

use super::heads::head_facts;
use super::{Audience, Document};
use crate::base::ending::{Ending, Ends};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::regular_file;
use crate::case::{Case, CaseError, CaseRecord, JournalState, RecordLine, read_record};
use crate::copy::history::{HISTORY_NAME, read_history};
use crate::drive::heads::HeadFinder;
use crate::partition::AreaKind;
use crate::plan::{PassHeader, Plan, PlanHeader, PlanReadError, load_plan, planned_with_files};
use crate::report::values::{AreaDensity, SurveyReport};
use crate::results::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::results::verify::WholeSum;
use crate::source::CopyStore;
use crate::store::journal::{JournalError, standing_chunks};
use crate::survey::allocation::{Choices, ClassMap, DriveArea, DriveMap, Patterns, classify};
use sha2::{Digest, Sha256};
use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::io::{self, Read};
use std::path::Path;

/// Areas that get a picture of their own; the largest are chosen.
const AREAS_DRAWN: usize = 8;
/// Files that are not complete, listed in the page; the list beside it has all.
const FILES_LISTED: usize = 2000;

/// Why a report could not be put together.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum GatherError {
    /// The case.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// The plan.
    #[error(transparent)]
    Plan(#[from] PlanReadError),
    /// The journal.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// A file of the case.
    #[error("{0}")]
    Io(#[from] io::Error),
}

impl Ends for GatherError {
    fn ending(&self) -> Ending {
        match self {
            GatherError::Case(error) => error.ending(),
            GatherError::Plan(error) => error.ending(),
            GatherError::Journal(_) | GatherError::Io(_) => Ending::Case,
        }
    }
}

/// What the plan reads.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanFacts {
    /// Everything but the extents.
    pub header: PlanHeader,
    /// The passes, in reading order.
    pub passes: Vec<PassFacts>,
}

/// One pass, and what came of it.
#[derive(Clone, PartialEq, Debug)]
pub struct PassFacts {
    /// What it reads.
    pub header: PassHeader,
    /// Bytes of it that are in the image.
    pub held_bytes: u64,
    /// Bytes of it that could not be read.
    pub unreadable_bytes: u64,
}

/// What is held and what is not.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct RangeFacts {
    /// Bytes in the image.
    pub held_bytes: u64,
    /// Ranges that could not be read, ascending.
    pub unreadable: Vec<Extent>,
    /// Ranges that were skipped, ascending.
    pub skipped: Vec<Extent>,
    /// Ranges that are planned and not read yet, ascending.
    pub waiting: Vec<Extent>,
    /// Chunks that have a hash in the journal.
    pub chunks: u64,
    /// SHA-256 of the journal as it is now: it covers every chunk's hash.
    pub journal_sha256: String,
}

impl RangeFacts {
    /// Bytes that could not be read.
    pub fn unreadable_bytes(&self) -> u64 {
        total(&self.unreadable)
    }

    /// Bytes that are planned and still to be read.
    pub fn to_read_bytes(&self) -> u64 {
        total(&self.skipped) + total(&self.waiting)
    }
}

/// Bytes of a list of extents.
pub(super) fn total(extents: &[Extent]) -> u64 {
    extents.iter().map(|extent| extent.bytes).sum()
}

/// A checksum that an earlier check calculated.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RecordedSum {
    /// When (RFC 3339, UTC).
    pub when: String,
    /// The SHA-256 of the whole image.
    pub sha256: String,
    /// Whether the image may have been written to since, or was then.
    pub out_of_date: bool,
}

/// Puts together what is known. `choices` are those of the plan, so that what was wanted shows as such.
///
/// # Errors
/// [`GatherError`].
pub fn gather(
    case: &Case,
    drive: &DriveMap,
    survey: SurveyReport,
    choices: &Choices,
    audience: Audience,
    sum: Option<WholeSum>,
) -> Result<Document, GatherError> {
    let store: &dyn CopyStore = case.store().as_ref();
    let plan = case.plan_path().map(|path| load_plan(&path)).transpose()?;
    let planned: ExtentSet = plan.iter().flat_map(Plan::ascending).collect();
    let (files, not_complete) = audit_files(drive, &Truth { store, planned: &planned, wanted: &choices.wanted });
    let record = read_record(case.folder())?;
    let ranges = ranges(case, drive, &planned)?;
    Ok(Document {
        audience,
        made: crate::base::human::now(),
        case: case.file().clone(),
        image_name: case.file().image_name().to_owned(),
        densities: densities(drive, &classify(drive, choices), store),
        plan: plan.map(|plan| plan_facts(plan, store)),
        files,
        not_complete,
        heads: head_facts(&HeadFinder::of_store(drive.identity.bytes, store), || planned_with_files(drive, &planned)),
        ranges,
        recorded_sums: recorded_sums(&record, &case.journal_state()?),
        sum,
        history: read_history(&case.folder().join(HISTORY_NAME))?,
        record: match audience {
            Audience::Bench => record,
            Audience::Client => record.for_client(),
        },
        survey,
        lists: Default::default(),
    })
}

fn audit_files(drive: &DriveMap, truth: &Truth<'_>) -> (AuditSummary, Vec<FileAudit>) {
    // The worst first, without keeping all: a drive that is not copied yet has nothing else.
    let mut by_rank: BTreeMap<_, Vec<FileAudit>> = BTreeMap::new();
    let summary = audit(drive, truth, &Patterns::default(), |file| {
        if file.state != FileState::Complete {
            let rank = (file.state < FileState::Damaged, !file.wanted, Reverse(file.state));
            let list = by_rank.entry(rank).or_default();
            if list.len() < FILES_LISTED {
                list.push(file.clone());
            }
        }
        Ok::<(), Infallible>(())
    });
    let Ok(summary) = summary;
    let mut list: Vec<FileAudit> = by_rank.into_values().flatten().collect();
    list.truncate(FILES_LISTED);
    (summary, list)
}

fn plan_facts(plan: Plan, store: &dyn CopyStore) -> PlanFacts {
    let facts = |pass: &crate::plan::Pass| PassFacts {
        header: pass.header.clone(),
        held_bytes: pass.extents().iter().map(|extent| total(&store.held(*extent))).sum(),
        unreadable_bytes: pass.extents().iter().map(|extent| total(&store.unreadable(*extent))).sum(),
    };
    let passes = plan.passes.iter().map(facts).collect();
    PlanFacts { header: plan.header, passes }
}

fn ranges(case: &Case, drive: &DriveMap, planned: &ExtentSet) -> Result<RangeFacts, GatherError> {
    let store = case.store();
    let everything = drive.identity.extent();
    let known: ExtentSet = [store.held(everything), store.unreadable(everything), store.skipped(everything)]
        .into_iter()
        .flatten()
        .collect();
    let mut chunks = 0;
    for chunk in standing_chunks(&case.journal_path())? {
        chunk?;
        chunks += 1;
    }
    let [held_bytes, ..] = store.totals();
    Ok(RangeFacts {
        held_bytes,
        unreadable: store.unreadable(everything),
        skipped: store.skipped(everything),
        waiting: planned.extents().iter().flat_map(|extent| known.missing_from(*extent)).collect(),
        chunks,
        journal_sha256: file_sha256(&case.journal_path())?,
    })
}

fn file_sha256(path: &Path) -> io::Result<String> {
    let mut file = regular_file::open(path)?;
    let (mut hasher, mut buffer) = (Sha256::new(), vec![0; 1 << 20]);
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(hex::encode(hasher.finalize())),
            count => hasher.update(&buffer[..count]),
        }
    }
}

fn recorded_sums(record: &CaseRecord, now: &JournalState) -> Vec<RecordedSum> {
    let sum = |line: &RecordLine| {
        let sha256 =
            line.figures["sha256"].as_str().filter(|_| line.command == "verify" || line.command == "report")?;
        // What was recorded without the journal's state is not known to be valid.
        let then = serde_json::from_value::<JournalState>(line.figures["journal"].clone()).ok();
        let out_of_date = then.is_none_or(|then| then.written_to || then != *now);
        Some(RecordedSum { when: line.when.clone(), sha256: sha256.to_owned(), out_of_date })
    };
    record.lines.iter().filter_map(sum).collect()
}

fn densities(drive: &DriveMap, map: &ClassMap, store: &dyn CopyStore) -> Vec<AreaDensity> {
    // What lies in no partition shows in the strip of the whole drive.
    let holds = |area: &&DriveArea| area.content.is_some() && !area.area.extent.is_empty();
    let mut chosen: Vec<&DriveArea> = drive.areas.iter().filter(holds).collect();
    chosen.sort_by_key(|area| std::cmp::Reverse(area.area.extent.bytes));
    chosen.truncate(AREAS_DRAWN);
    chosen.sort_by_key(|area| area.area.extent.start);
    let mut list = Vec::new();
    if chosen.len() != 1 || chosen[0].area.extent != drive.identity.extent() {
        list.push(AreaDensity::of("The whole drive".to_owned(), drive.identity.extent(), map, store));
    }
    list.extend(chosen.into_iter().map(|area| AreaDensity::of(area_name(area), area.area.extent, map, store)));
    list
}

fn area_name(area: &DriveArea) -> String {
    let number = area.number().map(|number| format!(" {number}")).unwrap_or_default();
    let (kind, own_name) = match &area.area.kind {
        AreaKind::Partition(entry) => ("Partition", entry.name.clone()),
        AreaKind::Volume => ("Volume", None),
        AreaKind::Found(_) => ("Volume found", None),
        AreaKind::Unpartitioned => return "In no partition".to_owned(),
    };
    let holds = area.content.as_ref().and_then(|content| content.name());
    // As in the table of areas: the volume's label, else the name that the table gives it.
    let (holds, own_name) = match &area.content {
        Some(crate::filesystem::Content::Volume(volume)) => {
            (Some(volume.kind.name()), volume.label.clone().or(own_name))
        }
        _ => (holds, own_name),
    };
    let mut name = format!("{kind}{number}: {}", holds.unwrap_or("not recognised"));
    if let Some(own_name) = own_name.filter(|name| !name.is_empty()) {
        name.push_str(&format!(", “{own_name}”"));
    }
    name
}
