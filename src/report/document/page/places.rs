//! Ranges that are not in the image, and checksums of what is.

use super::{bytes, count, heads, moment, shown, table, things};
use crate::base::extent::Extent;
use crate::base::human;
use crate::report::document::Document;
use crate::report::document::gather::total;
use crate::store::image::ImageForm;
use maud::{Markup, PreEscaped, html};

/// Ranges listed in the page, of each kind.
const LISTED: usize = 500;

pub(super) fn section(document: &Document) -> Markup {
    let ranges = &document.ranges;
    html! {
        @if let Some(bad) = &document.heads {
            h3 { "A bad head" }
            p { (bad.words) }
            figure { (PreEscaped(&bad.picture)) }
        }
        (list(document, "Could not be read", &ranges.unreadable))
        (list(document, "Skipped, to be retried", &ranges.skipped))
        (list(document, "Planned, not read yet", &ranges.waiting))
        p { "All of them, with their lengths, are in " code { (&document.lists[1]) } "." }
    }
}

fn list(document: &Document, heading: &str, extents: &[Extent]) -> Markup {
    let sector = document.case.source.logical_sector.max(1);
    let sum = total(extents);
    html! {
        h3 { (heading) }
        @if extents.is_empty() { p { "Nothing." } }
        @else {
            p { (bytes(sum)) " in " (things(extents.len() as u64, "range", "ranges")) "." }
            details open[extents.len() <= 12] {
                summary { "The ranges" }
                (table(heading, html! {
                    (heads(&[("from LBA", true), ("sectors", true), ("from byte", true), ("length", true)]))
                    tbody {
                        @for extent in extents.iter().take(LISTED) {
                            tr {
                                td.n { (human::count(extent.start.0 / sector)) }
                                td.n { (human::count(extent.bytes.div_ceil(sector))) }
                                td.n { (human::count(extent.start.0)) }
                                td.n { (bytes(extent.bytes)) }
                            }
                        }
                    }
                }))
                @if extents.len() > LISTED { p { "… and " (count((extents.len() - LISTED) as u64)) " more." } }
            }
        }
    }
}

pub(super) fn sums(document: &Document) -> Markup {
    let ranges = &document.ranges;
    html! {
        p { "Each of the " (count(ranges.chunks)) " ranges in the image has a BLAKE3 hash in the case’s journal, taken as it came from the drive. \
             The journal’s own checksum covers all of them." }
        dl.facts {
            dt { "SHA-256 of the journal" } dd { code.sum { (ranges.journal_sha256) } }
            @if let Some(sum) = &document.sum {
                dt { "SHA-256 of the whole image, now" } dd { code.sum { (sum.sha256) } " over " (bytes(sum.bytes)) }
            }
            @for recorded in document.recorded_sums.iter().rev().take(5) {
                dt { "SHA-256 of the whole image, " (moment(&recorded.when)) }
                dd { code.sum { (shown(&recorded.sha256)) } @if recorded.out_of_date { " (out of date: the image was written to since)" } }
            }
            dt { "SHA-256 of the record’s last line" } dd { code.sum { (document.record.last_sha256) } }
        }
        @if document.sum.is_none() && document.recorded_sums.is_empty() {
            p { "The whole image has no checksum yet: gleaner verify calculates it, and gleaner report --hash." }
        }
        p.quiet { "For the checksum of the whole image, what was not read is zeros, and what could not be read is filled with "
            (format!("{:#04x}", document.case.fill)) "." }
    }
}

/// The checksums that a client can use.
pub(super) fn sums_for_client(document: &Document) -> Markup {
    let image = &document.image_name;
    let recorded = document.recorded_sums.last().filter(|recorded| !recorded.out_of_date);
    let sum =
        document.sum.as_ref().map(|sum| sum.sha256.as_str()).or(recorded.map(|recorded| recorded.sha256.as_str()));
    html! {
        dl.facts {
            dt { "SHA-256 of the image" }
            dd { @match sum { Some(sum) => code.sum { (shown(sum)) }, None => "not calculated since the image was last written to" } }
            dt { "SHA-256 of the record of this work" } dd { code.sum { (document.record.last_sha256) } }
        }
        @match (sum, document.case.image) {
            (None, _) => {}
            (_, ImageForm::Raw) => p { "The checksum of the image shows whether your image is unchanged. Calculate it anew and compare all 64 characters; upper and lower case \
                do not matter. \
                Windows (PowerShell): " code { "Get-FileHash " (image) } "; macOS (Terminal): " code { "shasum -a 256 " (image) } "; Linux: "
                code { "sha256sum " (image) } "." },
            (_, ImageForm::Vhdx) => p { "The checksum of the image is that of the drive’s content in it, not of the file " code { (image) } ": a technician can compare it." },
        }
        p { "The checksum of the record shows later whether anything that it says today was changed. Keep this page." }
    }
}
