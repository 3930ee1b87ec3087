//! `gleaner record`

use crate::case::read_record;
use crate::cli::args::RecordArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;
use crate::report::document::Audience;
use crate::report::values::record_csv;
use std::io;

pub fn run(arguments: &RecordArguments) -> anyhow::Result<Ending> {
    let mut record = read_record(&arguments.case)?;
    if arguments.audience == Audience::Client {
        record = record.for_client();
    }
    if arguments.json {
        print(&json_text(&record)?)?;
    } else if arguments.csv {
        record_csv(&record, &mut io::stdout().lock())?;
    } else if arguments.check {
        print(&show::record_check(&record))?;
    } else {
        print(&show::record(&record))?;
    }
    Ok(if arguments.check && record.fault.is_some() { Ending::Incomplete } else { Ending::Done })
}
