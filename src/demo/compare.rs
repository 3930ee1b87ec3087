//! What is safe of a drive's files, counted twice by the same measure.

use super::WANTED;
use crate::base::extent::{Extent, ExtentSet};
use crate::base::human;
use crate::base::units::ByteOffset;
use crate::case::{Access, Case, CaseStore};
use crate::copy::session::SessionError;
use crate::results::audit::{FileState, Truth, audit};
use crate::source::{self, CopyStore, ReadError, Reader, Source, SourceIdentity, TroubleLimit};
use crate::survey::allocation::{DriveMap, Patterns, read_drive};
use rustix::io::Errno;
use serde::Serialize;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Numbers of files.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct SafeFiles {
    /// Below the wanted folder.
    pub wanted: u64,
    /// On the drive, the wanted ones among them.
    pub all: u64,
}

/// What the files of a drive come to in two cases of it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Comparison {
    /// Files that there are.
    pub files: SafeFiles,
    /// Of them, safe in the case that a plan was followed in.
    pub planned: SafeFiles,
    /// Of them, safe in the case that was read front to back.
    pub front_to_back: SafeFiles,
}

/// Counts the files of the drive whose bytes `image` holds, and those of them that are safe in each of two cases of it.
///
/// Both cases are counted in the same way: the volumes are read from the case's own image, where what it does not hold is as
/// unreadable, and each file is audited. A file is safe when that image tells where it lies and holds all of it.
///
/// # Errors
/// [`SessionError`] when something cannot be opened or read.
pub fn compare(image: &Path, planned: &Path, front_to_back: &Path) -> Result<Comparison, SessionError> {
    let drive = read_drive(&Reader::new(source::open(image, None)?, None))?;
    let (planned, front_to_back) = (Case::open(planned, Access::Look)?, Case::open(front_to_back, Access::Look)?);
    let [files, _] = count(&drive, planned.store().as_ref());
    Ok(Comparison { files, planned: safe(&planned)?, front_to_back: safe(&front_to_back)? })
}

fn safe(case: &Case) -> Result<SafeFiles, SessionError> {
    let store = Arc::clone(case.store());
    let held = HeldBytes { identity: case.without_drive().identity().clone(), store };
    let limit = TroubleLimit { failures: u64::MAX, time: Duration::MAX };
    let drive = read_drive(&Reader::new(Box::new(held), None).with_trouble_limit(limit))?;
    let [_, safe] = count(&drive, case.store().as_ref());
    Ok(safe)
}

/// A drive of which only what a case holds can be read.
struct HeldBytes {
    identity: SourceIdentity,
    store: Arc<CaseStore>,
}

impl Source for HeldBytes {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let extent = Extent::between(start.0, start.0 + buffer.len() as u64);
        if self.store.held(extent) == [extent] {
            self.store.load(extent, buffer).map_err(ReadError::Unreadable)
        } else {
            Err(ReadError::Unreadable(Errno::IO.into()))
        }
    }
}

/// What an audit says of a file, all its streams together. A folder with a named stream has no content.
#[derive(Default)]
struct Seen {
    is_wanted: bool,
    has_content: bool,
    lacks_something: bool,
}

/// Files, and those of them that are safe. By content alone: a reader that did not come to the folders is not held to them.
fn count(drive: &DriveMap, store: &dyn CopyStore) -> [SafeFiles; 2] {
    let patterns = Patterns::new(&[WANTED]).expect("a fixed pattern");
    let truth = Truth { store, planned: &ExtentSet::new(), wanted: &patterns };
    let mut files: BTreeMap<(u64, String), Seen> = BTreeMap::new();
    let Ok(_) = audit(drive, &truth, &Patterns::default(), |file| {
        let seen = files.entry((file.volume, file.path.clone())).or_default();
        seen.is_wanted = file.wanted;
        seen.has_content |= file.stream.is_none();
        seen.lacks_something |= file.state != FileState::Complete;
        Ok::<_, Infallible>(())
    });
    let sum = |counts: fn(&Seen) -> bool| {
        let all = files.values().filter(|seen| seen.has_content && counts(seen));
        SafeFiles { wanted: all.clone().filter(|seen| seen.is_wanted).count() as u64, all: all.count() as u64 }
    };
    [sum(|_| true), sum(|seen| !seen.lacks_something)]
}

impl Comparison {
    /// The comparison in one line, which a terminal of 80 columns has room for.
    pub fn line(&self) -> String {
        let count = human::count;
        let (files, ours, other) = (self.files, self.planned, self.front_to_back);
        format!(
            "{} of {} wanted files, {} of {} files in all; front to back {} and {}",
            count(ours.wanted),
            count(files.wanted),
            count(ours.all),
            count(files.all),
            count(other.wanted),
            count(other.all)
        )
    }
}
