//! `gleaner audit`

use super::{Done, Opening, in_session, read, require_case};
use crate::allocation::DriveMap;
use crate::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::cli::args::AuditArguments;
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::show;
use crate::new_file::{Readers, write_new};
use crate::report::{AUDIT_CSV_HEAD, audit_csv_line};
use crate::session::Session;
use serde::Serialize;
use std::io::Write;

pub fn run(arguments: &AuditArguments) -> anyhow::Result<Ending> {
    require_case(&arguments.source)?;
    in_session(&arguments.source, &Opening { outputs: &[&arguments.csv], ..Opening::default() }, |session| {
        work(arguments, session)
    })
}

fn work(arguments: &AuditArguments, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.source.quiet || arguments.source.json)?;
    let case = session.case()?;
    let (planned, wanted) = super::planned(case)?;
    let truth = Truth { store: case.store().as_ref(), planned: &planned, wanted: &wanted };
    let json = arguments.source.json;
    let (summary, bad) = match &arguments.csv {
        Some(path) => write_new(path, Readers::AsUsual, |out| judge(&drive, &truth, Some(out), json))?,
        None => judge(&drive, &truth, None, json)?,
    };
    let text = if json { String::new() } else { show::audit(&summary, &bad, arguments.depth) };
    let lost = summary.totals.damaged + summary.totals.lost > 0 || summary.unreadable_bytes > 0;
    let ending = if lost { Ending::Incomplete } else { Ending::Done };
    Ok(Done { ending, figures: serde_json::to_value(summary.totals)?, text })
}

/// One audit, with the first damaged and the first lost files for people. On the way each file goes into the list and, as a JSON
/// line, to standard output; the sums follow as the last line.
fn judge(
    drive: &DriveMap,
    truth: &Truth<'_>,
    mut csv: Option<&mut dyn Write>,
    json: bool,
) -> anyhow::Result<(AuditSummary, Vec<FileAudit>)> {
    const SHOWN: usize = 20;
    #[derive(Serialize)]
    struct Sums<'s> {
        summary: &'s AuditSummary,
    }
    let mut lists = [FileState::Damaged, FileState::Lost].map(|state| (state, Vec::new()));
    let mut lines = json.then(JsonLines::default);
    if let Some(out) = &mut csv {
        writeln!(out, "{AUDIT_CSV_HEAD}")?;
    }
    let summary = audit(drive, truth, |file| -> anyhow::Result<()> {
        let list = lists.iter_mut().find(|(state, list)| *state == file.state && list.len() < SHOWN);
        list.into_iter().for_each(|(_, list)| list.push(file.clone()));
        if let Some(out) = &mut csv {
            audit_csv_line(file, out)?;
        }
        if let Some(lines) = &mut lines {
            lines.line(file)?;
        }
        Ok(())
    })?;
    if let Some(mut lines) = lines {
        lines.line(&Sums { summary: &summary })?;
        lines.finish()?;
    }
    Ok((summary, lists.into_iter().flat_map(|(_, list)| list).collect()))
}
