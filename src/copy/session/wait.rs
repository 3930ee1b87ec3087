//! Waiting until the case's drive is back, under whatever name.

use super::{Session, SessionError, Sources, open_safely};
use crate::case::{Attachment, Case, CaseError};
use crate::source::{Reader, Source, SourceKind, SourceLost, attached_drives};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How often it is looked for.
const EVERY: Duration = Duration::from_secs(1);

/// Between two looks whether it was stopped.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// A drive's path with the number of its attachment.
pub type Attached = (PathBuf, Option<u64>);

/// The drives that are attached now.
pub(super) fn attached() -> BTreeSet<Attached> {
    attached_drives(Path::new("/sys")).into_iter().map(|drive| (drive.path, drive.sequence)).collect()
}

impl Session {
    /// Waits until the drive of the session's case is back, and goes on with it. Back is a drive of the same size and sector
    /// whose names do not differ, attached since the session began, and confirmed as [`Case::confirm`] does it. Other drives
    /// are not touched, and what looks like it and is not is looked at once. `told` is given each new reason why something was not taken.
    ///
    /// # Errors
    /// [`SourceLost::Stopped`] when it was stopped; [`SessionError::NoCase`].
    pub fn wait_for_drive(&mut self, told: &mut dyn FnMut(&str)) -> Result<PathBuf, SessionError> {
        let sources = self.sources.clone();
        let case = self.case.as_mut().ok_or(SessionError::NoCase)?;
        // The device is let go of, or it keeps its name for itself.
        let without: Box<dyn Source> = case.without_drive();
        let spare = Arc::new(Reader::new(case.without_drive(), None));
        let before = std::mem::replace(&mut self.reader, spare);
        let mut reader = match Arc::try_unwrap(before) {
            Ok(reader) => reader.with_source(without),
            Err(_) => {
                let reader = Reader::new(without, None).with_trouble_limit(sources.trouble_limit);
                let reader = reader.with_keys(Arc::clone(&sources.keys));
                reader.with_store(Arc::clone(case.store()) as _).with_stop(Arc::clone(&self.stop))
            }
        };
        let mut seen = BTreeSet::new();
        let mut reasons = BTreeSet::new();
        loop {
            for path in candidates(case, &sources, &self.attached) {
                let attempt = take_back(case, reader, &path, &sources, &mut seen);
                reader = match attempt {
                    (reader, Ok(true)) => {
                        self.reader = Arc::new(reader);
                        self.has_drive = true;
                        self.attached = attached();
                        return Ok(path);
                    }
                    (reader, Ok(false)) => reader,
                    (reader, Err(error)) => {
                        let reason = format!("{}: {error}", path.display());
                        if reasons.insert(reason.clone()) {
                            told(&reason);
                        }
                        reader.with_source(case.without_drive())
                    }
                };
            }
            let mut waited = Duration::ZERO;
            while waited < EVERY {
                if self.stop.load(Ordering::Relaxed) {
                    self.reader = Arc::new(reader);
                    return Err(SourceLost::Stopped.into());
                }
                std::thread::sleep(LOOK_EVERY);
                waited += LOOK_EVERY;
            }
        }
    }
}

/// Where the drive may be: the path that it had, and every drive of its size that was attached since.
fn candidates(case: &Case, sources: &Sources, before: &BTreeSet<Attached>) -> Vec<PathBuf> {
    let bytes = case.file().source.bytes;
    let mut paths: Vec<PathBuf> = sources.source.iter().filter(|path| path.exists()).cloned().collect();
    for drive in attached_drives(Path::new("/sys")) {
        if drive.bytes == bytes
            && !paths.contains(&drive.path)
            && !before.contains(&(drive.path.clone(), drive.sequence))
        {
            paths.push(drive.path);
        }
    }
    paths
}

/// Reads from the drive at `path` if it is the case's, attached anew, and was not `seen` to be another.
fn take_back(
    case: &mut Case,
    reader: Reader,
    path: &Path,
    sources: &Sources,
    seen: &mut BTreeSet<(PathBuf, Option<String>)>,
) -> (Reader, Result<bool, SessionError>) {
    let source = match open_safely(path, sources) {
        Ok(source) => source,
        Err(error) => return (reader, Err(error)),
    };
    let attachment = Attachment::of(source.identity());
    let is_device = source.identity().kind == SourceKind::BlockDevice;
    let same_as_before = is_device && attachment.instance == case.file().attachment.instance;
    if same_as_before || !seen.insert((path.to_path_buf(), attachment.instance.clone())) {
        return (reader, Ok(false));
    }
    let reader = reader.with_source(source);
    let confirmed = case.confirm(&reader, sources.word);
    if matches!(confirmed, Err(CaseError::Source(_))) {
        // It went away again: what comes back next is looked at anew.
        seen.remove(&(path.to_path_buf(), attachment.instance));
    }
    (reader, confirmed.map(|_| true).map_err(SessionError::from))
}
