//! `gleaner folders`

use super::{Done, Opening, choices, in_session, read};
use crate::cli::args::FoldersArguments;
use crate::cli::exit::Ending;
use crate::cli::input;
use crate::cli::output::{json_text, tell, tell_lines};
use crate::cli::show;
use crate::report::values::{self, FolderLine, NumberedFolder, PickError, VolumeTitles};
use crate::source::CopyStore;
use std::path::Path;
use std::sync::atomic::AtomicBool;

pub fn run(arguments: &FoldersArguments) -> anyhow::Result<Ending> {
    let choices = choices(&[], &arguments.bulk)?;
    in_session(&arguments.source, &Opening::default(), |session| {
        let drive = read(session, arguments.source.quiet || arguments.source.json)?;
        let store = session.case.as_ref().map(|case| case.store().as_ref() as &dyn CopyStore);
        let areas = drive.choose_areas(&arguments.volume)?;
        let lines = values::folders(&drive, areas.as_deref(), arguments.depth, &choices, store);
        let titles = VolumeTitles::of(&drive);
        let ending = if drive.volumes().next().is_none() { Ending::NothingRecognised } else { Ending::Done };
        let text = match &arguments.pick {
            Some(from) => picked(arguments, (&lines, &titles), from, &session.stop)?,
            None if arguments.source.json => json_text(&lines)?,
            None if lines.is_empty() => "no volume here is read file by file: `gleaner survey` says why\n".to_owned(),
            None => show::folders(&lines, &titles),
        };
        Ok(Done { ending, figures: serde_json::json!({ "reading": session.reader.totals() }), text })
    })
}

/// Shows the folders with numbers, takes numbers, and gives the patterns.
fn picked(
    arguments: &FoldersArguments,
    (lines, titles): (&[FolderLine], &VolumeTitles),
    from: &Path,
    stop: &AtomicBool,
) -> anyhow::Result<String> {
    let list = values::numbered(lines);
    if list.is_empty() {
        return Err(PickError::NoFolder.into());
    }
    if !arguments.source.quiet {
        tell_lines(&show::numbered_folders(&list, titles));
    }
    let picked =
        if input::is_terminal(from) { ask(&list, stop)? } else { values::pick(&list, &input::text_of(from)?)? };
    for other in values::also_matched(&list, &picked) {
        let folder = &other.folder;
        tell(&format!(
            "folder {} ({}, volume at byte {}) has a picked path too: it is wanted as well",
            other.number, folder.path, folder.volume
        ));
    }
    if picked.is_empty() {
        tell("no folder is picked");
    }
    if arguments.source.json {
        return Ok(json_text(&picked)?);
    }
    Ok(picked.iter().map(|folder| format!("{}\n", folder.pattern)).collect())
}

/// Asks at the terminal until the answer can be used.
fn ask<'l>(list: &'l [NumberedFolder], stop: &AtomicBool) -> anyhow::Result<Vec<&'l NumberedFolder>> {
    loop {
        tell("Numbers of the folders, most wanted first (such as 3,7-9); an empty line for none:");
        match values::pick(list, &input::line(stop)?) {
            Ok(picked) => return Ok(picked),
            Err(error) => tell(&error.to_string()),
        }
    }
}
