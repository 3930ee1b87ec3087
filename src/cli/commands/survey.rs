//! `gleaner survey`

use super::{Done, Opening, choices, costs, drive_model, in_session, read, remember_chosen_drive, trouble};
use crate::case::Access;
use crate::cli::args::SurveyArguments;
use crate::cli::exit::Ending;
use crate::cli::output::json_text;
use crate::cli::show;
use crate::copy::session::Session;
use crate::partition::Scheme;
use crate::report::values;
use crate::source::LeftOff;
use crate::source::kernel::{KernelFacts, KernelPlaces};
use crate::survey::allocation::Choices;
use anyhow::Context;

pub fn run(arguments: &SurveyArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    // Refused before the first read.
    drive_model(&arguments.model, None)?;
    // The chosen drive is remembered in the case.
    let access = if arguments.model.drive.is_some() { Access::Work } else { Access::Look };
    in_session(&arguments.source, &Opening { access, answers_when_stopped: true, ..Opening::default() }, |session| {
        work(arguments, &choices, session)
    })
}

pub(super) fn work(arguments: &SurveyArguments, choices: &Choices, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.source.quiet || arguments.source.json)?;
    let judged = session.judge_and_classify(&drive, choices)?;
    let costs = costs(&arguments.model, session)?;
    remember_chosen_drive(&arguments.model, session.case.as_mut())?;
    if let (Some(rate), Some(case)) = (session.measured_rate(), &mut session.case) {
        case.set_surveyed_rate(rate)?;
    }
    let reading = (session.reader.totals(), trouble(session));
    let mut survey = values::survey(&drive, judged, reading, costs, &session.workplace());
    let device = arguments.source.source.as_ref();
    if let Some(facts) = device.and_then(|path| KernelFacts::of_device(path, &KernelPlaces::default())) {
        survey.add_kernel(facts);
    }
    if let Some(folder) = &arguments.destination {
        let room = values::destination(folder, &survey.scopes);
        survey.destination = Some(room.with_context(|| format!("destination {}", folder.display()))?);
    }
    let text = match (arguments.source.json, arguments.full) {
        (true, _) => json_text(&survey)?,
        (false, true) => show::survey_full(&survey),
        (false, false) => show::survey(&survey),
    };
    let nothing = drive.layout.scheme == Scheme::Unrecognised && drive.volumes().next().is_none();
    let ending = match survey.coherence.so_far {
        Some(so_far) if so_far.why == LeftOff::Stopped => Ending::NotFinished,
        _ if nothing => Ending::NothingRecognised,
        _ => Ending::Done,
    };
    let figures = serde_json::json!({
        "verdict": survey.coherence.verdict,
        "advice": survey.advice.action,
        "findings": survey.findings.len(),
        "reading": survey.reading,
    });
    Ok(Done { ending, figures, text })
}
