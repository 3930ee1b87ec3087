//! `gleaner export`

use crate::cli::args::ExportArguments;
use crate::cli::exit::Ending;

pub fn run(_arguments: &ExportArguments) -> anyhow::Result<Ending> {
    anyhow::bail!("being written")
}
