//! `gleaner audit`

use super::{Done, Opening, in_session, read, require_case};
use crate::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::cli::args::AuditArguments;
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::show;
use crate::new_file::{Readers, write_new};
use crate::plan::{open_plan, read_plan};
use crate::report::audit_csv;
use crate::session::Session;
use serde::Serialize;

pub fn run(arguments: &AuditArguments) -> anyhow::Result<Ending> {
    require_case(&arguments.source)?;
    in_session(&arguments.source, &Opening { outputs: &[&arguments.csv], ..Opening::default() }, |session| {
        work(arguments, session)
    })
}

fn work(arguments: &AuditArguments, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.source.quiet || arguments.source.json)?;
    let case = session.case()?;
    let planned = match case.plan_path() {
        Some(path) => read_plan(open_plan(&path)?)?.ascending().collect(),
        None => Default::default(),
    };
    let truth = Truth { store: case.store().as_ref(), planned: &planned };
    let summary = match (&arguments.csv, arguments.source.json) {
        (Some(path), false) => {
            write_new(path, Readers::AsUsual, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?
        }
        (None, true) => print_everything(&drive, &truth)?,
        (Some(path), true) => {
            write_new(path, Readers::AsUsual, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?;
            print_everything(&drive, &truth)?
        }
        (None, false) => audit(&drive, &truth, |_| Ok::<(), anyhow::Error>(()))?,
    };
    let text = match arguments.source.json {
        true => String::new(),
        false => show::audit(&summary, &first_bad(&drive, &truth)?, arguments.depth),
    };
    let lost = summary.totals.damaged > 0 || summary.unreadable_bytes > 0;
    let ending = if lost { Ending::Incomplete } else { Ending::Done };
    Ok(Done { ending, figures: serde_json::to_value(summary.totals)?, text })
}

/// The first damaged files, for people.
fn first_bad(drive: &crate::allocation::DriveMap, truth: &Truth<'_>) -> anyhow::Result<Vec<FileAudit>> {
    const SHOWN: usize = 20;
    let mut list = Vec::new();
    audit(drive, truth, |file| {
        if file.state == FileState::Damaged && list.len() < SHOWN {
            list.push(file.clone());
        }
        Ok::<(), anyhow::Error>(())
    })?;
    Ok(list)
}

/// One JSON line for each file, then one with the sums.
fn print_everything(drive: &crate::allocation::DriveMap, truth: &Truth<'_>) -> anyhow::Result<AuditSummary> {
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
