//! `gleaner report`

use super::{Done, Opening, in_session, read};
use crate::case::Case;
use crate::cli::args::{ModelArguments, ReportArguments, SourceArguments};
use crate::cli::exit::Ending;
use crate::cli::output::json_text;
use crate::cli::{progress, show};
use crate::copy::session::Session;
use crate::plan::load_plan_header;
use crate::report::document::{Audience, check_free, gather, publish};
use crate::report::values::survey;
use crate::results::audit::Truth;
use crate::results::verify::sha256;
use crate::survey::allocation::{Choices, DEFAULT_BULK, Patterns};
use std::path::PathBuf;

pub fn run(arguments: &ReportArguments) -> anyhow::Result<Ending> {
    let audience = arguments.audience;
    if let Some(path) = &arguments.output {
        // Refused before the work.
        check_free(path)?;
    }
    let source = SourceArguments {
        quiet: arguments.quiet,
        ..SourceArguments::of_case(&arguments.case, arguments.json, &arguments.keys)
    };
    in_session(&source, &Opening { outputs: &[&arguments.output], ..Opening::default() }, |session| {
        work(arguments, audience, session)
    })
}

pub(super) fn work(arguments: &ReportArguments, audience: Audience, session: &mut Session) -> anyhow::Result<Done> {
    let quiet = arguments.quiet || arguments.json;
    let drive = read(session, quiet)?;
    let choices = choices_of_plan(session.case()?)?;
    let judged = session.judge_and_classify(&drive, &choices)?;
    let reading = (session.reader.totals(), super::trouble(session));
    let case = session.case()?;
    let costs = super::costs(&ModelArguments::default(), session)?;
    let survey = survey(&drive, judged, reading, costs, &session.workplace());
    let store = case.store().as_ref();
    let journal = case.journal_state()?;
    let sum = match arguments.hash {
        true => {
            let bar = progress::bytes_bar("SHA-256", drive.identity.bytes, quiet);
            let sum = sha256(store.image(), drive.identity.bytes, &session.stop, &mut |bytes| bar.inc(bytes));
            bar.finish_and_clear();
            Some(sum?)
        }
        false => None,
    };
    let (planned, wanted) = super::planned(case)?;
    let truth = Truth { store, planned: &planned, wanted: &wanted };
    let sum_found = sum.as_ref().map(|sum| sum.sha256.clone());
    let mut document = gather(case, &drive, survey, &choices, audience, sum)?;
    let path = arguments.output.clone().unwrap_or_else(|| free_name(case, audience));
    let published = publish(&mut document, &drive, &truth, &path)?;
    let text = match arguments.json {
        true => json_text(&published)?,
        false => show::published(&published),
    };
    let mut figures =
        serde_json::json!({ "for": format!("{audience:?}").to_lowercase(), "page_bytes": published.page_bytes });
    if let Some(sha256) = sum_found {
        figures["sha256"] = sha256.into();
        figures["journal"] = serde_json::to_value(&journal)?;
    }
    Ok(Done { ending: Ending::Done, figures, text })
}

/// What the plan is to bring: its wanted files show as wanted.
fn choices_of_plan(case: &Case) -> anyhow::Result<Choices> {
    let Some(path) = case.plan_path() else {
        return Ok(Choices { bulk: Patterns::new(&DEFAULT_BULK)?, ..Choices::default() });
    };
    let header = load_plan_header(&path)?;
    Ok(Choices { wanted: Patterns::new(&header.wants)?, bulk: Patterns::new(&header.bulk)?, ..Choices::default() })
}

/// `report.html`, or the next name in the case's folder that is free with its lists.
fn free_name(case: &Case, audience: Audience) -> PathBuf {
    let stem = match audience {
        Audience::Bench => "report",
        Audience::Client => "report-client",
    };
    let names = std::iter::once(format!("{stem}.html")).chain((2..).map(|number: u32| format!("{stem}-{number}.html")));
    let mut free = names.map(|name| case.folder().join(name)).filter(|path| check_free(path).is_ok());
    free.next().expect("there is always a next number")
}
