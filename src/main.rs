//! The command line program.

#![warn(clippy::print_stdout, clippy::print_stderr)]

use gleaner::cli;
use std::process::ExitCode;
use std::thread;

/// As much as a program's first thread usually has, in bytes.
const STACK: usize = 8 << 20;

/// The work has a thread of its own: the kernel gives a signal to the first thread, and one that is waiting for a drive could not
/// take it before the drive has answered.
fn main() -> ExitCode {
    let arguments = match cli::parse() {
        Ok(arguments) => arguments,
        Err(code) => return code,
    };
    let work = thread::Builder::new().name("main".to_owned()).stack_size(STACK).spawn(move || work(&arguments));
    match work.map(thread::JoinHandle::join) {
        Ok(Ok(code)) => code,
        // The panic has told its reason.
        Ok(Err(_)) => ExitCode::from(101),
        Err(error) => {
            cli::output::tell(&format!("gleaner: no thread can be started: {error}"));
            ExitCode::FAILURE
        }
    }
}

fn work(arguments: &cli::args::Arguments) -> ExitCode {
    match cli::run(arguments) {
        Ok(ending) => ending.into(),
        Err(error) if cli::is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            cli::output::tell(&format!("gleaner: {}", cli::message_of(&error)));
            cli::ending_of(&error).into()
        }
    }
}
