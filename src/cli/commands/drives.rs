//! `gleaner drives`

use crate::cli::args::DrivesArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;
use crate::copy::session::known_drives;

pub fn run(arguments: &DrivesArguments) -> anyhow::Result<Ending> {
    let drives = known_drives(&arguments.folders)?;
    print(&if arguments.json { json_text(&drives)? } else { show::drives(&drives) })?;
    Ok(Ending::Done)
}
