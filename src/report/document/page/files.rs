//! Files: what is complete and what is not, folders first.

use super::{bytes, count, heads, shown, table};
use crate::base::human;
use crate::report::document::Document;
use crate::results::audit::{FileAudit, FolderAudit, StateCounts, fitting_level};
use maud::{Markup, html};

/// Folders of a volume listed in the page: as many levels as fit, and of the first no more than this.
const FOLDERS: usize = 600;

/// Names in unused space of folders listed in the page.
const LEFT_OVER: usize = 100;

pub(super) fn section(document: &Document) -> Markup {
    let totals = &document.files.totals;
    let list = &document.not_complete;
    let not_complete = totals.files() - totals.complete;
    html! {
        (table("Files and named streams by their state", html! {
            (heads(&[("state", false), ("files", true), ("bytes", true)]))
            tbody {
                @for (state, files, sum) in states(totals) {
                    tr { th scope="row" { (state) } td.n { (count(files)) } td.n { (bytes(sum)) } }
                }
            }
        }))
        (folders(document))
        h3 { "Files that are not complete" }
        @if list.is_empty() { p { "None." } }
        @else {
            p { "Lost and damaged files first, of these the wanted ones. "
                @if totals.lost > 0 {
                    "Of a lost file the folder’s entry tells the name and the size; its own record, which tells where its content lies, is unreadable or damaged. "
                }
                @if not_complete > list.len() as u64 { "The first " (count(list.len() as u64)) " of " (count(not_complete)) ". " }
                "Every file with its state is in " code { (&document.lists[0]) } "." }
            p.search hidden { label for="search" { "Show only names with" } " " input id="search" type="search" autocomplete="off"; " " output for="search" {} }
            (table("Files that are not complete", html! {
                (heads(&[("state", false), ("file", false), ("size", true), ("missing", true)]))
                tbody id="not-whole" { @for file in list { (row(file)) } }
            }))
        }
        @for folder in document.files.unreadable_indexes.iter().take(100) {
            p { "The entries of " code { (shown(&folder.path)) } " could not all be read (" (bytes(folder.bytes)) " lost): files may be missing from it without a trace." }
        }
        @for folder in document.files.lost_folders.iter().take(100) {
            p { "The record of the folder " code { (shown(&folder.path)) } " was not read or is damaged: what lies in it is listed under " code { (shown(&folder.known_as)) } "." }
        }
        (left_over(document))
    }
}

/// Names that prove nothing, apart from the files.
fn left_over(document: &Document) -> Markup {
    let names = &document.files.left_over_names;
    let all = names.len() as u64 + document.files.left_over_unlisted;
    html! {
        @if all > 0 {
            h3 { "Names in unused space of folders" }
            p { "Their records were not read. Most are of deleted files, or older names of files that exist; they are counted nowhere else. "
                @if all > LEFT_OVER as u64 { "The first " (count(LEFT_OVER as u64)) " of " (count(all)) "." } }
            (table("Names in unused space of folders", html! {
                (heads(&[("name", false), ("size then", true)]))
                tbody { @for name in names.iter().take(LEFT_OVER) { tr { th scope="row" { (shown(&name.path)) } td.n { (bytes(name.size)) } } } }
            }))
        }
    }
}

fn states(totals: &StateCounts) -> [(&'static str, u64, u64); 5] {
    [
        ("complete", totals.complete, totals.complete_bytes),
        ("damaged", totals.damaged, totals.damaged_bytes),
        ("lost", totals.lost, totals.lost_bytes),
        ("not read yet", totals.not_yet_read, totals.not_yet_read_bytes),
        ("not planned", totals.not_planned, totals.not_planned_bytes),
    ]
}

fn row(file: &FileAudit) -> Markup {
    html! {
        tr {
            td { (file.state.name()) }
            th scope="row" { (shown(&file.path)) @if let Some(stream) = &file.stream { span.quiet { " stream " (shown(stream)) } } }
            td.n { (bytes(file.size)) }
            td.n { (missing(file, "run list incomplete")) }
        }
    }
}

/// What a file lacks; `unknown` says that it may lack more than is known.
pub(super) fn missing(file: &FileAudit, unknown: &str) -> Markup {
    let missing: u64 =
        [&file.damaged, &file.waiting, &file.not_planned].into_iter().flatten().map(|range| range[1]).sum();
    html! {
        @if file.name_only { "all: only the name is known" }
        @else if file.run_list_incomplete && missing == 0 { (unknown) }
        @else { (bytes(missing)) }
    }
}

fn folders(document: &Document) -> Markup {
    html! {
        @for volume in document.files.folders.chunk_by(|a, b| a.volume == b.volume) {
            @let level = fitting_level(volume, FOLDERS);
            @let listed: Vec<&FolderAudit> = volume.iter().filter(|folder| folder.level() <= level).take(FOLDERS).collect();
            @let caption = format!("Folders of the volume at byte {}", human::count(volume[0].volume));
            (table(&caption, html! {
                (heads(&[("folder, with all below it", false), ("complete", true), ("damaged", true), ("lost", true), ("not read yet", true), ("not planned", true), ("bytes complete", true)]))
                tbody {
                    @for folder in &listed {
                        @let counts = &folder.counts;
                        tr {
                            th.path scope="row" { (shown(&folder.path)) }
                            td.n { (count(counts.complete)) }
                            td.n.bad[counts.damaged > 0] { (count(counts.damaged)) }
                            td.n.bad[counts.lost > 0] { (count(counts.lost)) }
                            td.n { (count(counts.not_yet_read)) }
                            td.n { (count(counts.not_planned)) }
                            td.n { (bytes(counts.complete_bytes)) }
                        }
                    }
                }
            }))
            @let left_out = (volume.len() - listed.len()) as u64;
            @if left_out > 0 {
                p.quiet { "The first " (count(listed.len() as u64)) " folders, down to level " (level) "; " (human::counted(left_out, "more folder is", "more folders are")) " not listed. The figures of a folder include all below it." }
            }
        }
    }
}
