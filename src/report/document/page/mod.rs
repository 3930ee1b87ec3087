//! The page. Every text from the drive or the record is escaped by the templates; what is not plain in it is shown at the end, see
//! [`crate::base::text`].

mod client;
mod drive;
mod files;
mod found;
mod health;
mod opening;
mod places;
mod reading;
mod record;

use super::{Audience, Document, pictures};
use crate::base::human;
use crate::base::text::shown_lines;
use crate::report::picture;
use crate::report::values::AreaReport;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("page.css");
const SEARCH: &str = include_str!("search.js");

/// The sections of the technician's page, in order: identifier and heading.
const SECTIONS: [(&str, &str); 11] = [
    ("drive", "The drive"),
    ("found", "What was found"),
    ("areas", "Drive map"),
    ("reading", "What was read, in which order"),
    ("time", "How reading went"),
    ("health", "The drive’s own counters"),
    ("files", "What is complete, what is damaged"),
    ("places", "Ranges not read"),
    ("sums", "Checksums"),
    ("opening", "Opening the image"),
    ("record", "The record"),
];

/// The whole page as HTML.
pub fn page(document: &Document) -> String {
    let client = document.audience == Audience::Client;
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";
                title { "Report: " (subject(document)) }
                style { (PreEscaped(picture::style())) (PreEscaped(STYLE)) }
            }
            body.client[client] {
                a.skip href="#summary" { "To the summary" }
                @if client { (client::content(document)) } @else { (technician(document)) }
            }
        }
    };
    shown_lines(&body.into_string()).into_owned()
}

fn technician(document: &Document) -> Markup {
    html! {
        header {
            p.kicker { "Report on a drive" }
            h1 { (subject(document)) }
            p.quiet { "Made " (moment(&document.made)) " · case begun " (moment(&document.case.created)) " · number " code { (document.case.id) } }
        }
        main {
            (summary(document))
            nav aria-label="Contents" {
                ol { @for (id, heading) in SECTIONS { li { a href={ "#" (id) } { (heading) } } } }
            }
            (section(0, drive::section(document)))
            (section(1, found::section(document)))
            (section(2, areas(document)))
            (section(3, reading::section(document)))
            (section(4, pictures::over_time(document)))
            (section(5, health::section(document)))
            (section(6, files::section(document)))
            (section(7, places::section(document)))
            (section(8, places::sums(document)))
            (section(9, opening::section(document)))
            (section(10, record::section(document)))
        }
        footer {
            p { "Made by gleaner " (env!("CARGO_PKG_VERSION")) " from the case alone. Beside this page: "
                code { (&document.lists[0]) } " and " code { (&document.lists[1]) } "." }
        }
        script { (PreEscaped(SEARCH)) }
    }
}

fn subject(document: &Document) -> String {
    let source = &document.case.source;
    let model = source.model.as_deref().filter(|model| !model.trim().is_empty());
    let size = human::bytes(source.bytes);
    match (model, &source.serial) {
        (Some(model), Some(serial)) => format!("{model}, {serial}, {size}"),
        (Some(model), None) => format!("{model}, {size}"),
        _ => format!("Drive of {size}"),
    }
}

fn section(index: usize, content: Markup) -> Markup {
    let (id, heading) = SECTIONS[index];
    named_section(id, heading, content)
}

fn named_section(id: &str, heading: &str, content: Markup) -> Markup {
    html! {
        section id=(id) aria-labelledby={ (id) "-heading" } {
            h2 id={ (id) "-heading" } { (heading) }
            (content)
        }
    }
}

/// What a person wants to know first.
fn summary(document: &Document) -> Markup {
    let cautions = cautions(document);
    let content = html! {
        p.lead { "The drive: " (document.survey.coherence.verdict.headline()) ". " (files_in_short(document)) "." }
        @if !document.files.wanted.is_empty() {
            ul.wanted { @for count in &document.files.wanted { li { (shown(&count.sentence())) } } }
        }
        (figures(document))
        @if !cautions.is_empty() {
            h3 { "Please note" }
            ul.cautions { @for caution in cautions { li { (caution) } } }
        }
    };
    named_section("summary", "In short", content)
}

fn figures(document: &Document) -> Markup {
    let totals = &document.files.totals;
    html! {
        dl.figures {
            div { dt { "files complete" } dd { (count(totals.complete)) " " span.quiet { "of " (count(totals.files())) } } }
            div { dt { "files damaged" } dd { (count(totals.damaged)) } }
            @if totals.lost > 0 { div { dt { "files lost" } dd { (count(totals.lost)) } } }
            div { dt { "copied" } dd { (bytes(document.ranges.held_bytes)) " " span.quiet { "of " (bytes(document.case.source.bytes)) } } }
            div { dt { "could not be read" } dd { (bytes(document.ranges.unreadable_bytes())) } }
        }
    }
}

fn files_in_short(document: &Document) -> String {
    let totals = &document.files.totals;
    let all = totals.files();
    if all == 0 {
        return "No file is known by name".to_owned();
    }
    if totals.complete == all {
        return format!("All {} complete", human::counted(all, "file is", "files are"));
    }
    let others = human::counts([
        (totals.damaged, "damaged"),
        (totals.lost, "lost"),
        (totals.not_yet_read, "not read yet"),
        (totals.not_planned, "not planned"),
    ]);
    let whole = human::count(totals.complete);
    format!("{whole} of {} complete, {}", human::counted(all, "file is", "files are"), others.join(", "))
}

/// What a technician who uses the image has to know.
fn cautions(document: &Document) -> Vec<String> {
    let mut list = Vec::new();
    let ranges = &document.ranges;
    let (unreadable, to_read) = (ranges.unreadable_bytes(), ranges.to_read_bytes());
    let coherence = &document.survey.coherence;
    if coherence.verdict.says_stop() {
        list.push(format!("The drive: {}. {} {}", coherence.verdict.headline(), coherence.sentence, coherence.advice));
    }
    if document.plan.is_none() {
        list.push("There is no plan: nothing but what the survey needed was read.".to_owned());
    }
    if to_read > 0 {
        list.push(format!("Copying is not done: {} of what is planned is not read yet.", human::bytes(to_read)));
    }
    if unreadable > 0 {
        list.push(format!(
            "{} could not be read. In the image those sectors hold the byte {:#04x}, which is not what the drive held.",
            human::bytes(unreadable),
            document.case.fill
        ));
    }
    if ranges.held_bytes + unreadable < document.case.source.bytes {
        list.push(
            "What was not copied reads as zeros in the image, which is not what the drive holds there: do not search the image's free \
             space for deleted files unless the plan took it."
                .to_owned(),
        );
    }
    if !document.files.unreadable_indexes.is_empty() {
        list.push(format!(
            "The entries of {} could not all be read: files may be missing there without a trace.",
            human::counted(document.files.unreadable_indexes.len() as u64, "folder", "folders")
        ));
    }
    list.extend(document.survey.areas.iter().flat_map(volume_cautions));
    list.extend(check_caution(document).map(str::to_owned));
    if let Some(fault) = &document.record.fault {
        list.push(format!("The record is not as it was written: {fault}."));
    }
    list
}

fn volume_cautions(area: &AreaReport) -> Vec<String> {
    let mut list = Vec::new();
    let which = area.number.map_or(format!("at byte {}", area.start), |number| number.to_string());
    let state = area.state();
    if state.dirty == Some(true) {
        list.push(format!("Volume {which} was not cleanly unmounted: its last changes may be missing."));
    }
    if state.errors_noted == Some(true) {
        list.push(format!(
            "Volume {which} is marked as having met errors while it was last in use: files may be damaged."
        ));
    }
    if let Some(volume) = &area.volume {
        if volume.catalog_incomplete {
            list.push(format!("Volume {which}: some files’ records could not be used; there may be files that this report does not know of."));
        }
        if volume.census.encrypted_files > 0 {
            list.push(format!(
                "Volume {which}: {} encrypted; the copy holds them as they are, of no use without the key.",
                human::counted(volume.census.encrypted_files, "file is", "files are")
            ));
        }
    }
    list
}

/// What is to be said of the last check of the image.
fn check_caution(document: &Document) -> Option<&'static str> {
    match document.recorded_sums.last() {
        _ if document.sum.is_some() => None,
        None => Some("The image was not checked against the journal yet (gleaner verify)."),
        Some(last) if last.out_of_date => {
            Some("The image was written to after the last check: its checksum is out of date.")
        }
        Some(_) => None,
    }
}

fn areas(document: &Document) -> Markup {
    html! {
        p { "Each strip is one area from its first byte to its last. The height of a layer at a position is the share of what lies there which is of its \
             class; what stays blank is free, or in no partition. Below it, the same positions by what is in the image; what stays blank there was not copied." }
        @for (index, area) in document.densities.iter().enumerate() { (pictures::area(index, area)) }
        details {
            summary { "What the classes mean" }
            dl.terms {
                @for class in crate::survey::allocation::Class::ALL { dt { (class.name()) } dd { (class_meaning(class)) } }
            }
        }
    }
}

fn class_meaning(class: crate::survey::allocation::Class) -> &'static str {
    use crate::survey::allocation::Class;
    match class {
        Class::Tables => "partition tables, boot sectors, and their copies",
        Class::Structure => "the file systems’ own metadata",
        Class::Wanted => "files that the plan wants first",
        Class::Files => "other existing files",
        Class::Bulk => "existing, but rarely worth the time: paging, hibernation, swap and the like",
        Class::Unclaimed => "marked as used, no known file",
        Class::Deleted => "where deleted files lay, in free space",
        Class::Free => "free",
        Class::Outside => "in no partition",
    }
}

/// A moment as people read it.
fn moment(rfc3339: &str) -> String {
    rfc3339.replacen('T', " ", 1).replacen('Z', " UTC", 1)
}

/// A number of things, one or more of them.
fn things(number: u64, one: &str, more: &str) -> Markup {
    html! { (count(number)) " " (if number == 1 { one } else { more }) }
}

/// Bytes as people read them, with the number for programs.
fn bytes(number: u64) -> Markup {
    html! { data value=(number) { (human::bytes(number)) } }
}

/// A count as people read it, with the number for programs.
fn count(number: u64) -> Markup {
    html! { data value=(number) { (human::count(number)) } }
}

/// A table that can be moved sideways where it is too wide.
fn table(label: &str, content: Markup) -> Markup {
    html! { div.scroll role="region" aria-label=(label) tabindex="0" { table { caption { (label) } (content) } } }
}

/// Heads of a table: words, and whether figures stand below.
fn heads(list: &[(&str, bool)]) -> Markup {
    html! { thead { tr { @for (text, figures) in list { @if *figures { th.n scope="col" { (text) } } @else { th scope="col" { (text) } } } } } }
}

/// Text from the drive, not longer than is bearable in a page.
fn shown(text: &str) -> String {
    const MOST: usize = 240;
    let characters = text.chars().count();
    if characters <= MOST {
        return text.to_owned();
    }
    let start: String = text.chars().take(MOST / 2).collect();
    let end: String = text.chars().skip(characters - MOST / 2).collect();
    format!("{start}…{end}")
}
