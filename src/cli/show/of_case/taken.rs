//! What was taken, as text.

use crate::base::human;
use crate::cli::show::line;
use crate::cli::table::{Column, Overflow, fitted};
use crate::results::take::{Note, Taken, TakenState, TakenTotals};
use std::path::Path;

/// How many files that are not complete are named.
pub const TAKEN_SHOWN: usize = 30;

/// The totals, and the files that are not complete.
pub fn taken(totals: &TakenTotals, trouble: &[Taken], to: &Path) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    say!(&mut text, "TAKEN  to {}", &to.to_string_lossy());
    let rows = TakenState::ALL
        .iter()
        .zip(totals.files.iter().zip(totals.bytes))
        .map(|(state, (files, bytes))| vec![state.name().to_owned(), human::count(*files), human::bytes(bytes)]);
    text.push_str(&fitted(&[Left("state"), Right("files"), Right("bytes")], rows, Overflow::Wrap));
    if totals.missing_bytes > 0 {
        say!(
            &mut text,
            "  {} are missing from them; each such file has its full size and a mark in its name",
            human::bytes(totals.missing_bytes)
        );
    }
    if totals.not_readable_as_they_are > 0 {
        say!(
            &mut text,
            "  {} are encrypted by the file system, or only link to content elsewhere: taken as they are stored",
            human::count(totals.not_readable_as_they_are)
        );
    }
    for file in trouble {
        let stream = file.stream.as_ref().map_or(String::new(), |s| format!(" (stream {})", s));
        let lost: u64 = file.missing.iter().map(|range| range.bytes).sum();
        let why = match &file.failure {
            Some(reason) => reason.clone(),
            None if file.notes.contains(&Note::RunListIncomplete) && lost == 0 => {
                "part of its run list is missing".to_owned()
            }
            None => format!("{} of {} missing", human::bytes(lost), human::bytes(file.bytes)),
        };
        say!(&mut text, "  {:12} {}{stream}: {why}", file.state.name(), &file.path);
    }
    let others: u64 = totals.files[1..].iter().sum();
    if others > trouble.len() as u64 {
        say!(&mut text, "  … and {} more; --json lists them all", human::count(others - trouble.len() as u64));
    }
    text
}
