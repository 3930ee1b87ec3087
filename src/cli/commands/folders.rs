//! `gleaner folders`

use super::{Done, Opening, choices, in_session, read};
use crate::cli::args::FoldersArguments;
use crate::cli::exit::Ending;
use crate::cli::output::json_text;
use crate::cli::show;
use crate::report;
use crate::source::Store;

pub fn run(arguments: &FoldersArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    in_session(&arguments.source, &Opening::default(), |session| {
        let drive = read(session, arguments.source.quiet || arguments.source.json)?;
        let store = session.case.as_ref().map(|case| case.store().as_ref() as &dyn Store);
        let areas = drive.choose_areas(&arguments.volume)?;
        let lines = report::folders(&drive, areas.as_deref(), arguments.depth, &choices, store);
        let text = match () {
            () if arguments.source.json => json_text(&lines)?,
            () if lines.is_empty() => "no volume here is read file by file: `gleaner survey` says why\n".to_owned(),
            () => show::folders(&lines),
        };
        let ending = if drive.volumes().next().is_none() { Ending::NothingRecognised } else { Ending::Done };
        Ok(Done { ending, figures: serde_json::json!({ "reading": session.reader.totals() }), text })
    })
}
