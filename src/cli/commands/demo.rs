//! `gleaner demo`

use super::{export, folders, plan, survey};
use crate::cli::args::{Arguments, Command, DemoArguments};
use crate::cli::exit::Ending;
use crate::cli::output::print;
use crate::demo;
use crate::new_file::check_new;
use crate::text::shown;
use anyhow::Context;
use clap::Parser;
use std::ffi::OsStr;

pub fn run(arguments: &DemoArguments) -> anyhow::Result<Ending> {
    let scratch = tempfile::tempdir()?;
    let folder = match &arguments.keep {
        Some(folder) => {
            check_new(folder)?;
            std::fs::create_dir(folder).with_context(|| format!("{}", folder.display()))?;
            folder.as_path()
        }
        None => scratch.path(),
    };
    let drive = folder.join("demo-drive.img");
    let plan = folder.join("demo-plan.json");
    demo::make_drive(&drive).with_context(|| format!("demo drive {}", drive.display()))?;
    let csv = folder.join("demo-plan.csv");

    step(arguments, &["survey".as_ref(), drive.as_ref()])?;
    step(arguments, &["folders".as_ref(), drive.as_ref(), "--depth".as_ref(), "1".as_ref()])?;
    step(
        arguments,
        &["plan".as_ref(), drive.as_ref(), "--want".as_ref(), demo::WANTED.as_ref(), "-o".as_ref(), plan.as_ref()],
    )?;
    step(arguments, &["export".as_ref(), plan.as_ref(), "--as".as_ref(), "csv".as_ref(), "-o".as_ref(), csv.as_ref()])?;
    if !arguments.json {
        let hint = match &arguments.keep {
            Some(folder) => {
                format!("kept in {}: the drive, its plan, the plan as CSV\n", shown(&folder.to_string_lossy()))
            }
            None => "the drive was thrown away; `gleaner demo --keep FOLDER` leaves it to try other commands on\n"
                .to_owned(),
        };
        print(&format!("\n{hint}"))?;
    }
    Ok(Ending::Done)
}

/// Runs a command as if it had been typed, and shows what was typed.
fn step(arguments: &DemoArguments, words: &[&OsStr]) -> anyhow::Result<()> {
    let mut typed = vec![OsStr::new("gleaner")];
    typed.extend(words);
    if arguments.json && words[0] != "export" {
        typed.push(OsStr::new("--json"));
    }
    if !arguments.json {
        let names: Vec<String> = typed.iter().map(|word| short(&word.to_string_lossy())).collect();
        print(&format!("\n$ {}\n\n", shown(&names.join(" "))))?;
    }
    match Arguments::try_parse_from(&typed)?.command {
        Command::Survey(a) => survey::run(&a)?,
        Command::Plan(a) => plan::run(&a)?,
        Command::Export(a) => export::run(&a)?,
        Command::Folders(a) => folders::run(&a)?,
        _ => unreachable!("not a step of the demo"),
    };
    Ok(())
}

/// Files of the demo by their names alone.
fn short(word: &str) -> String {
    let is_own = word.contains("/demo-");
    if is_own { word.rsplit('/').next().unwrap_or(word).to_owned() } else { word.to_owned() }
}
