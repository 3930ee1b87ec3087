//! `gleaner note`

use crate::case::{HealthReading, Note, add_note};
use crate::cli::args::NoteArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;

pub fn run(arguments: &NoteArguments) -> anyhow::Result<Ending> {
    let text = arguments.text.join(" ");
    let note = match &arguments.smart {
        Some(path) => Note::of_health(HealthReading::read(path)?, &text)?,
        None => Note::new(arguments.on, &text, &arguments.field, &arguments.personal)?,
    };
    add_note(&arguments.case, &note)?;
    if arguments.json {
        print(&json_text(&note)?)?;
    } else {
        print(&show::added_note(&note))?;
    }
    Ok(Ending::Done)
}
