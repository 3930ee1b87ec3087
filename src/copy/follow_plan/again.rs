//! Unreadable ranges that the technician wants tried again.

use super::{CaseCopyError, case};
use crate::base::extent::{Extent, ExtentSet};
use crate::case::commit_after;
use crate::copy::session::{Session, SessionError};
use crate::plan::MakeError;
use crate::source::{CopyStore, RangeMark, SourceLost};
use crate::survey::allocation::{Choices, Class, Patterns, classify};
use std::str::FromStr;

/// Which unreadable ranges are to be tried again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Again {
    /// All of them.
    Unreadable,
    /// Those in a range of the drive.
    Range(Extent),
    /// Those of a file, or of all below a folder, by its path or a pattern.
    Path(String),
}

impl FromStr for Again {
    type Err = String;

    fn from_str(text: &str) -> Result<Again, String> {
        let range = |(start, bytes): (&str, &str)| Extent::new(start.parse().ok()?, bytes.parse().ok()?);
        match text.split_once(':').and_then(range) {
            Some(range) if range.is_empty() => Err("a range has at least one byte".to_owned()),
            Some(range) => Ok(Again::Range(range)),
            None if text == "unreadable" => Ok(Again::Unreadable),
            None => Ok(Again::Path(text.to_owned())),
        }
    }
}

/// Lets the next copy try unreadable ranges again: from now on they are skipped. Gives their bytes.
///
/// # Errors
/// [`CaseCopyError`]; [`CaseCopyError::NoSuchFile`] when a path names nothing.
///
/// # Panics
/// When the session has no case.
pub fn try_again(session: &mut Session, what: &[Again]) -> Result<u64, CaseCopyError> {
    let mut places = ExtentSet::new();
    for again in what {
        match again {
            Again::Unreadable => places.insert(Extent::between(0, case(session).file().source.bytes)),
            Again::Range(range) => places.insert(*range),
            Again::Path(path) => places.extend(places_of(session, path)?),
        }
    }
    let store = case(session).store();
    let unreadable: Vec<Extent> = places.extents().iter().flat_map(|place| store.unreadable(*place)).collect();
    let retried = unreadable.iter().try_for_each(|extent| store.mark(RangeMark::Retry { extent: *extent }));
    commit_after(store.as_ref(), retried.map_err(SourceLost::Store)).map_err(SessionError::from)?;
    Ok(unreadable.iter().map(|extent| extent.bytes).sum())
}

/// Where the files lie that a path or pattern names.
fn places_of(session: &mut Session, path: &str) -> Result<Vec<Extent>, CaseCopyError> {
    let wanted = Patterns::new(&[path]).map_err(MakeError::from)?;
    let drive = session.read_drive()?;
    let map = classify(&drive, &Choices { wanted, ..Choices::default() });
    let places: Vec<Extent> =
        map.runs().iter().filter(|run| run.class == Class::Wanted).map(|run| run.extent).collect();
    if places.is_empty() { Err(CaseCopyError::NoSuchFile { path: path.to_owned() }) } else { Ok(places) }
}
