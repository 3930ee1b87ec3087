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

/// The exit code for an error: its kind is looked for along the whole chain.
pub fn ending_of(error: &anyhow::Error) -> Ending {
    use crate::base::new_file::NewFileError;
    use crate::case::{CaseError, HealthError, NoteError};
    use crate::copy::follow_plan::{CaseCopyError, RoomError};
    use crate::copy::pace::PaceError;
    use crate::copy::reading::CopyError;
    use crate::copy::session::SessionError;
    use crate::drive::model::{ModelError, ModelFileError};
    use crate::plan::export::ExportError;
    use crate::plan::{BuildError, MakeError, NoMatch, PlanReadError};
    use crate::report::document::PublishError;
    use crate::report::values::PickError;
    use crate::report::watch::WatchError;
    use crate::results::hand_over::HandOverError;
    use crate::results::take::TakeError;
    use crate::source::temperature::TemperatureCommandError;
    use crate::source::{OpenError, SourceLost};
    use crate::survey::allocation::{NoSuchVolume, PatternError};
    use input::TextError;
    for cause in error.chain() {
        if let Some(error) = cause.downcast_ref::<OpenError>() {
            return if matches!(error, OpenError::SectorSize { .. }) { Ending::Usage } else { Ending::SourceNotOpened };
        }
        if let Some(error) = cause.downcast_ref::<SourceLost>() {
            return of_lost(error);
        }
        match cause.downcast_ref::<TakeError>() {
            Some(TakeError::Stopped { .. }) => return Ending::NotFinished,
            Some(_) => return Ending::Destination,
            None => {}
        }
        if cause.is::<NewFileError>() {
            return Ending::Destination;
        }
        match cause.downcast_ref::<HandOverError>() {
            Some(HandOverError::Stopped { .. }) => return Ending::NotFinished,
            Some(HandOverError::Differs { .. } | HandOverError::FileDiffers { .. }) => return Ending::Incomplete,
            Some(HandOverError::Lost(SourceLost::Stopped)) => return Ending::NotFinished,
            Some(HandOverError::Case(error)) => return of_case(error),
            Some(HandOverError::Host(_) | HandOverError::Lost(_)) => return Ending::Case,
            Some(_) => return Ending::Destination,
            None => {}
        }
        match cause.downcast_ref::<ExportError>() {
            Some(ExportError::File(_) | ExportError::Output(_)) => return Ending::Destination,
            Some(ExportError::DeviceName { .. }) => return Ending::Usage,
            Some(_) => return Ending::Plan,
            None => {}
        }
        match cause.downcast_ref::<CopyError>() {
            Some(CopyError::Store { .. }) => return Ending::Destination,
            Some(CopyError::Source { error, .. }) => return of_lost(error),
            Some(CopyError::RequestSize { .. }) => return Ending::Usage,
            Some(_) => return Ending::Plan,
            None => {}
        }
        if cause.is::<RoomError>() {
            return Ending::Destination;
        }
        match cause.downcast_ref::<SessionError>() {
            Some(SessionError::Nothing | SessionError::NoCase) => return Ending::Usage,
            Some(SessionError::Open(OpenError::SectorSize { .. })) => return Ending::Usage,
            Some(SessionError::Open(_)) => return Ending::SourceNotOpened,
            Some(SessionError::Lost(error)) => return of_lost(error),
            Some(SessionError::Host(_)) => return Ending::Case,
            Some(SessionError::Trace(_)) => return Ending::Destination,
            Some(SessionError::Case(error)) => return of_case(error),
            None => {}
        }
        if cause.is::<NoMatch>() {
            return Ending::Usage;
        }
        match cause.downcast_ref::<MakeError>() {
            Some(
                MakeError::Build(BuildError::Scope(_))
                | MakeError::Pattern(_)
                | MakeError::NoMatch(_)
                | MakeError::Volume(_),
            ) => {
                return Ending::Usage;
            }
            Some(MakeError::Lost(error)) => return of_lost(error),
            Some(_) => return Ending::Plan,
            None => {}
        }
        match cause.downcast_ref::<CaseCopyError>() {
            Some(CaseCopyError::NoSuchFile { .. }) => return Ending::Usage,
            Some(CaseCopyError::PlanOfUnknownDrive) => return Ending::Case,
            _ => {}
        }
        if let Some(WatchError::Case(error)) = cause.downcast_ref::<WatchError>() {
            return of_case(error);
        }
        if let Some(error) = cause.downcast_ref::<TextError>() {
            return if matches!(error, TextError::Stopped) { Ending::NotFinished } else { Ending::Usage };
        }
        if let Some(error) = cause.downcast_ref::<PaceError>() {
            return if matches!(error, PaceError::NothingLeft) { Ending::Plan } else { Ending::Usage };
        }
        if let Some(error) = cause.downcast_ref::<CaseError>() {
            return of_case(error);
        }
        if cause.is::<PlanReadError>() {
            return Ending::Plan;
        }
        if cause.is::<PublishError>() {
            return Ending::Destination;
        }
        if cause.is::<NoteError>()
            || cause.is::<HealthError>()
            || cause.is::<PatternError>()
            || cause.is::<NoSuchVolume>()
            || cause.is::<PickError>()
            || cause.is::<ModelFileError>()
            || cause.is::<ModelError>()
            || cause.is::<TemperatureCommandError>()
        {
            return Ending::Usage;
        }
    }
    Ending::Failed
}

/// What is lost need not be the source: the case or the trace may have no room.
fn of_lost(error: &crate::source::SourceLost) -> Ending {
    use crate::source::SourceLost;
    match error {
        SourceLost::Store(_) | SourceLost::Trace(_) => Ending::Destination,
        SourceLost::Stopped => Ending::NotFinished,
        _ => Ending::SourceLost,
    }
}

fn of_case(error: &crate::case::CaseError) -> Ending {
    match error {
        crate::case::CaseError::Source(error) => of_lost(error),
        crate::case::CaseError::NoPlan { .. } => Ending::Plan,
        crate::case::CaseError::FormIsSettled { .. } => Ending::Usage,
        crate::case::CaseError::Write(_) | crate::case::CaseError::NoRoomForForm { .. } => Ending::Destination,
        _ => Ending::Case,
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
