//! `gleaner audit`

use super::{Done, Opening, in_session, read, require_case};
use crate::base::new_file::{Readers, write_new};
use crate::cli::args::{AuditArguments, StateArgument};
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::show::{self, AuditView};
use crate::copy::session::Session;
use crate::plan;
use crate::report::values::{AUDIT_CSV_HEAD, VolumeTitles, audit_csv_line};
use crate::results::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::survey::allocation::{DriveMap, Patterns};
use serde::Serialize;
use std::io::Write;

pub fn run(arguments: &AuditArguments) -> anyhow::Result<Ending> {
    require_case(&arguments.source)?;
    let below = Patterns::new(&arguments.path)?;
    in_session(&arguments.source, &Opening { outputs: &[&arguments.csv], ..Opening::default() }, |session| {
        work(arguments, &below, session)
    })
}

pub(super) fn work(arguments: &AuditArguments, below: &Patterns, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.source.quiet || arguments.source.json)?;
    let case = session.case()?;
    let (planned, wanted) = super::planned(case)?;
    let truth = Truth { store: case.store().as_ref(), planned: &planned, wanted: &wanted };
    let json = arguments.source.json;
    let only: Vec<FileState> = arguments.only.iter().map(|state| state_of(*state)).collect();
    let ask = Ask { drive: &drive, truth: &truth, below, only: &only, json };
    let (summary, files) = match &arguments.csv {
        Some(path) => write_new(path, Readers::AsUsual, |out| audit_case(&ask, Some(out)))?,
        None => audit_case(&ask, None)?,
    };
    let listed = ask.listed();
    let titles = VolumeTitles::of(&drive);
    let view = AuditView { summary: &summary, titles: &titles, files: &files, listed: &listed, depth: arguments.depth };
    let text = if json { String::new() } else { show::audit(&view) };
    let elsewhere = below.is_empty() && summary.unreadable_bytes > 0;
    let lost = summary.totals.damaged + summary.totals.lost > 0 || elsewhere;
    let ending = if lost { Ending::Incomplete } else { Ending::Done };
    Ok(Done { ending, figures: serde_json::to_value(summary.totals)?, text })
}

/// What is audited, and what of it is listed.
struct Ask<'a> {
    drive: &'a DriveMap,
    truth: &'a Truth<'a>,
    below: &'a Patterns,
    only: &'a [FileState],
    json: bool,
}

impl Ask<'_> {
    /// The states of which files are listed for people.
    fn listed(&self) -> Vec<FileState> {
        if self.only.is_empty() { vec![FileState::Damaged, FileState::Lost] } else { self.only.to_vec() }
    }

    /// How many files of a state are listed for people.
    fn most(&self) -> usize {
        if self.only.is_empty() && self.below.is_empty() { 20 } else { 200 }
    }
}

/// One audit, with the first files of each state that is listed for people. On the way each file goes into the list and, as a
/// JSON line, to standard output; the totals follow as the last line.
fn audit_case(ask: &Ask<'_>, mut csv: Option<&mut dyn Write>) -> anyhow::Result<(AuditSummary, Vec<FileAudit>)> {
    #[derive(Serialize)]
    struct Sums<'s> {
        summary: &'s AuditSummary,
    }
    let mut lists: Vec<(FileState, Vec<FileAudit>)> =
        ask.listed().into_iter().map(|state| (state, Vec::new())).collect();
    let mut lines = ask.json.then(JsonLines::default);
    if let Some(out) = &mut csv {
        writeln!(out, "{AUDIT_CSV_HEAD}")?;
    }
    let summary = audit(ask.drive, ask.truth, ask.below, |file| -> anyhow::Result<()> {
        if !ask.only.is_empty() && !ask.only.contains(&file.state) {
            return Ok(());
        }
        let list = lists.iter_mut().find(|(state, list)| *state == file.state && list.len() < ask.most());
        list.into_iter().for_each(|(_, list)| list.push(file.clone()));
        if let Some(out) = &mut csv {
            audit_csv_line(file, out)?;
        }
        if let Some(lines) = &mut lines {
            lines.line(file)?;
        }
        Ok(())
    })?;
    // Before the list takes its name.
    if summary.totals.files() == 0
        && let Some(error) = plan::no_match(ask.below.texts(), ask.drive)?
    {
        return Err(error.into());
    }
    if let Some(mut lines) = lines {
        lines.line(&Sums { summary: &summary })?;
        lines.finish()?;
    }
    Ok((summary, lists.into_iter().flat_map(|(_, list)| list).collect()))
}

fn state_of(state: StateArgument) -> FileState {
    match state {
        StateArgument::Complete => FileState::Complete,
        StateArgument::Damaged => FileState::Damaged,
        StateArgument::Lost => FileState::Lost,
        StateArgument::NotYetRead => FileState::NotYetRead,
        StateArgument::NotPlanned => FileState::NotPlanned,
    }
}
