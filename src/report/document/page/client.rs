//! The client's page: what a person who is no technician has to know, on two sheets of paper when the drive was sound.

use super::{bytes, figures, files, heads, named_section, opening, places, shown, subject, table};
use crate::base::human::{self, counted};
use crate::case::Topic;
use crate::report::document::{Document, pictures};
use crate::report::values::{AreaReport, Encrypted, Overview, VolumeLine};
use crate::results::audit::{FileAudit, FileState, WantedCount};
use maud::{Markup, html};

/// What the client chose, listed one by one.
const ASKED_LISTED: usize = 16;
/// Damaged and lost files, listed by name.
const FILES_LISTED: usize = 40;
/// Folders with a fault of their own, listed by name.
const FOLDERS_LISTED: usize = 5;
/// Volumes, listed one by one.
const VOLUMES_LISTED: usize = 8;

pub(super) fn content(document: &Document) -> Markup {
    let reference = noted(document, "reference");
    html! {
        header {
            p.kicker { "Report on your drive" }
            h1 { @if let Some(reference) = &reference { "Reference " (reference) } @else { (subject(document)) } }
            p.quiet {
                @if reference.is_some() { (subject(document)) " · " }
                "work begun " (day(&document.case.created)) " · report made " (day(&document.made))
            }
        }
        main {
            (named_section("summary", "In short", summary(document)))
            (named_section("damaged", "Damaged or lost", damaged(document)))
            (named_section("drive", "What is on the drive", drive(document)))
            (named_section("opening", "How to open the copy", opening::for_client(document)))
            (named_section("sums", "Checksums", places::sums_for_client(document)))
            (named_section("note", "Please note", html! { ul.cautions { @for caution in cautions(document) { li { (caution) } } } }))
        }
        footer {
            p { "Two lists belong to this report. " code { (&document.lists[0]) } " has every file with its size and its state. "
                code { (&document.lists[1]) } " has, for a technician, every range of the drive that could not be read or is not read yet. \
                A spreadsheet program opens both." }
            p { "Made by gleaner " (env!("CARGO_PKG_VERSION")) ", case " code { (document.case.id) } "." }
        }
    }
}

/// The day of a moment.
fn day(rfc3339: &str) -> &str {
    rfc3339.split('T').next().unwrap_or_default()
}

/// What the latest note about the client says in a field.
fn noted(document: &Document, name: &str) -> Option<String> {
    let notes =
        document.record.lines.iter().rev().filter_map(|line| line.note()).filter(|note| note.topic == Topic::Client);
    let mut fields = notes.flat_map(|note| note.fields).filter(|field| field.name == name);
    fields.next().map(|field| shown(&field.to_string()))
}

fn summary(document: &Document) -> Markup {
    // What is not complete comes first, so that a long list hides nothing.
    let mut asked: Vec<&WantedCount> = document.files.wanted.iter().collect();
    asked.sort_by_key(|count| count.complete() == count.files && count.files > 0);
    html! {
        p.lead { (in_short(document).join(" ")) }
        @if let Some(words) = noted(document, "asks") { p { "You asked for: " (words) "." } }
        @if !asked.is_empty() {
            ul.wanted {
                @for count in asked.iter().take(ASKED_LISTED) { (asked_for(count)) }
                @if let Some(more) = more(asked.len(), ASKED_LISTED) {
                    @let rest = &asked[ASKED_LISTED..];
                    @let sum = |of: fn(&WantedCount) -> u64| human::count(rest.iter().map(|count| of(count)).sum());
                    li { (more) " more: " (sum(WantedCount::complete)) " of " (sum(|count| count.files)) " complete" }
                }
            }
        }
        (figures(document))
    }
}

fn in_short(document: &Document) -> Vec<String> {
    let totals = &document.files.totals;
    let (asked, safe) =
        document.files.wanted.iter().fold((0, 0), |sum, count| (sum.0 + count.files, sum.1 + count.complete()));
    let mut said = Vec::new();
    if document.survey.coherence.verdict.says_stop() {
        said.push("The drive did not give usable data.".to_owned());
    }
    if document.plan.is_none() {
        said.push("Copying has not begun yet.".to_owned());
    } else if document.ranges.to_read_bytes() > 0 {
        said.push("Copying is not finished: this is an interim report.".to_owned());
    }
    if asked > 0 {
        said.push(complete(safe, asked, "that you asked for"));
    }
    said.push(match totals.files() {
        0 => "No file is known by name.".to_owned(),
        all => complete(totals.complete, all, "on the drive"),
    });
    said
}

fn complete(safe: u64, all: u64, which: &str) -> String {
    match (safe, all) {
        (1, 1) => format!("The one file {which} is complete."),
        _ if safe == all => format!("All {} files {which} are complete.", human::count(all)),
        _ => format!("Of the {} {which}, {} complete.", counted(all, "file", "files"), counted(safe, "is", "are")),
    }
}

/// One thing that the client chose: its name, then how much of it is there.
fn asked_for(count: &WantedCount) -> Markup {
    let (name, path) = plain_name(&count.pattern);
    let missing = [
        (count.damaged, "damaged"),
        (count.lost, "lost"),
        (count.to_read, "not read yet"),
        (count.not_planned, "not copied"),
    ];
    html! {
        li {
            strong { (shown(name)) } " "
            @if count.files == 0 { "no file of this name was found" }
            @else { (human::count(count.complete())) " of " (human::count(count.files)) " complete" }
            @for (number, what) in missing { @if number > 0 { ", " (human::count(number)) " " (what) } }
            @if let Some(path) = path { span.quiet { " (" (shown(path)) ")" } }
        }
    }
}

/// A pattern's last name, and the whole pattern where it says more.
fn plain_name(pattern: &str) -> (&str, Option<&str>) {
    let parts = || pattern.split(['/', '\\']).filter(|part| !part.is_empty());
    match parts().next_back() {
        Some(name) if !name.contains(['*', '?', '[', '{']) => (name, (parts().count() > 1).then_some(pattern)),
        _ => (pattern, None),
    }
}

/// How many of a list are left out where only the first are listed.
fn more(all: usize, listed: usize) -> Option<String> {
    (all > listed).then(|| human::count((all - listed) as u64))
}

fn damaged(document: &Document) -> Markup {
    let totals = &document.files.totals;
    let bad: Vec<&FileAudit> =
        document.not_complete.iter().filter(|file| file.state >= FileState::Damaged).take(FILES_LISTED).collect();
    let all = totals.damaged + totals.lost;
    let volumes = Overview::of(&document.survey).volumes;
    html! {
        @if all == 0 { p { "No file is damaged, and none is lost" @if document.ranges.to_read_bytes() > 0 { " so far" } "." } }
        @if totals.damaged > 0 {
            p { strong { (counted(totals.damaged, "file is", "files are")) " damaged:" } " a part could not be read. The rest of the file is there, but a program may refuse \
                to open it." }
        }
        @if totals.lost > 0 {
            p { strong { (counted(totals.lost, "file is", "files are")) " lost:" } " only the name is known, and nothing of the content." }
        }
        @if totals.not_yet_read > 0 { p { strong { (counted(totals.not_yet_read, "file is", "files are")) " not read yet" } " in whole or in part." } }
        @if totals.not_planned > 0 {
            p { strong { (counted(totals.not_planned, "file was", "files were")) " not copied" } " in whole or in part"
                @if document.plan.is_some() { ", because this was not chosen." } @else { " so far." } }
        }
        @if !bad.is_empty() {
            (table("Damaged or lost files, those that you asked for first", html! {
                (heads(&[("file", false), ("state", false), ("size", true), ("missing", true)]))
                tbody { @for file in &bad { tr {
                    th.path scope="row" {
                        (shown(&file.path))
                        @if let Some(stream) = &file.stream { span.quiet { " part " (shown(stream)) } }
                        @if volumes.len() > 1 { span.quiet { " on " (volume_of(document, file)) } }
                    }
                    td { (file.state.name()) }
                    td.n { (bytes(file.size)) }
                    td.n { (files::missing(file, "not known")) }
                } } }
            }))
        }
        @if all > bad.len() as u64 { p { "… and " (human::count(all - bad.len() as u64)) " more, in " code { (&document.lists[0]) } "." } }
        (folders(document))
    }
}

/// Folders whose own entries are damaged or lost.
fn folders(document: &Document) -> Markup {
    let (unreadable, lost) = (&document.files.unreadable_indexes, &document.files.lost_folders);
    html! {
        @if !unreadable.is_empty() {
            p { "The list of files could not be read completely in these folders, so there may have been more files in them: "
                @for (i, folder) in unreadable.iter().take(FOLDERS_LISTED).enumerate() { @if i > 0 { ", " } code { (shown(&folder.path)) } }
                @if let Some(more) = more(unreadable.len(), FOLDERS_LISTED) { " and " (more) " more" } "." }
        }
        @if !lost.is_empty() {
            p { "The entries of these folders are lost; what was found of their content is elsewhere: "
                @for (i, folder) in lost.iter().take(FOLDERS_LISTED).enumerate() {
                    @if i > 0 { ", " } code { (shown(&folder.path)) } " (now in " code { (shown(&folder.known_as)) } ")"
                }
                @if let Some(more) = more(lost.len(), FOLDERS_LISTED) { " and " (more) " more" } "." }
        }
    }
}

fn volume_of(document: &Document, file: &FileAudit) -> String {
    let area: Option<&AreaReport> = document.survey.areas.iter().find(|area| area.start == file.volume);
    let number = area.and_then(|area| area.number).map(|number| format!("volume {number}"));
    number.unwrap_or_else(|| "a volume without number".to_owned())
}

fn drive(document: &Document) -> Markup {
    let overview = Overview::of(&document.survey);
    let listed = overview.largest(VOLUMES_LISTED);
    html! {
        @if listed.is_empty() { p { "No volume was recognised on the drive." } }
        @else {
            (table("Volumes", html! {
                (heads(&[("number", true), ("name", false), ("file system", false), ("size", true), ("used", true), ("encrypted", false)]))
                tbody { @for volume in &listed { (volume_row(volume)) } }
            }))
            @if let Some(more) = more(overview.volumes.len(), VOLUMES_LISTED) { p { "… and " (more) " smaller ones." } }
        }
        p { "The picture shows the drive from its start to its end: the higher the colour, the more of it was copied. What stays blank was \
            not copied." }
        (pictures::drive(document))
    }
}

fn volume_row(volume: &VolumeLine<'_>) -> Markup {
    html! {
        tr {
            th.n scope="row" { (volume.number) }
            td { (shown(volume.label)) }
            td { (shown(volume.holds)) }
            td.n { (bytes(volume.bytes)) }
            td.n { @if let Some((used, _)) = volume.used { (bytes(used)) } @else { "not known" } }
            td { @match volume.encrypted {
                Encrypted::No => "no",
                Encrypted::Yes => "yes",
                Encrypted::Opened => "yes, opened with its key",
                Encrypted::Files(files) => (counted(files, "file", "files")),
                Encrypted::NotKnown => "not known",
            } }
        }
    }
}

/// What holds for every copy.
const FOR_EVERY_CLIENT: [&str; 4] = [
    "“Complete” means that every byte of a file was read. Open your most important files and check that they are good.",
    "The copy holds all that was in these files, malware too if there was any. Scan it before you open anything.",
    "Keep a second copy of your files in another place.",
    "Do not use the drive any more, and do not try to repair it: it may fail for good at the next start. Keep it until you have checked your files.",
];

/// What a client has to know before using the copy.
fn cautions(document: &Document) -> Vec<String> {
    let ranges = &document.ranges;
    let (unreadable, to_read) = (ranges.unreadable_bytes(), ranges.to_read_bytes());
    let mut list = Vec::new();
    let mut say = |text: &str| list.push(text.to_owned());
    if document.survey.coherence.verdict.says_stop() {
        say(
            "What the drive gave may not be its own data. Do not rely on the copy before a technician has explained this.",
        );
    }
    if to_read > 0 {
        say(&format!("{} is not read yet. What is complete now stays complete.", human::bytes(to_read)));
    }
    if unreadable > 0 {
        let filled = if document.case.fill == 0 { "there are zeros" } else { "there is a filler" };
        say(&format!(
            "{} could not be read. In the copy, {filled} there instead of your data.",
            human::bytes(unreadable)
        ));
    }
    if document.files.totals.complete < document.files.totals.files() {
        say(
            "A file that is not complete is in the image all the same, with its full size, but not with all its content. Look at the lists of this report before you rely on a file.",
        );
    }
    if ranges.held_bytes + unreadable < document.case.source.bytes {
        say(
            "The copy does not hold the whole drive. The rest is filled with zeros: do not search it for deleted files.",
        );
    }
    for area in &document.survey.areas {
        let Some(number) = area.number else { continue };
        if area.volume.as_ref().is_some_and(|volume| volume.catalog_incomplete) {
            say(&format!(
                "The file list of volume {number} is incomplete: it may have had files that this report does not name."
            ));
        }
        if area.state().dirty == Some(true) {
            say(&format!(
                "Volume {number} was not closed properly when it was last used: the last changes may be missing."
            ));
        }
    }
    if Overview::of(&document.survey)
        .volumes
        .iter()
        .any(|of| matches!(of.encrypted, Encrypted::Yes | Encrypted::Files(_)))
    {
        say("What is encrypted opens only with its key or password. Its content could not be checked.");
    }
    if Overview::of(&document.survey).volumes.iter().any(|of| of.encrypted == Encrypted::Opened) {
        say(
            "A volume was opened with its key to read it. The copy is encrypted as the drive is: you need the key or password to open it.",
        );
    }
    if document.record.fault.is_some() {
        say("The record of this work was changed after it was written. Ask a technician what that means for you.");
    }
    list.extend(FOR_EVERY_CLIENT.map(str::to_owned));
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_client_wants_has_a_plain_name() {
        assert_eq!(plain_name("/Users/*/Documents"), ("Documents", Some("/Users/*/Documents")));
        assert_eq!(plain_name(r"C:\Users\ann\Desktop\"), ("Desktop", Some(r"C:\Users\ann\Desktop\")));
        assert_eq!(plain_name("/Surveys"), ("Surveys", None));
        assert_eq!(plain_name("/Users/**/*.jpg"), ("/Users/**/*.jpg", None));
        assert_eq!(plain_name("/"), ("/", None));
    }

    #[test]
    fn shares_are_told_in_whole_sentences() {
        assert_eq!(complete(460, 461, "that you asked for"), "Of the 461 files that you asked for, 460 are complete.");
        assert_eq!(complete(1, 2, "on the drive"), "Of the 2 files on the drive, 1 is complete.");
        assert_eq!(complete(2000, 2000, "on the drive"), "All 2,000 files on the drive are complete.");
        assert_eq!(complete(1, 1, "on the drive"), "The one file on the drive is complete.");
    }
}
