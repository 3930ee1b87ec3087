//! What was read and in which order.

use super::{bytes, count, heads, moment, shown, table, things};
use crate::base::human;
use crate::report::document::{Document, PlanFacts};
use maud::{Markup, html};

/// Runs and passes listed in the page.
const LISTED: usize = 300;

pub(super) fn section(document: &Document) -> Markup {
    html! {
        @match &document.plan {
            Some(plan) => (passes(plan)),
            None => p { "There is no plan yet; what is in the image was read by the survey." },
        }
        @let runs = &document.history.runs;
        @if !runs.is_empty() {
            (table("Runs of copying", html! {
                (heads(&[("began", false), ("took", true), ("copied at its end", true), ("failed reads", true), ("ended", false)]))
                tbody {
                    @for run in runs.iter().take(LISTED) {
                        @let last = run.points.last();
                        tr {
                            th scope="row" { (moment(&run.began)) }
                            td.n { (run.ended.as_ref().map(|(seconds, _)| *seconds).or(last.map(|point| point.seconds)).map(human::seconds).unwrap_or_default()) }
                            td.n { (bytes(last.map_or(run.copied_bytes, |point| point.copied_bytes))) }
                            td.n { (count(last.map_or(0, |point| point.failed_requests))) }
                            td { (run.ended.as_ref().map_or("not known: killed, or still running", |(_, how)| how.as_str())) }
                        }
                    }
                }
            }))
            @if runs.len() > LISTED { p { "… and " (count((runs.len() - LISTED) as u64)) " more runs." } }
        }
    }
}

fn passes(plan: &PlanFacts) -> Markup {
    let header = &plan.header;
    html! {
        p { "The plan takes " strong { (header.scope.name()) } ": " (bytes(header.bytes())) " in " (things(header.extent_count(), "range", "ranges"))
            ", pass by pass, each pass once from the drive’s start to its end." }
        (table("Passes, in the order of reading", html! {
            (heads(&[("pass", true), ("class", false), ("chosen by", false), ("ranges", true), ("bytes", true), ("in the image", true), ("could not be read", true)]))
            tbody {
                @for pass in plan.passes.iter().take(LISTED) {
                    tr {
                        th.n scope="row" { (pass.header.number) }
                        td { (pass.header.class.name()) }
                        td { (pass.header.pattern.as_deref().map(shown).unwrap_or_default()) }
                        td.n { (count(pass.header.extent_count)) }
                        td.n { (bytes(pass.header.bytes)) }
                        td.n { (bytes(pass.held_bytes)) }
                        td.n { (bytes(pass.unreadable_bytes)) }
                    }
                }
            }
        }))
        @if plan.passes.len() > LISTED { p { "… and " (count((plan.passes.len() - LISTED) as u64)) " more passes." } }
        @if !header.left_out.is_empty() {
            (table("What the plan leaves out", html! {
                (heads(&[("class", false), ("bytes", true), ("why", false)]))
                tbody { @for left in &header.left_out { tr { th scope="row" { (left.class.name()) } td.n { (bytes(left.bytes)) } td { (shown(&left.why).replace('`', "")) } } } }
            }))
        }
    }
}
