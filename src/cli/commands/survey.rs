//! `gleaner survey`

use super::{choices, drive_model, print, print_json, read, record};
use crate::cli::args::SurveyArguments;
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::partition::Scheme;
use crate::report;
use crate::source::kernel::{KernelFacts, KernelPlaces};
use anyhow::Context;

pub fn run(arguments: &SurveyArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    // Refused before the first read.
    drive_model(&arguments.model, None)?;
    let (mut session, drive) = read(&arguments.source, &[])?;
    let judged = session.judge_and_classify(&drive, &choices)?;
    let reckoning = drive_model(&arguments.model, session.case.as_ref())?;
    let totals = session.reader.totals();
    let mut survey = report::survey(&drive, judged, totals, &reckoning);
    let device = arguments.source.source.as_ref();
    if let Some(facts) = device.and_then(|path| KernelFacts::of_device(path, &KernelPlaces::default())) {
        survey.add_kernel(facts);
    }
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
