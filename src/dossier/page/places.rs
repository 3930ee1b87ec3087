//! Places that are not in the image, and sums of what is.

use super::{bytes, count, heads, moment, shown, table, things};
use crate::dossier::Dossier;
use crate::extent::Extent;
use crate::human;
use maud::{Markup, PreEscaped, html};

/// Stretches listed in the page, of each kind.
const LISTED: usize = 500;

pub(super) fn section(dossier: &Dossier) -> Markup {
    let ranges = &dossier.ranges;
    html! {
        @if let Some(bad) = &dossier.heads {
            h3 { "A bad head" }
            p { (bad.words) }
            figure { (PreEscaped(&bad.picture)) }
        }
        (list(dossier, "Could not be read", &ranges.unreadable))
        (list(dossier, "Put off, to be tried again", &ranges.put_off))
        (list(dossier, "Planned and not read yet", &ranges.waiting))
        p { "All of them, with their lengths, are in " code { (&dossier.lists[1]) } "." }
    }
}

fn list(dossier: &Dossier, heading: &str, extents: &[Extent]) -> Markup {
    let sector = dossier.case.source.logical_sector.max(1);
    let sum: u64 = extents.iter().map(|extent| extent.bytes).sum();
    html! {
        h3 { (heading) }
        @if extents.is_empty() { p { "Nothing." } }
        @else {
            p { (bytes(sum)) " in " (things(extents.len() as u64, "stretch", "stretches")) "." }
            details open[extents.len() <= 12] {
                summary { "The stretches" }
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

pub(super) fn sums(dossier: &Dossier) -> Markup {
    let ranges = &dossier.ranges;
    html! {
        p { "Each of the " (count(ranges.chunks)) " stretches in the image bears a BLAKE3 hash in the case’s journal, taken as it came from the drive. \
             The journal’s own sum vouches for all of them." }
        dl.facts {
            dt { "SHA-256 of the journal" } dd { code.sum { (ranges.journal_sha256) } }
            @if let Some(sum) = &dossier.sum {
                dt { "SHA-256 of the whole image, now" } dd { code.sum { (sum.sha256) } " over " (bytes(sum.bytes)) }
            }
            @for recorded in dossier.recorded_sums.iter().rev().take(5) {
                dt { "SHA-256 of the whole image, " (moment(&recorded.when)) }
                dd { code.sum { (shown(&recorded.sha256)) } @if recorded.out_of_date { " (out of date: the image was written to since)" } }
            }
            dt { "SHA-256 of the record’s last line" } dd { code.sum { (dossier.record.last_sha256) } }
        }
        @if dossier.sum.is_none() && dossier.recorded_sums.is_empty() {
            p { "The whole image has not been summed yet: gleaner verify does, and gleaner report --hash." }
        }
        p.quiet { "The sum of the whole image takes what was not read as zeros, and what could not be read as filled with "
            (format!("{:#04x}", dossier.case.fill)) "." }
    }
}
