//! How a run ended, as its exit code; each error names its own.

use std::error::Error;
use std::process::ExitCode;

/// How a run ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[repr(u8)]
pub enum Ending {
    /// Done.
    Done = 0,
    /// Something failed that no other code names.
    Failed = 1,
    /// The command line is wrong (clap's own code for it).
    Usage = 2,
    /// The source cannot be opened: missing, no permission, a folder, empty.
    SourceNotOpened = 3,
    /// The source stopped answering while it was read.
    SourceLost = 4,
    /// A file to be written exists already, or cannot be written; a drive must not be written, or cannot be.
    Destination = 5,
    /// A plan is not valid or does not fit the source.
    Plan = 6,
    /// The source was read, but holds neither a partition table nor a known volume.
    NothingRecognised = 7,
    /// A case cannot be used: another drive's, in use, damaged, or on the drive itself.
    Case = 8,
    /// Stopped in good order before the work was done (copying, or any reading); the same command goes on.
    NotFinished = 9,
    /// Done, but some of what was planned could not be read, or a check found a difference.
    Incomplete = 10,
    /// A key opens no volume.
    Key = 11,
    /// Ended at once by a second signal (by custom 128 and the number of SIGINT).
    Interrupted = 130,
}

impl From<Ending> for ExitCode {
    fn from(ending: Ending) -> ExitCode {
        ExitCode::from(ending as u8)
    }
}

/// An error that stands in the one list by which exit codes are found. That list implements this, and nothing else does: an error
/// that names its ending and is not listed does not compile.
pub trait Listed {}

/// An error that names its exit code.
pub trait Ends: Error + Listed + 'static {
    /// How a run ends that ends by it.
    fn ending(&self) -> Ending;
}
