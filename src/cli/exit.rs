//! Which exit code an error gets: its own `Ends::ending`, looked for here along its causes; and the table for the help.

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
use crate::report::document::PublishError;
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

/// Every kind of error that can reach the command line by itself.
const ENDS: [OfCause; 28] = [
    of::<OpenError>,
    of::<SourceLost>,
    of::<TemperatureCommandError>,
    of::<NewFileError>,
    of::<ModelError>,
    of::<ModelFileError>,
    of::<ModelChoiceError>,
    of::<CaseError>,
    of::<NoteError>,
    of::<HealthError>,
    of::<PatternError>,
    of::<NoSuchVolume>,
    of::<KeyError>,
    of::<NoMatch>,
    of::<MakeError>,
    of::<PlanReadError>,
    of::<ExportError>,
    of::<TakeError>,
    of::<HandOverError>,
    of::<SessionError>,
    of::<PaceError>,
    of::<CopyError>,
    of::<RoomError>,
    of::<CaseCopyError>,
    of::<PickError>,
    of::<PublishError>,
    of::<WatchError>,
    of::<TextError>,
];

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
