//! The command line program.

use clap::Parser;
use gleaner::cli;
use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run(&cli::args::Arguments::parse()) {
        Ok(ending) => ending.into(),
        Err(error) if cli::is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            cli::output::tell(&format!("gleaner: {}", cli::message_of(&error)));
            cli::ending_of(&error).into()
        }
    }
}
