//! `gleaner take`

use super::{open, print, read_open, record};
use crate::allocation::Patterns;
use crate::case::Access;
use crate::cli::args::{SourceArguments, TakeArguments};
use crate::cli::exit::Ending;
use crate::cli::{progress, show};
use crate::take::{Take, Taken, TakenState};
use anyhow::Context;
use std::io::Write;

pub fn run(arguments: &TakeArguments) -> anyhow::Result<Ending> {
    let chosen = Patterns::new(&arguments.paths)?;
    let sources = SourceArguments::of_case(&arguments.case, arguments.json);
    let mut session = open(&sources, Access::Look, None, &[])?;
    let drive = read_open(&mut session, arguments.json)?;
    let areas = drive.choose_areas(&arguments.volume)?;
    let case = session.case.as_ref().context("take needs a case")?;
    let take = Take { chosen: &chosen, areas: areas.as_deref(), fill: case.file().fill };

    let (files, bytes) = take.count(&drive);
    anyhow::ensure!(files > 0, "no live file matches: `gleaner folders --case` shows the names there are");
    let bar = progress::bytes_bar("taking", bytes, arguments.json);
    let mut trouble = Vec::new();
    let mut out = std::io::stdout().lock();
    let mut failed = None;
    let totals = take.run(&drive, case.store().as_ref(), &arguments.to, &mut |bytes| bar.inc(bytes), &mut |file| {
        if arguments.json && failed.is_none() {
            failed = line(&mut out, file).err();
        }
        if file.state != TakenState::Whole && trouble.len() < show::TAKEN_SHOWN {
            trouble.push(file.clone());
        }
    });
    bar.finish_and_clear();
    drop(out);
    let totals = totals?;
    if let Some(error) = failed {
        return Err(error);
    }
    let ending = if totals.files[1..].iter().all(|count| *count == 0) { Ending::Done } else { Ending::Incomplete };
    if !arguments.json {
        print(&show::taken(&totals, &trouble, &arguments.to))?;
    }
    record(&session, ending, serde_json::to_value(totals)?)?;
    Ok(ending)
}

fn line(out: &mut impl Write, file: &Taken) -> anyhow::Result<()> {
    serde_json::to_writer(&mut *out, file)?;
    out.write_all(b"\n")?;
    Ok(())
}
