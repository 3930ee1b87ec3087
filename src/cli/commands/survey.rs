//! `gleaner survey`

use super::{bytes_per_second, choices, print, print_json, read, record};
use crate::cli::args::SurveyArguments;
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::partition::Scheme;
use crate::report;
use anyhow::Context;

pub fn run(arguments: &SurveyArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    let (mut session, drive) = read(&arguments.source, &[])?;
    let coherence = session.judge(&drive)?;
    let rate = arguments.model.rate.map(bytes_per_second);
    let totals = session.reader.totals();
    let mut survey = report::survey(&drive, coherence, totals, &choices, rate, arguments.model.reposition.unwrap_or(12.7));
    if let Some(folder) = &arguments.destination {
        let room = report::destination(folder, &survey.scopes);
        survey.destination = Some(room.with_context(|| format!("destination {}", folder.display()))?);
    }
    if arguments.source.json {
        print_json(&survey)?;
    } else {
        print(&show::survey(&survey))?;
    }
    let nothing = drive.layout.scheme == Scheme::Unrecognised && drive.volumes().next().is_none();
    let ending = if nothing { Ending::NothingRecognised } else { Ending::Done };
    let figures = serde_json::json!({
        "verdict": survey.coherence.verdict,
        "advice": survey.advice.action,
        "findings": survey.findings.len(),
        "reading": survey.reading,
    });
    record(&session, ending, figures)?;
    Ok(ending)
}
