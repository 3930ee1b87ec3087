//! `gleaner files`

use super::{Done, Opening, in_session, read};
use crate::cli::args::FilesArguments;
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::report::values;

pub fn run(arguments: &FilesArguments) -> anyhow::Result<Ending> {
    in_session(&arguments.source, &Opening::default(), |session| {
        let drive = read(session, arguments.source.quiet || arguments.source.json)?;
        let areas = drive.choose_areas(&arguments.volume)?;
        let mut out = JsonLines::default();
        values::for_each_file(&drive, areas.as_deref(), |line| out.line(line).map_err(anyhow::Error::from))?;
        out.finish()?;
        let ending = if drive.volumes().next().is_none() { Ending::NothingRecognised } else { Ending::Done };
        let figures = serde_json::json!({ "reading": session.reader.totals() });
        Ok(Done { ending, figures, text: String::new() })
    })
}
