//! `gleaner audit`

use super::{print, read, record};
use crate::audit::{AuditSummary, FileAudit, FileState, Truth, audit};
use crate::cli::args::AuditArguments;
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::plan::{open_plan, read_plan};
use crate::report::audit_csv;
use crate::write_new::write_new;
use anyhow::Context;
use serde::Serialize;
use std::io::{self, BufWriter, Write};

pub fn run(arguments: &AuditArguments) -> anyhow::Result<Ending> {
    let (session, drive) = read(&arguments.source, &[&arguments.csv])?;
    let case = session.case.as_ref().context("audit needs a case: give it with --case")?;
    let planned = match case.plan_path() {
        Some(path) => read_plan(open_plan(&path)?)?.ascending().collect(),
        None => Default::default(),
    };
    let truth = Truth { store: case.store().as_ref(), planned: &planned };
    let summary = match (&arguments.csv, arguments.source.json) {
        (Some(path), false) => write_new(path, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?,
        (None, true) => print_everything(&drive, &truth)?,
        (Some(path), true) => {
            write_new(path, |out| audit_csv(&drive, &truth, out).map_err(anyhow::Error::from))?;
            print_everything(&drive, &truth)?
        }
        (None, false) => audit(&drive, &truth, |_| Ok::<(), anyhow::Error>(()))?,
    };
    if !arguments.source.json {
        print(&show::audit(&summary, &first_bad(&drive, &truth)?, arguments.depth))?;
    }
    let lost = summary.totals.damaged > 0 || summary.unreadable_bytes > 0;
    let ending = if lost { Ending::Incomplete } else { Ending::Done };
    record(&session, ending, serde_json::to_value(summary.totals)?)?;
    Ok(ending)
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
    let mut out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
    let summary = audit(drive, truth, |file| -> anyhow::Result<()> {
        serde_json::to_writer(&mut out, file)?;
        out.write_all(b"\n")?;
        Ok(())
    })?;
    serde_json::to_writer(&mut out, &Sums { summary: &summary })?;
    out.write_all(b"\n")?;
    out.flush()?;
    Ok(summary)
}
