//! The journal as a file of the case: locked by the command that works on it, followed by those that look.
//!
//! The lock is on the journal itself: no other file can be removed or exchanged to let a second process in.

use crate::base::regular_file;
use crate::case::CaseError;
use crate::store::durable_file::DiskFile;
use crate::store::journal::{Journal, JournalError, JournalHeader, Ranges, replay};
use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::time::Duration;

/// How often a journal is read again that looks damaged while another process writes to it.
const TRIES: u32 = 5;

/// Between two of those.
const PAUSE: Duration = Duration::from_millis(40);

/// Opens and locks the journal at `path`.
pub(in crate::case) fn lock(folder: &Path, path: &Path) -> Result<File, CaseError> {
    let file = match regular_file::open_with(File::options().read(true).write(true), path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Err(CaseError::JournalMissing { path: path.into() });
        }
        Err(error) => return Err(CaseError::io(path, error)),
    };
    match flock(&file, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => {}
        Err(Errno::WOULDBLOCK) => return Err(CaseError::InUse { folder: folder.into() }),
        Err(error) => return Err(CaseError::io(path, error.into())),
    }
    let own = file.metadata().map_err(|error| CaseError::io(path, error))?;
    let there = fs::metadata(path).map_err(|error| CaseError::io(path, error))?;
    if (own.dev(), own.ino()) != (there.dev(), there.ino()) {
        return Err(CaseError::InUse { folder: folder.into() });
    }
    Ok(file)
}

/// The journal in a file that [`lock`] gave; it stays locked for as long as the journal is open.
pub(in crate::case) fn open(file: File, path: &Path) -> Result<(Journal, Ranges), CaseError> {
    Ok(Journal::open_in(Box::new(DiskFile::at(file, path)))?)
}

/// What the journal comes to as of its last commit, also while another process writes to it.
pub(in crate::case) fn replay_while_it_grows(path: &Path) -> Result<(JournalHeader, Ranges), CaseError> {
    for _ in 1..TRIES {
        match replay(path) {
            // Seen half written; or really so, and then it says the same the next time.
            Err(JournalError::Damaged { .. } | JournalError::Unsound { .. }) => std::thread::sleep(PAUSE),
            Err(JournalError::Open { error, .. }) if error.kind() == io::ErrorKind::NotFound => {
                return Err(CaseError::JournalMissing { path: path.into() });
            }
            other => return Ok(other?),
        }
    }
    Ok(replay(path)?)
}
