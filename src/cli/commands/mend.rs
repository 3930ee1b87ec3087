//! `gleaner mend`

use super::{command_entry, print, print_json};
use crate::case::{Known, Mounted};
use crate::cli::args::MendArguments;
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::mend::mend;

pub fn run(arguments: &MendArguments) -> anyhow::Result<Ending> {
    let known = Known { serial: arguments.serial.clone(), fill: arguments.fill, image: arguments.image.clone() };
    let mounted = if arguments.mounted { Mounted::Accept } else { Mounted::Refuse };
    let (case, report) = mend(&arguments.case, arguments.source.as_deref(), mounted, &known)?;
    case.record(&command_entry(Ending::Done, serde_json::to_value(&report)?))?;
    if arguments.json {
        print_json(&report)?;
    } else {
        print(&show::mended(&report))?;
    }
    Ok(Ending::Done)
}
