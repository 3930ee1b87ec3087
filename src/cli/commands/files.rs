//! `gleaner files`

use super::{read, record};
use crate::case::Access;
use crate::cli::args::FilesArguments;
use crate::cli::exit::Ending;
use crate::report;
use std::io::{self, BufWriter, Write};

pub fn run(arguments: &FilesArguments) -> anyhow::Result<Ending> {
    let (session, drive) = read(&arguments.source, Access::Look, &[])?;
    let areas = drive.choose_areas(&arguments.volume)?;
    let mut out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
    report::for_each_file(&drive, areas.as_deref(), |line| -> anyhow::Result<()> {
        serde_json::to_writer(&mut out, line)?;
        out.write_all(b"\n")?;
        Ok(())
    })?;
    out.flush()?;
    let ending = if drive.volumes().next().is_none() { Ending::NothingRecognised } else { Ending::Done };
    record(&session, ending, serde_json::json!({ "reading": session.reader.totals() }))?;
    Ok(ending)
}
