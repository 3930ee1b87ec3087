//! The answers of a survey, without its details: can the copy go on, what is on the drive, how long does it take.

use super::costs::ScopeReport;
use super::recommendation::trouble::Trouble;
use super::survey::{AreaReport, FindingReport, NO_FILE_SYSTEM, SurveyReport};
use crate::base::finding::Severity;
use crate::base::human;
use crate::plan::Scope;
use crate::source::LeftOff;
use crate::survey::coherence::{SoFar, Verdict};

/// Whether it is safe to go on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum GoOn {
    /// Nothing is against it.
    Yes,
    /// Yes, but reads have failed.
    WhileItLasts,
    /// A person should look at the drive's content first.
    AfterALook,
    /// The verdict says stop.
    No,
}

impl GoOn {
    fn of(verdict: Verdict, trouble: &Trouble) -> GoOn {
        match verdict {
            stop if stop.says_stop() => GoOn::No,
            Verdict::Unclear => GoOn::AfterALook,
            _ if trouble.is_any() => GoOn::WhileItLasts,
            _ => GoOn::Yes,
        }
    }

    /// The answer.
    pub fn answer(self) -> &'static str {
        match self {
            GoOn::Yes => "yes.",
            GoOn::WhileItLasts => "yes, but the drive may not last.",
            GoOn::AfterALook => "after a look at a few sectors and at the drive's label.",
            GoOn::No => "no.",
        }
    }
}

/// Whether a volume is encrypted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Encrypted {
    /// No.
    No,
    /// As a whole.
    Yes,
    /// As a whole, and its key was given.
    Opened,
    /// So many of its files.
    Files(u64),
    /// It is not read file by file.
    NotKnown,
}

/// A volume in a line.
#[derive(Debug)]
pub struct VolumeLine<'r> {
    /// The number it is chosen by.
    pub number: u32,
    /// Its length.
    pub bytes: u64,
    /// File system, or what it was recognised as.
    pub holds: &'r str,
    /// Label, else the name that the table gives it.
    pub label: &'r str,
    /// Bytes used, and their share of the volume; not known where no allocation map is read.
    pub used: Option<(u64, f64)>,
    /// Whether more may be used: marks of it could not be read.
    pub used_is_least: bool,
    /// Whether it is encrypted.
    pub encrypted: Encrypted,
}

/// Findings of one kind.
#[derive(Debug)]
pub struct FindingKind<'r> {
    /// The first of them.
    pub first: &'r FindingReport,
    /// How many there are.
    pub count: u64,
}

/// The answers of a survey.
#[derive(Debug)]
pub struct Overview<'r> {
    /// Whether it is safe to go on.
    pub go_on: GoOn,
    /// What has failed so far and what is not read yet.
    pub failures: String,
    /// Volumes, by their place on the drive.
    pub volumes: Vec<VolumeLine<'r>>,
    /// When the first wanted folder is read, and the time for each GB of them, in seconds; none where no volume is read file by file.
    pub wanted_seconds: Option<(f64, f64)>,
    /// What reading all that is used costs, where that is less than all.
    pub used: Option<&'r ScopeReport>,
    /// What reading all costs.
    pub all: &'r ScopeReport,
    /// Findings, the most severe first.
    pub findings: Vec<FindingKind<'r>>,
    /// The verdict.
    verdict: Verdict,
    /// How many findings there are of each severity that there is, the most severe first.
    pub severities: Vec<(Severity, u64)>,
}

impl<'r> Overview<'r> {
    /// Takes the answers out of a survey.
    pub fn of(report: &'r SurveyReport) -> Overview<'r> {
        let of = |scope: Scope| report.scopes.iter().find(|s| s.scope == scope).expect("all scopes are estimated");
        let verdict = report.coherence.verdict;
        let (used, all) = (of(Scope::Allocated), of(Scope::Whole));
        #[allow(clippy::cast_precision_loss, reason = "a time needs no 53 bits")]
        let seconds_per_gb = 1e9 / report.costs.pace.bytes_per_second.max(1) as f64;
        let has_files = report.areas.iter().any(|area| area.volume.is_some()) && !verdict.says_stop();
        let findings = kinds(report);
        let severities = [Severity::Blocking, Severity::Damage, Severity::Caution, Severity::Note].map(|severity| {
            let of_it = findings.iter().filter(|kind| kind.first.severity == severity);
            (severity, of_it.map(|kind| kind.count).sum())
        });
        Overview {
            verdict,
            go_on: GoOn::of(verdict, &report.trouble),
            failures: failures(&report.trouble, report.coherence.so_far.as_ref()),
            volumes: report.areas.iter().filter_map(volume_line).collect(),
            wanted_seconds: has_files.then(|| (of(Scope::Structure).seconds, seconds_per_gb)),
            used: Some(used).filter(|used| used.bytes < all.bytes && !verdict.says_stop()),
            all,
            findings,
            severities: severities.into_iter().filter(|(_, count)| *count > 0).collect(),
        }
    }

    /// Whether findings of a kind only repeat the verdict.
    pub fn is_verdict(&self, kind: &FindingKind<'_>) -> bool {
        self.verdict.code().is_some_and(|code| code.id == kind.first.code)
    }

    /// At most so many volumes: the largest, by their place on the drive.
    pub fn largest(&self, most: usize) -> Vec<&VolumeLine<'r>> {
        let mut largest: Vec<(usize, &VolumeLine<'r>)> = self.volumes.iter().enumerate().collect();
        largest.sort_by_key(|(_, volume)| std::cmp::Reverse(volume.bytes));
        largest.truncate(most);
        largest.sort_by_key(|(place, _)| *place);
        largest.into_iter().map(|(_, volume)| volume).collect()
    }
}

/// A partition that holds a volume or may do so.
fn volume_line(area: &AreaReport) -> Option<VolumeLine<'_>> {
    let number = area.number?;
    let holds = area.holds.as_deref().filter(|holds| *holds != NO_FILE_SYSTEM)?;
    let own = match &area.volume {
        Some(volume) => volume.label.as_deref(),
        None => area.recognised.as_ref().and_then(|found| found.label.as_deref()),
    };
    let encrypted = match (&area.volume, &area.recognised) {
        (Some(volume), _) if volume.opened_by.is_some() => Encrypted::Opened,
        (Some(volume), _) => match volume.census.encrypted_files {
            0 => Encrypted::No,
            files => Encrypted::Files(files),
        },
        (None, Some(found)) if found.encrypted => Encrypted::Yes,
        (None, _) => Encrypted::NotKnown,
    };
    let used = match (&area.volume, &area.space) {
        (Some(volume), _) => Some((volume.reconciliation.allocated.bytes, volume.fullness)),
        (None, Some(space)) => Some((space.used.bytes, space.fullness)),
        (None, None) => None,
    };
    let unknown = area.volume.as_ref().map(|volume| volume.reconciliation.unknown);
    let unknown = unknown.or(area.space.as_ref().map(|space| space.unknown));
    Some(VolumeLine {
        number,
        bytes: area.bytes,
        holds,
        label: own.or(area.name.as_deref()).unwrap_or_default(),
        used,
        used_is_least: unknown.is_some_and(|unknown| unknown.clusters > 0),
        encrypted,
    })
}

/// Findings by their kind, in the order of the list.
fn kinds(report: &SurveyReport) -> Vec<FindingKind<'_>> {
    let mut kinds: Vec<FindingKind<'_>> = Vec::new();
    for finding in &report.findings {
        match kinds.iter_mut().find(|kind| kind.first.code == finding.code) {
            Some(kind) => kind.count += 1,
            None => kinds.push(FindingKind { first: finding, count: 1 }),
        }
    }
    for (code, count) in &report.findings_not_listed {
        kinds.iter_mut().filter(|kind| kind.first.code == code).for_each(|kind| kind.count += count);
    }
    kinds
}

/// What has failed, and what of the structure is not read yet.
fn failures(trouble: &Trouble, so_far: Option<&SoFar>) -> String {
    let mut said = Vec::new();
    if !trouble.is_any() {
        said.push("No read has failed so far.".to_owned());
    }
    if trouble.failed_requests > 0 {
        let failed = human::counted(trouble.failed_requests, "read", "reads");
        said.push(format!("{failed} failed in this run."));
    }
    if trouble.skipped_bytes + trouble.unreadable_bytes > 0 {
        let (skipped, unreadable) = (human::bytes(trouble.skipped_bytes), human::bytes(trouble.unreadable_bytes));
        said.push(format!("{skipped} skipped (will be retried), {unreadable} unreadable."));
    }
    if let Some(so_far) = so_far {
        let not_read = format!("{} of structure not read yet", human::bytes(so_far.bytes));
        said.push(match so_far.why {
            LeftOff::Stopped => format!("Stopped before its end, {not_read}: in a case the same command goes on."),
            LeftOff::Before => format!("{not_read}: the drive is not at hand."),
            LeftOff::TroubleLimit => format!("{not_read}, to spare the drive: `copy` reads it."),
        });
    }
    said.join(" ")
}
