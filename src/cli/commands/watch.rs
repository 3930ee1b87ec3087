//! `gleaner watch`

use crate::base::text::json;
use crate::cli::args::WatchArguments;
use crate::cli::exit::Ending;
use crate::cli::layout::{columns, wrap};
use crate::cli::output::print;
use crate::cli::stop::stop_flag;
use crate::report::watch::{Timing, Watch, WatchEnd};
use serde_json::json;

pub fn run(arguments: &WatchArguments) -> anyhow::Result<Ending> {
    let stop = stop_flag()?;
    let watch = Watch::open(&arguments.case, arguments.port, Timing::default())?;
    let address = watch.address();
    if arguments.json {
        print(&(json(&json!({ "address": address }))? + "\n"))?;
    } else {
        print(&format!(
            "WATCH  open this in a browser on this machine:\n  {address}\n  Ctrl-C ends watching, not the copy.\n"
        ))?;
    }
    let end = watch.run(&stop)?;
    if arguments.json {
        let (ended, how) = match &end {
            WatchEnd::Ended(how) => ("copy ended", Some(how)),
            WatchEnd::Killed => ("copy killed", None),
            WatchEnd::Asked => ("asked", None),
        };
        print(&(json(&json!({ "ended": ended, "how": how }))? + "\n"))?;
    } else {
        match &end {
            WatchEnd::Ended(how) => print(&(wrap("WATCH  ", how, columns()).join("\n") + "\n"))?,
            WatchEnd::Killed => {
                print("WATCH  the process that copied is gone and wrote no end.\n  The same copy command goes on.\n")?
            }
            WatchEnd::Asked => {}
        }
    }
    Ok(Ending::Done)
}
