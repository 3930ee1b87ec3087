//! `gleaner folders`

use super::{choices, print, print_json, read, record};
use crate::case::Access;
use crate::cli::args::FoldersArguments;
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::report;

pub fn run(arguments: &FoldersArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    let (session, drive) = read(&arguments.source, Access::Look, &[])?;
    let areas = drive.choose_areas(&arguments.volume)?;
    let lines = report::folders(&drive, areas.as_deref(), arguments.depth, &choices);
    if arguments.source.json {
        print_json(&lines)?;
    } else if lines.is_empty() {
        print("no volume here is read file by file: `gleaner survey` says why\n")?;
    } else {
        print(&show::folders(&lines))?;
    }
    let ending = if drive.volumes().next().is_none() { Ending::NothingRecognised } else { Ending::Done };
    record(&session, ending, serde_json::json!({ "reading": session.reader.totals() }))?;
    Ok(ending)
}
