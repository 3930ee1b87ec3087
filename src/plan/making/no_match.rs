//! Wanted patterns that match nothing, and the names that are nearest; matching itself is `survey::allocation::Patterns`.

use crate::base::ending::{Ending, Ends};
use crate::base::finding::{Finding, Findings};
use crate::base::human;
use crate::plan::findings::{WANT_IN_LOST_FOLDER, WANT_NOT_LISTED, WANT_WITHOUT_MATCH};
use crate::survey::allocation::{DriveMap, NearName, PatternError, Patterns, nearest};
use std::collections::BTreeSet;

/// A pattern that matches no existing file or folder.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error(
    "the pattern `{pattern}` matches no existing file or folder{}. {near}. `gleaner folders --pick` lists the folders \
     with numbers",
    also(*.others)
)]
pub struct NoMatch {
    /// The pattern.
    pub pattern: String,
    /// The names nearest to it, in a sentence.
    near: String,
    /// How many other patterns match nothing either.
    others: usize,
}

fn also(others: usize) -> String {
    match others {
        0 => String::new(),
        _ => format!(" ({} nothing either)", human::counted(others as u64, "other matches", "others match")),
    }
}

/// The first pattern that matches no existing file or folder of the drive.
///
/// # Errors
/// A pattern that cannot be used.
pub fn no_match(patterns: &[String], drive: &DriveMap) -> Result<Option<NoMatch>, PatternError> {
    Ok(without_match(patterns, drive, None)?.into_iter().next())
}

/// The patterns that match nothing in the areas chosen.
pub(in crate::plan) fn without_match(
    wants: &[String],
    drive: &DriveMap,
    areas: Option<&[usize]>,
) -> Result<Vec<NoMatch>, PatternError> {
    let chosen = |index: usize| areas.is_none_or(|chosen| chosen.contains(&index));
    let catalogs = || drive.volumes().filter(|(index, _)| chosen(*index)).map(|(_, volume)| &volume.catalog);
    // All at once first; what a pattern before it takes may be all that a pattern matches.
    let all = Patterns::new(wants)?;
    let mut taken = vec![false; wants.len()];
    catalogs().flat_map(|catalog| all.taking(catalog)).for_each(|lane| taken[usize::from(lane)] = true);
    let mut list = Vec::new();
    for (pattern, _) in wants.iter().zip(taken).filter(|(_, taken)| !taken) {
        let one = Patterns::new(std::slice::from_ref(pattern))?;
        if !catalogs().any(|catalog| !one.taking(catalog).is_empty()) {
            list.push(pattern);
        }
    }
    let of = |(at, pattern): (usize, &String)| {
        let near = if at < WITH_NAMES { hint(drive, &nearest(pattern, drive, areas)) } else { UNSEARCHED.to_owned() };
        NoMatch { pattern: pattern.clone(), near, others: list.len() - 1 }
    };
    Ok(list.iter().copied().enumerate().map(of).collect())
}

/// So many patterns are compared with all names: each takes some seconds on a volume of a million files.
const WITH_NAMES: usize = 3;
const UNSEARCHED: &str = "Compare it with the drive's folders";

fn hint(drive: &DriveMap, near: &[NearName]) -> String {
    let several = drive.volumes().nth(1).is_some();
    let name = |near: &NearName| match drive.areas[near.area].number().filter(|_| several) {
        Some(number) => format!("`{}` (volume {number})", near.pattern),
        None => format!("`{}`", near.pattern),
    };
    let names: Vec<String> = near.iter().map(name).collect();
    match names.as_slice() {
        [] if drive.volumes().next().is_none() => "No volume of this drive is read file by file".to_owned(),
        [] => "No name on the drive is like it".to_owned(),
        [one] => format!("Nearest is {one}"),
        _ => format!("Nearest are {}", names.join(", ")),
    }
}

/// Whether files may exist that are not known: records or tables that are unreadable or not read yet. What is missing, in
/// words.
pub(in crate::plan) fn unknown_names(drive: &DriveMap, areas: Option<&[usize]>) -> Option<&'static str> {
    let chosen = |index: usize| areas.is_none_or(|chosen| chosen.contains(&index));
    let mut areas_there =
        drive.areas.iter().enumerate().filter(|(index, area)| chosen(*index) && area.content.is_some());
    if areas_there.any(|(_, area)| drive.unread.bytes_within(area.area.extent) > 0) {
        return Some("structure of a volume is unreadable or not read yet");
    }
    if drive.volumes().next().is_none() && !drive.unread.is_empty() {
        return Some("no volume is known, and ranges are unreadable or not read yet");
    }
    if drive.volumes().any(|(index, volume)| chosen(index) && volume.catalog_incomplete) {
        return Some("some files' records cannot be used");
    }
    drive.layout.outside_unexplained.then_some("no sound table tells which volumes there are")
}

/// As findings: the folder may exist all the same.
pub(in crate::plan) fn note(list: &[NoMatch], why: Option<&str>, findings: &mut Findings) {
    let why = why.unwrap_or("the drive's structure was read again since the pattern was given");
    for none in list {
        let sentence = format!(
            "The pattern `{}` matches no file or folder that is known, and {why}: it may exist. {}.",
            none.pattern, none.near
        );
        findings.push(Finding::general(&WANT_WITHOUT_MATCH, sentence));
    }
}

/// Notes folders that patterns cannot choose by name, where there are patterns.
pub(in crate::plan) fn note_lost_folders(wants: &[String], drive: &DriveMap, findings: &mut Findings) {
    let count: usize = drive.volumes().map(|(_, volume)| volume.catalog.nameless_lost_folders()).sum();
    if count > 0 && !wants.is_empty() {
        let folders = human::counted(count as u64, "lost folder", "lost folders");
        let sentence = format!("Existing files lie in {folders} whose names are not known.");
        findings.push(Finding::general(&WANT_IN_LOST_FOLDER, sentence));
    }
}

/// Notes volumes of which the allocation map alone is read, where there are patterns.
pub(in crate::plan) fn note_unlisted(
    wants: &[String],
    drive: &DriveMap,
    areas: Option<&BTreeSet<u32>>,
    findings: &mut Findings,
) {
    let chosen =
        |index: usize| areas.is_none_or(|chosen| u32::try_from(index).is_ok_and(|index| chosen.contains(&index)));
    for (index, map) in drive.mapped().filter(|(index, _)| !wants.is_empty() && chosen(*index)) {
        let number = drive.areas[index].number().map_or(String::new(), |number| format!(" {number}"));
        let name = map.recognised.kind.name();
        let sentence = format!("Volume{number} ({name}): its files are not read one by one, no pattern chooses there.");
        findings.push(Finding::at(&WANT_NOT_LISTED, map.extent.start, sentence));
    }
}

impl Ends for NoMatch {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}
