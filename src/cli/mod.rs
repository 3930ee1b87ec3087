//! The command line: what was typed, handed to the library, and its answer shown. No logic of its own.

pub mod args;
mod commands;
mod copy_progress;
pub mod exit;
mod input;
mod layout;
pub mod output;
mod progress;
mod show;
mod stop;
mod table;

use args::{Arguments, Command};
use exit::Ending;
pub use exit::ending_of;
use std::process::ExitCode;

/// The definition of the command line, for what is made from it: `docs/commands`, man pages, completions.
pub fn command() -> clap::Command {
    <Arguments as clap::CommandFactory>::command()
}

/// What was typed. Help and version are printed here, and so is what is wrong with it: words may be names that a shell has put
/// there.
///
/// # Errors
/// The exit code, when there is nothing to be run.
pub fn parse() -> Result<Arguments, ExitCode> {
    <Arguments as clap::Parser>::try_parse().map_err(|error| {
        if !error.use_stderr() {
            error.exit();
        }
        output::tell_lines(&error.render().to_string());
        Ending::Usage.into()
    })
}

/// Runs a command.
///
/// # Errors
/// What went wrong, as a chain of sentences; [`ending_of`] gives the exit code for it.
pub fn run(arguments: &Arguments) -> anyhow::Result<Ending> {
    match &arguments.command {
        Command::Drives(a) => commands::drives::run(a),
        Command::Survey(a) => commands::survey::run(a),
        Command::Folders(a) => commands::folders::run(a),
        Command::Files(a) => commands::files::run(a),
        Command::Pace(a) => commands::pace::run(a),
        Command::Plan(a) => commands::plan::run(a),
        Command::Simulate(a) => commands::simulate::run(a),
        Command::Export(a) => commands::export::run(a),
        Command::Copy(a) => commands::copy::run(a),
        Command::Audit(a) => commands::audit::run(a),
        Command::Verify(a) => commands::verify::run(a),
        Command::Take(a) => commands::take::run(a),
        Command::HandOver(a) => commands::hand_over::run(a),
        Command::Watch(a) => commands::watch::run(a),
        Command::Note(a) => commands::note::run(a),
        Command::Record(a) => commands::record::run(a),
        Command::Mend(a) => commands::mend::run(a),
        Command::Report(a) => commands::report::run(a),
        Command::Demo(a) => commands::demo::run(a),
    }
}

/// An error as one sentence: the whole chain, without a cause that the sentence tells already.
pub fn message_of(error: &anyhow::Error) -> String {
    error.chain().fold(String::new(), |message, cause| match cause.to_string() {
        cause if message.is_empty() => cause,
        cause if message.ends_with(&cause) => message,
        cause => format!("{message}: {cause}"),
    })
}

/// Whether an error only says that the reader of our output is gone (`gleaner files DRIVE | head`).
pub fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        let io = cause.downcast_ref::<std::io::Error>().map(std::io::Error::kind);
        let json = cause.downcast_ref::<serde_json::Error>().and_then(serde_json::Error::io_error_kind);
        io.or(json) == Some(std::io::ErrorKind::BrokenPipe)
    })
}
