//! `gleaner mend`

use super::{command_entry, typed};
use crate::case::Known;
use crate::cli::args::MendArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;
use crate::copy::mend::mend;

pub fn run(arguments: &MendArguments) -> anyhow::Result<Ending> {
    let known = Known { serial: arguments.serial.clone(), fill: arguments.fill, image: arguments.image.clone() };
    let (case, report) = mend(&arguments.case, arguments.source.as_deref(), arguments.mounted, &known)?;
    case.record(&command_entry(&typed(), Ending::Done, serde_json::to_value(&report)?))?;
    print(&if arguments.json { json_text(&report)? } else { show::mended(&report) })?;
    Ok(Ending::Done)
}
