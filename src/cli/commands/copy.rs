//! `gleaner copy`

use super::{open, print, print_json, record};
use crate::case_copy::{CaseCopyError, CaseCopyOutcome, copy_case};
use crate::cli::args::{CopyArguments, ImageArgument};
use crate::cli::exit::Ending;
use crate::cli::{copy_progress, show};
use crate::copy::{Controls, CopyOptions, CopyOutcome, End, StopAfter};
use crate::human;
use crate::image::ImageForm;
use crate::pace::seconds_left;
use crate::plan::open_plan;
use crate::session::Session;
use crate::source::kernel::{KernelFacts, KernelPlaces};
use crate::source::temperature::{TemperatureCommand, Thermometer};
use anyhow::Context;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

pub fn run(arguments: &CopyArguments) -> anyhow::Result<Ending> {
    let form = arguments.form.map(|form| match form {
        ImageArgument::Raw => ImageForm::Raw,
        ImageArgument::Vhdx => ImageForm::Vhdx,
    });
    let celsius = thermometer(arguments)?;
    let mut session = open(&arguments.source, form, &[])?;
    if let (Some(case), Some(fill)) = (&mut session.case, arguments.fill) {
        case.set_fill(fill)?;
    }
    session.case.as_ref().context("copy needs a case: give it with --case")?;
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&stop))?;
    }
    expect(arguments, &session)?;
    let outcome = follow(arguments, &mut session, &stop, celsius);
    session.reader.flush_trace()?;
    let outcome = outcome?;
    let ending = ending(&outcome.copy);
    record(&session, ending, serde_json::to_value(&outcome)?)?;
    if arguments.source.json {
        print_json(&outcome)?;
    } else {
        print(&show::copy(&outcome))?;
    }
    Ok(ending)
}

/// Says how long it will take, where the drive's pace was measured.
fn expect(arguments: &CopyArguments, session: &Session) -> anyhow::Result<()> {
    let Some(case) = session.case.as_ref().filter(|_| !arguments.source.quiet && !arguments.source.json) else {
        return Ok(());
    };
    let (Some(model), Some(plan)) = (case.model()?, case.plan_path()) else { return Ok(()) };
    let seconds = seconds_left(open_plan(&plan)?, case.store().as_ref(), &model)?;
    let (least, most) = model.spread.range(seconds);
    let range = show::time_range(least, most);
    eprintln!("at the drive's measured pace the sweeps take {} ({range})", human::seconds(seconds));
    Ok(())
}

/// What is asked for the drive's temperature.
type AskCelsius = Box<dyn FnMut() -> Option<f64>>;

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
    let advice = KernelFacts::of_device(device, &KernelPlaces::default()).and_then(|facts| facts.without_sensor());
    if let Some(advice) = advice.filter(|_| !arguments.source.json) {
        eprintln!("{advice}");
    }
    Ok(None)
}

fn follow(
    arguments: &CopyArguments,
    session: &mut Session,
    stop: &AtomicBool,
    mut celsius: Option<AskCelsius>,
) -> anyhow::Result<CaseCopyOutcome> {
    let mut progress = copy_progress::CopyProgress::new(arguments.source.json, arguments.source.quiet);
    let controls = Controls {
        stop,
        thermometer: celsius.as_mut().map(|ask| ask as &mut dyn FnMut() -> Option<f64>),
        events: &mut |event| progress.event(event),
    };
    let outcome = copy_case(session, &options(arguments), controls);
    progress.finish();
    outcome.map_err(bare)
}

/// The error itself, by which the exit code is chosen.
fn bare(error: CaseCopyError) -> anyhow::Error {
    match error {
        CaseCopyError::Case(error) => error.into(),
        CaseCopyError::Room(error) => error.into(),
        CaseCopyError::Copy(error) => error.into(),
        CaseCopyError::Session(error) => error.into(),
        CaseCopyError::Make(error) => error.into(),
        CaseCopyError::Plan(error) => error.into(),
        CaseCopyError::Write(error) => error.into(),
    }
}

fn options(arguments: &CopyArguments) -> CopyOptions {
    CopyOptions {
        request_bytes: arguments.request << 10,
        slow: Some(Duration::from_secs_f64(arguments.slow)),
        retries: arguments.retries,
        trouble_share: arguments.trouble_share,
        warm_limit: arguments.warm_limit,
        stop_after: StopAfter {
            time: arguments.stop_after_minutes.map(|minutes| Duration::from_secs_f64(minutes * 60.0)),
            bytes: arguments.stop_after_bytes,
            errors: arguments.stop_after_errors,
        },
        // The case makes things durable itself, beside the writing. The engine asks for it where a pass ends, and when a
        // read hangs for so long that nothing else would.
        commit_bytes: u64::MAX,
        commit_time: Duration::from_secs(30),
        ..CopyOptions::default()
    }
}

fn ending(outcome: &CopyOutcome) -> Ending {
    match outcome.end {
        End::Complete if outcome.totals().3 > 0 => Ending::Incomplete,
        End::Complete => Ending::Done,
        End::Stopped { .. } => Ending::NotFinished,
        End::Gone { .. } => Ending::SourceLost,
        End::Failed => Ending::Failed,
    }
}
