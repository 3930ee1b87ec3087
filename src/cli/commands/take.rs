//! `gleaner take`

use super::{Done, Opening, in_session, read};
use crate::cli::args::{SourceArguments, TakeArguments};
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::{progress, show};
use crate::copy::session::Session;
use crate::results::take::{Take, TakenState};
use crate::survey::allocation::Patterns;

pub fn run(arguments: &TakeArguments) -> anyhow::Result<Ending> {
    let chosen = Patterns::new(&arguments.paths)?;
    let sources = SourceArguments::of_case(&arguments.case, arguments.json, &arguments.keys);
    in_session(&sources, &Opening { outputs: &[&Some(arguments.to.clone())], ..Opening::default() }, |session| {
        work(arguments, &chosen, session)
    })
}

fn work(arguments: &TakeArguments, chosen: &Patterns, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.json)?;
    let areas = drive.choose_areas(&arguments.volume)?;
    let case = session.case()?;
    let take = Take { chosen, areas: areas.as_deref(), fill: case.file().fill, stop: &session.stop };

    let (files, bytes) = take.count(&drive);
    anyhow::ensure!(files > 0, "no existing file matches: `gleaner folders --case` shows the names there are");
    let bar = progress::bytes_bar("taking", bytes, arguments.json);
    let mut trouble = Vec::new();
    let mut out = JsonLines::default();
    // Files are taken to the end also when the list has no reader.
    let mut printed = Ok(());
    let totals = take.run(&drive, case.store().as_ref(), &arguments.to, &mut |bytes| bar.inc(bytes), &mut |file| {
        if arguments.json && printed.is_ok() {
            printed = out.line(file);
        }
        if file.state != TakenState::Complete && trouble.len() < show::TAKEN_SHOWN {
            trouble.push(file.clone());
        }
    });
    bar.finish_and_clear();
    let printed = printed.and_then(|()| out.finish());
    let totals = totals?;
    printed?;
    let ending = if totals.files[1..].iter().all(|count| *count == 0) { Ending::Done } else { Ending::Incomplete };
    let text = if arguments.json { String::new() } else { show::taken(&totals, &trouble, &arguments.to) };
    Ok(Done { ending, figures: serde_json::to_value(totals)?, text })
}
