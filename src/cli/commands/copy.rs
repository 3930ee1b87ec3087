//! `gleaner copy`

use super::{Done, Opening, costs, in_session, require_case};
use crate::base::human;
use crate::case::Case;
use crate::cli::args::{CopyArguments, ModelArguments};
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, tell};
use crate::cli::{copy_progress, show};
use crate::copy::follow_plan::{CaseCopyOutcome, copy_case, copy_case_and_wait, try_again};
use crate::copy::pace::seconds_left;
use crate::copy::reading::{Controls, CopyOptions, End, RequestLog, StopAfter};
use crate::copy::session::Session;
use crate::source::kernel::{KernelFacts, KernelPlaces, KernelRequestLog};
use crate::source::temperature::{TemperatureCommand, Thermometer};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

pub fn run(arguments: &CopyArguments) -> anyhow::Result<Ending> {
    require_case(&arguments.source)?;
    let celsius = thermometer(arguments)?;
    in_session(&arguments.source, &Opening { form: arguments.form, ..Opening::to_work() }, |session| {
        work(arguments, session, celsius)
    })
}

pub(super) fn work(
    arguments: &CopyArguments,
    session: &mut Session,
    celsius: Option<AskCelsius>,
) -> anyhow::Result<Done> {
    if let (Some(case), Some(fill)) = (&mut session.case, arguments.fill) {
        case.set_fill(fill)?;
    }
    if !arguments.again.is_empty() {
        let bytes = try_again(session, &arguments.again)?;
        if !arguments.source.quiet && !arguments.source.json {
            tell(&format!("{} of unreadable ranges will be retried", human::bytes(bytes)));
        }
    }
    session.check_keys()?;
    expect(arguments, session)?;
    let outcome = follow(arguments, session, celsius)?;
    let text = if arguments.source.json { json_text(&outcome)? } else { show::copy(&outcome) };
    Ok(Done { ending: ending(&outcome), figures: serde_json::to_value(&outcome)?, text })
}

/// Says how long it will take, by the same model as the plan.
fn expect(arguments: &CopyArguments, session: &mut Session) -> anyhow::Result<()> {
    if arguments.source.quiet || arguments.source.json {
        return Ok(());
    }
    let Some(plan) = session.case.as_ref().and_then(Case::plan_path) else { return Ok(()) };
    let plan = session.load_plan(&plan)?;
    let costs = costs(&ModelArguments::default(), session)?;
    let Some(case) = &session.case else { return Ok(()) };
    let seconds = seconds_left(&plan, case.store().as_ref(), &costs.model);
    let (least, most) = costs.model.spread.range(seconds);
    let range = show::time_range(least, most);
    tell(&format!(
        "what reads easily takes about {} ({range}) on the model “{}” ({})",
        human::seconds(seconds),
        costs.model.name,
        costs.rate_origin.name()
    ));
    Ok(())
}

/// What tells the drive's temperature.
pub(super) type AskCelsius = Box<dyn FnMut() -> Option<f64>>;

/// The technician's command, else the kernel's sensor. Says so when a drive has neither.
fn thermometer(arguments: &CopyArguments) -> anyhow::Result<Option<AskCelsius>> {
    if let Some(text) = &arguments.temperature_from {
        let command = TemperatureCommand::start(text)?;
        return Ok(Some(Box::new(move || command.celsius())));
    }
    let Some(device) = &arguments.source.source else { return Ok(None) };
    if let Some(sensor) = Thermometer::of_device(device, Path::new("/sys")) {
        return Ok(Some(Box::new(move || sensor.celsius())));
    }
    let advice = kernel_facts(arguments).and_then(|facts| facts.without_sensor());
    if let Some(advice) = advice.filter(|_| !arguments.source.json) {
        tell(&advice.to_string());
    }
    Ok(None)
}

fn follow(
    arguments: &CopyArguments,
    session: &mut Session,
    mut celsius: Option<AskCelsius>,
) -> anyhow::Result<CaseCopyOutcome> {
    let stop = Arc::clone(&session.stop);
    let progress = copy_progress::CopyProgress::new(arguments.source.json, arguments.source.quiet, Arc::clone(&stop));
    let mut log = arguments
        .source
        .source
        .as_ref()
        .and_then(|device| KernelRequestLog::of_device(device, &KernelPlaces::default()));
    let controls = Controls {
        stop: &stop,
        request_log: log.as_mut().map(|log| log as &mut dyn RequestLog),
        thermometer: celsius.as_mut().map(|ask| ask as &mut dyn FnMut() -> Option<f64>),
        events: &mut |event| progress.event(event),
    };
    let copy = if arguments.wait { copy_case_and_wait } else { copy_case };
    Ok(copy(session, &options(arguments), controls)?)
}

fn kernel_facts(arguments: &CopyArguments) -> Option<KernelFacts> {
    KernelFacts::of_device(arguments.source.source.as_ref()?, &KernelPlaces::default())
}

fn options(arguments: &CopyArguments) -> CopyOptions {
    CopyOptions {
        request_bytes: arguments.request << 10,
        slow: Some(Duration::from_secs_f64(arguments.slow)),
        retries: arguments.retries,
        to_the_end: arguments.to_the_end,
        command_bytes: kernel_facts(arguments).and_then(|facts| facts.one_command_bytes()),
        hot_limit: arguments.hot_limit,
        stop_after: StopAfter {
            time: arguments.stop_after_minutes.map(|minutes| Duration::from_secs_f64(minutes * 60.0)),
            bytes: arguments.stop_after_bytes,
            errors: arguments.stop_after_errors,
            failures_in_a_row: arguments.stop_after_failures_in_a_row,
            resets: arguments.stop_after_resets,
            failures_a_minute: arguments.stop_after_failures_a_minute,
            below_rate: arguments.stop_below_rate,
        },
        ..CopyOptions::default()
    }
}

fn ending(outcome: &CaseCopyOutcome) -> Ending {
    match outcome.copy.end {
        End::Complete if outcome.copy.has_all() && outcome.damaged_files.is_none() => Ending::Done,
        // What was skipped and could not be decided is not complete either.
        End::Complete => Ending::Incomplete,
        End::LittleLeft { .. } => Ending::Incomplete,
        End::Stopped { .. } => Ending::NotFinished,
        End::Gone { .. } | End::Silent { .. } | End::Changed { .. } => Ending::SourceLost,
        End::NoRoom { .. } => Ending::Destination,
        End::Failed => Ending::Failed,
    }
}
