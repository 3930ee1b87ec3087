//! Which exit code an error gets: its own `Ends::ending`, looked for here along its causes; and the table for the help. The numbers
//! are in `base::ending`.

use crate::base::ending::Listed;
pub use crate::base::ending::{Ending, Ends};
use crate::base::new_file::NewFileError;
use crate::case::{CaseError, HealthError, NoteError};
use crate::cli::input::TextError;
use crate::copy::follow_plan::{CaseCopyError, RoomError};
use crate::copy::pace::PaceError;
use crate::copy::reading::CopyError;
use crate::copy::session::SessionError;
use crate::drive::model::{ModelChoiceError, ModelError, ModelFileError};
use crate::plan::export::ExportError;
use crate::plan::{MakeError, NoMatch, PlanReadError};
use crate::report::document::{GatherError, PublishError};
use crate::report::values::PickError;
use crate::report::watch::WatchError;
use crate::results::hand_over::HandOverError;
use crate::results::take::TakeError;
use crate::source::temperature::TemperatureCommandError;
use crate::source::{OpenError, SourceLost};
use crate::survey::allocation::{KeyError, NoSuchVolume, PatternError};
use std::error::Error;

/// The exit code for an error: the first of its chain that names one.
pub fn ending_of(error: &anyhow::Error) -> Ending {
    error.chain().find_map(|cause| ENDS.iter().find_map(|of| of(cause))).unwrap_or(Ending::Failed)
}

/// What tells the ending of a cause, if that is of its kind.
type OfCause = fn(&(dyn Error + 'static)) -> Option<Ending>;

fn of<E: Ends>(cause: &(dyn Error + 'static)) -> Option<Ending> {
    cause.downcast_ref::<E>().map(Ends::ending)
}

macro_rules! every_error {
    ($($error:ty,)+) => {
        $(impl Listed for $error {})+
        /// Every kind of error that can reach the command line by itself.
        const ENDS: &[OfCause] = &[$(of::<$error>),+];
    };
}

every_error! {
    OpenError,
    SourceLost,
    TemperatureCommandError,
    NewFileError,
    ModelError,
    ModelFileError,
    ModelChoiceError,
    CaseError,
    NoteError,
    HealthError,
    PatternError,
    NoSuchVolume,
    KeyError,
    NoMatch,
    MakeError,
    PlanReadError,
    ExportError,
    TakeError,
    HandOverError,
    SessionError,
    PaceError,
    CopyError,
    RoomError,
    CaseCopyError,
    PickError,
    GatherError,
    PublishError,
    WatchError,
    TextError,
}

/// The table as the help shows it.
pub const HELP: &str = "\
Exit codes:
  0  done
  1  failed for a reason that no other code names
  2  the command line is wrong
  3  the source cannot be opened: missing, no permission, a folder, empty
  4  the source stopped answering while it was read
  5  a file to be written exists already, or cannot be written; or a drive
     must not be written
  6  a plan is not valid, or does not fit the source
  7  the source was read, but holds neither a partition table nor a known volume
  8  a case cannot be used: it is another drive's, in use, damaged, or lies on
     the drive itself
  9  stopped in good order before the work was done (Ctrl-C, a limit): the
     same command goes on
 10  done, but some of what was planned could not be read, or a check found
     a difference
 11  a key opens no volume of the drive
130  ended at once by a second Ctrl-C: what the case had by then is safe";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::journal::JournalError;
    use std::collections::BTreeSet;
    use std::path::Path;

    /// Errors that never reach the command line by themselves: another one holds them, or they become a finding.
    const WITHIN_OTHERS: [&str; 20] = [
        "AttributeError",
        "BlockFault",
        "BootError",
        "BuildError",
        "ChainFault",
        "Fault",
        "Fetch",
        "HostError",
        "ImageError",
        "JournalError",
        "Lznt1Error",
        "ReadError",
        "RecordError",
        "Refusal",
        "RereadError",
        "RunListError",
        "ScopeError",
        "SuperblockError",
        "Unsound",
        "VhdxFault",
    ];

    /// The names of the types behind `#[derive(.. thiserror::Error ..)]`, and behind `impl Ends for`.
    fn errors(folder: &Path, all: &mut BTreeSet<String>, that_end: &mut BTreeSet<String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                errors(&path, all, that_end);
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            let mut is_error = false;
            for line in text.lines() {
                let name = |rest: &str| rest.split(|c: char| !c.is_alphanumeric()).next().unwrap().to_owned();
                is_error |= line.starts_with("#[derive(") && line.contains("thiserror::Error");
                let declared = line.split_once("enum ").or_else(|| line.split_once("struct "));
                if let (true, false, Some((_, rest))) = (is_error, line.starts_with(['#', '/']), declared) {
                    all.insert(name(rest));
                    is_error = false;
                }
                that_end.extend(line.strip_prefix("impl Ends for ").map(name));
            }
        }
    }

    // That one with an ending is in the list the compiler sees to.
    #[test]
    fn every_error_names_its_ending_or_is_known_to_be_within_another() {
        let (mut all, mut that_end) = (BTreeSet::new(), BTreeSet::new());
        errors(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut all, &mut that_end);
        assert_eq!(that_end.len(), ENDS.len());
        let without: Vec<&String> = all.difference(&that_end).collect();
        assert_eq!(
            without,
            WITHIN_OTHERS.iter().collect::<Vec<_>>(),
            "give a new error its ending and put it in the list"
        );
    }

    #[test]
    fn a_report_that_cannot_be_put_together_ends_as_what_is_wrong() {
        let ending = |error: GatherError| ending_of(&error.into());
        assert_eq!(ending(CaseError::Missing { folder: "folder".into() }.into()), Ending::Case);
        assert_eq!(ending(PlanReadError::Io(std::io::ErrorKind::NotFound.into()).into()), Ending::Plan);
        assert_eq!(
            ending(JournalError::Io { doing: "read", error: std::io::ErrorKind::NotFound.into() }.into()),
            Ending::Case
        );
    }
}
