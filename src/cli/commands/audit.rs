//! `gleaner audit`

use super::{Done, Opening, in_session, read, require_case};
use crate::allocation::DriveMap;
use crate::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::cli::args::AuditArguments;
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::show;
use crate::new_file::{Readers, write_new};
use crate::report::audit_csv;
use crate::session::Session;
use serde::Serialize;
use std::convert::Infallible;

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
    let mut bad = None;
    let summary = match (&arguments.csv, arguments.source.json) {
        (Some(path), false) => {
            write_new(path, Readers::AsUsual, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?
        }
        (None, true) => print_everything(&drive, &truth)?,
        (Some(path), true) => {
            write_new(path, Readers::AsUsual, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?;
            print_everything(&drive, &truth)?
        }
        (None, false) => {
            let (summary, files) = with_first_bad(&drive, &truth);
            bad = Some(files);
            summary
        }
    };
    let text = match arguments.source.json {
        true => String::new(),
        false => {
            let bad = bad.unwrap_or_else(|| with_first_bad(&drive, &truth).1);
            show::audit(&summary, &bad, arguments.depth)
        }
    };
    let lost = summary.totals.damaged + summary.totals.lost > 0 || summary.unreadable_bytes > 0;
    let ending = if lost { Ending::Incomplete } else { Ending::Done };
    Ok(Done { ending, figures: serde_json::to_value(summary.totals)?, text })
}

/// The audit, with the first damaged and the first lost files, for people.
fn with_first_bad(drive: &DriveMap, truth: &Truth<'_>) -> (AuditSummary, Vec<FileAudit>) {
    const SHOWN: usize = 20;
    let mut lists = [FileState::Damaged, FileState::Lost].map(|state| (state, Vec::new()));
    let audited = audit(drive, truth, |file| {
        let list = lists.iter_mut().find(|(state, list)| *state == file.state && list.len() < SHOWN);
        list.into_iter().for_each(|(_, list)| list.push(file.clone()));
        Ok::<(), Infallible>(())
    });
    let Ok(summary) = audited;
    (summary, lists.into_iter().flat_map(|(_, list)| list).collect())
}

/// One JSON line for each file, then one with the sums.
fn print_everything(drive: &DriveMap, truth: &Truth<'_>) -> anyhow::Result<AuditSummary> {
    #[derive(Serialize)]
    struct Sums<'s> {
        summary: &'s AuditSummary,
    }
    let mut out = JsonLines::default();
    let summary = audit(drive, truth, |file| out.line(file).map_err(anyhow::Error::from))?;
    out.line(&Sums { summary: &summary })?;
    out.finish()?;
    Ok(summary)
}
