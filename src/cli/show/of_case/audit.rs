//! An audit as text.

use crate::base::human;
use crate::cli::show::{line, wrapped};
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::VolumeTitles;
use crate::results::audit::{AuditSummary, FileAudit, FileState, FolderAudit, StateCounts, fitting_level};

/// What of an audit is shown.
pub struct AuditView<'v> {
    /// Its totals.
    pub summary: &'v AuditSummary,
    /// What its volumes are called.
    pub titles: &'v VolumeTitles,
    /// The first files of the states that are listed.
    pub files: &'v [FileAudit],
    /// The states of which files and folders are listed.
    pub listed: &'v [FileState],
    /// Levels of folders; by default as many as give no more than [`FOLDERS_SHOWN`] folders of a volume.
    pub depth: Option<u32>,
}

/// Folders of a volume that are shown unless more levels are chosen.
const FOLDERS_SHOWN: usize = 20;

/// An audit: the wanted files, the totals, and the folders and files in the states that are listed.
pub fn audit(view: &AuditView<'_>) -> String {
    let mut text = String::new();
    let summary = view.summary;
    wrapped(&mut text, "AUDIT  ", &headline(&summary.totals));
    for count in &summary.wanted {
        wrapped(&mut text, "  ", &count.sentence());
    }
    states(&mut text, &summary.totals);
    for volume in &summary.unlisted {
        wrapped(&mut text, "  ", &volume.sentence());
    }
    if summary.unread_tails > 0 {
        let sentence = format!(
            "{} {} clusters behind the data that was ever written; {} of them were not read, and read as zero.",
            human::counted(summary.unread_tails, "file", "files"),
            if summary.unread_tails == 1 { "has" } else { "have" },
            human::bytes(summary.unread_tail_bytes)
        );
        wrapped(&mut text, "  ", &sentence);
    }
    if summary.unreadable_bytes > 0 {
        say!(&mut text, "  {} of what was planned are unreadable.", human::bytes(summary.unreadable_bytes));
    }
    folders(&mut text, view);
    for state in view.listed.iter().copied().filter(|state| summary.totals.files_of(*state) > 0) {
        files(&mut text, view, state);
    }
    doubts(&mut text, summary);
    left_over(&mut text, summary);
    text
}

/// The number of files in each state; those that are 0 are left out.
fn headline(totals: &StateCounts) -> String {
    let all = human::counted(totals.files(), "file or named stream", "files and named streams");
    if totals.files() == totals.complete {
        return format!("{all}{}", if totals.complete > 1 { ", all complete" } else { "" });
    }
    let parts = human::counts(FileState::ALL.map(|state| (totals.files_of(state), state.name())));
    format!("{all}: {}", parts.join(", "))
}

fn states(text: &mut String, totals: &StateCounts) {
    use Column::{Left, Right};
    let there = FileState::ALL.into_iter().filter(|state| totals.files_of(*state) > 0);
    let rows: Vec<Vec<String>> = there
        .map(|state| {
            let (files, bytes) = (totals.files_of(state), totals.bytes_of(state));
            vec![state.name().to_owned(), human::count(files), human::bytes(bytes)]
        })
        .collect();
    if rows.len() > 1 {
        text.push_str(&fitted(&[Left("state"), Right("files"), Right("bytes")], rows, Overflow::Wrap));
    }
}

/// The folders that have files in the states listed.
fn folders(text: &mut String, view: &AuditView<'_>) {
    use Column::{Left, Right};
    let folders = &view.summary.folders;
    let listed = |folder: &&FolderAudit| view.listed.iter().any(|state| folder.counts.files_of(*state) > 0);
    for volume in folders.chunk_by(|a, b| a.volume == b.volume) {
        let with: Vec<&FolderAudit> = volume.iter().filter(listed).collect();
        if with.is_empty() {
            continue;
        }
        let fitting = || fitting_level(with.iter().copied(), FOLDERS_SHOWN);
        let depth = view.depth.map_or_else(fitting, |depth| usize::try_from(depth).unwrap_or(usize::MAX));
        let there = |state: &FileState| with.iter().any(|folder| folder.counts.files_of(*state) > 0);
        let states: Vec<FileState> = FileState::ALL.into_iter().filter(there).collect();
        let rows = with.iter().filter(|folder| folder.level() <= depth).map(|folder| {
            let counts = states.iter().map(|state| human::count(folder.counts.files_of(*state)));
            std::iter::once(folder.path.clone()).chain(counts).collect()
        });
        say!(text, "");
        let title = view.titles.title(volume[0].volume);
        wrapped(text, "", &format!("{title}: folders with files that are {}", names(view.listed)));
        let columns: Vec<Column> =
            std::iter::once(Left("folder")).chain(states.iter().map(|state| Right(state.name()))).collect();
        text.push_str(&fitted(&columns, rows, Overflow::Wrap));
    }
}

fn names(states: &[FileState]) -> String {
    let names: Vec<&str> = states.iter().map(|state| state.name()).collect();
    names.join(" or ")
}

fn files(text: &mut String, view: &AuditView<'_>, state: FileState) {
    let heading = match state {
        FileState::Complete => "COMPLETE FILES",
        FileState::NotPlanned => "FILES NOT PLANNED, OR ONLY IN PART",
        FileState::NotYetRead => "FILES NOT READ YET",
        FileState::Damaged => "DAMAGED FILES",
        FileState::Lost => "LOST FILES: their records are unreadable or damaged, their folders name them",
    };
    say!(text, "");
    say!(text, "{heading}");
    let mut shown = 0;
    for file in view.files.iter().filter(|file| file.state == state) {
        let stream = file.stream.as_ref().map_or(String::new(), |name| format!(" (stream {name})"));
        wrapped(text, "  ", &format!("{}{stream}: {}", &file.path, what_is_missing(file)));
        shown += 1;
    }
    more(text, view.summary.totals.files_of(state), shown);
}

fn what_is_missing(file: &FileAudit) -> String {
    let sum = |ranges: &[[u64; 2]]| ranges.iter().map(|range| range[1]).sum::<u64>();
    let of = |missing: u64, what: &str| format!("{} of {} {what}", human::bytes(missing), human::bytes(file.size));
    match file.state {
        FileState::Damaged if file.run_list_incomplete && file.damaged.is_empty() => {
            "part of its run list is missing".to_owned()
        }
        FileState::Damaged => {
            let ranges = human::counted(file.damaged.len() as u64, "range", "ranges");
            format!("{} in {ranges}", of(sum(&file.damaged), "unreadable"))
        }
        FileState::NotYetRead if !file.name_only => of(sum(&file.waiting), "not read yet"),
        FileState::NotPlanned => of(sum(&file.not_planned), "not planned"),
        FileState::NotYetRead | FileState::Lost | FileState::Complete => human::bytes(file.size),
    }
}

/// Where files may be missing without a trace, and where others are listed that belong elsewhere.
fn doubts(text: &mut String, summary: &AuditSummary) {
    for folder in &summary.unreadable_indexes {
        let bytes = human::bytes(folder.bytes);
        let sentence = format!(
            "{bytes} of the entries of {} are unreadable: files may be missing from it without a trace",
            folder.path
        );
        wrapped(text, "  ", &sentence);
    }
    for folder in &summary.lost_folders {
        let (path, known_as) = (&folder.path, &folder.known_as);
        let sentence = format!(
            "the record of the folder {path} was not read or is damaged: what lies in it is listed under {known_as}"
        );
        wrapped(text, "  ", &sentence);
    }
}

fn more(text: &mut String, all: u64, shown: usize) {
    if all > shown as u64 {
        say!(text, "  … and {} more; --csv FILE lists them all", human::count(all - shown as u64));
    }
}

fn left_over(text: &mut String, summary: &AuditSummary) {
    const SHOWN: usize = 20;
    let names = &summary.left_over_names;
    if names.is_empty() {
        return;
    }
    say!(text, "");
    wrapped(
        text,
        "",
        "NAMES IN UNUSED SPACE OF FOLDERS: their records were not read; most are of deleted files, or old names of \
         existing files",
    );
    for name in names.iter().take(SHOWN) {
        wrapped(text, "  ", &format!("{}: {}", name.path, human::bytes(name.size)));
    }
    let all = names.len() as u64 + summary.left_over_unlisted;
    if all > SHOWN as u64 {
        say!(text, "  … and {} more; --json lists them", human::count(all - SHOWN as u64));
    }
}
