//! `gleaner note`

use crate::case::{Note, add_note};
use crate::cli::args::NoteArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;

pub fn run(arguments: &NoteArguments) -> anyhow::Result<Ending> {
    let note = Note::new(arguments.on, &arguments.text.join(" "), &arguments.field, &arguments.personal)?;
    add_note(&arguments.case, &note)?;
    if arguments.json {
        print(&json_text(&note)?)?;
    } else {
        print(&format!("noted: {}\n", show::note(&note)))?;
    }
    Ok(Ending::Done)
}
