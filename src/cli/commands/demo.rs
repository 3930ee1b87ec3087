//! `gleaner demo`

use super::{Done, audit, copy, plan, report, survey, work_in};
use crate::base::human;
use crate::base::new_file::{NewFileError, check_new};
use crate::base::text::{of_os, shown};
use crate::case::{Access, Case};
use crate::cli::args::{Arguments, Command, DemoArguments};
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::stop::stop_flag;
use crate::copy::session::{Session, Sources};
use crate::demo::{self, LIFE, WANTED, compare, failing_drive, make_drive, read_front_to_back};
use crate::drive::sick::SickDrive;
use crate::report::document::Audience;
use crate::source::{Reader, Source};
use crate::store::image::ImageForm;
use crate::survey::allocation::Patterns;
use anyhow::Context;
use clap::Parser;
use serde_json::json;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Where the demo is left when no folder is named.
const FOLDER: &str = "gleaner-demo";

pub fn run(arguments: &DemoArguments) -> anyhow::Result<Ending> {
    let folder = arguments.keep.as_deref().unwrap_or(Path::new(FOLDER));
    check_new(folder).context("the demo needs a new folder, which --keep names")?;
    let io = |error| NewFileError::Io { path: folder.to_path_buf(), error };
    std::fs::create_dir(folder).map_err(io)?;
    let [image, case, front_to_back] = ["demo-drive.img", "case", "front-to-back"].map(|name| folder.join(name));
    make_drive(&image).with_context(|| format!("demo drive {}", image.display()))?;
    let drive = failing_drive(&image)?;
    let stop = stop_flag()?;
    if !arguments.json {
        print(&format!(
            "The drive of this demo is simulated. It is slow, has ranges that cannot be read,\n\
             and dies after {} of its own clock, which runs ahead.\n",
            human::seconds(LIFE.as_secs_f64())
        ))?;
    }
    let name = of_os(drive.identity().path.as_os_str());
    let in_case = of_os(case.as_os_str());
    let with_drive: [&[&str]; 3] = [
        &["survey", &name, "--case", &in_case],
        &["plan", "--case", &in_case, "--want", WANTED],
        &["copy", "--case", &in_case, &name],
    ];
    let from_the_case: [&[&str]; 2] = [&["audit", "--case", &in_case], &["report", "--case", &in_case]];
    let mut session = with_failing_drive(&drive, &case, &stop)?;
    for words in with_drive {
        if step(arguments, words, &mut session, &drive)? == Ending::NotFinished {
            return Ok(Ending::NotFinished);
        }
    }
    drop(session);
    let sources = Sources { case: Some(case.clone()), access: Access::Look, stop, ..Sources::default() };
    for words in from_the_case {
        step(arguments, words, &mut Session::open(&sources)?, &drive)?;
    }
    read_front_to_back(&drive.twin(), &front_to_back, demo::REQUEST_BYTES)?;
    let comparison = compare(&image, &case, &front_to_back)?;
    let page = case.join("report.html");
    let kept = [("drive", &image), ("case", &case), ("front to back", &front_to_back)];
    if arguments.json {
        let page = of_os(page.as_os_str());
        print(&json_text(&json!({ "safe_when_the_drive_died": comparison, "report": page }))?)?;
        return Ok(Ending::Done);
    }
    let name = |path: &Path| shown(&path.to_string_lossy()).into_owned();
    let kept: String = kept.map(|(what, path)| format!("{what:14} {}\n", name(path))).concat();
    print(&format!("\nWHEN THE DRIVE DIED\n{}\n\n{kept}{:14} {}\n", comparison.line(), "report", name(&page)))?;
    Ok(Ending::Done)
}

fn with_failing_drive(drive: &SickDrive, folder: &Path, stop: &Arc<AtomicBool>) -> anyhow::Result<Session> {
    let case = Case::open_or_create(folder, drive.identity(), ImageForm::Raw)?;
    let reader = Reader::new(Box::new(drive.clone()), None).with_stop(Arc::clone(stop));
    let reader = reader.with_store(Arc::clone(case.store()) as _);
    let mut session = Session::over(Arc::new(reader), case);
    session.stop = Arc::clone(stop);
    Ok(session)
}

/// Runs a command as if it had been typed, and shows what was typed.
fn step(arguments: &DemoArguments, words: &[&str], session: &mut Session, drive: &SickDrive) -> anyhow::Result<Ending> {
    let json = arguments.json.then_some("--json");
    let words: Vec<String> = words.iter().copied().chain(json).map(str::to_owned).collect();
    if !arguments.json {
        print(&format!("\n$ gleaner {}\n\n", shown(&words.join(" "))))?;
    }
    let command =
        Arguments::try_parse_from(std::iter::once("gleaner").chain(words.iter().map(String::as_str)))?.command;
    work_in(session, &words, |session| work(&command, session, drive))
}

fn work(command: &Command, session: &mut Session, drive: &SickDrive) -> anyhow::Result<Done> {
    match command {
        Command::Survey(a) => survey::work(a, &super::choices(&[], &a.bulk)?, session),
        Command::Plan(a) => plan::work(a, plan::request(a)?, session),
        Command::Copy(a) => {
            let drive = drive.clone();
            copy::work(a, session, Some(Box::new(move || Some(drive.celsius()))))
        }
        Command::Audit(a) => audit::work(a, &Patterns::new(&a.path)?, session),
        Command::Report(a) => report::work(a, Audience::Bench, session),
        _ => unreachable!("not a step of the demo"),
    }
}
