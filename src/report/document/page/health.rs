//! The drive's own counters: how they stood first and last, and what changed.

use super::{count, heads, shown, table, things};
use crate::case::{HealthChange, HealthCounter, HealthReading};
use crate::report::document::Document;
use maud::{Markup, html};

pub(super) fn section(document: &Document) -> Markup {
    let readings: Vec<HealthReading> = document.record.lines.iter().filter_map(|line| line.note()?.health).collect();
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return html! { p { "No reading of them is in the record." } };
    };
    if readings.len() == 1 {
        return html! {
            (about(first))
            p { "There is only this reading, so nothing can be said about changes." }
            (failing(first))
            (table("The drive’s own counters", html! {
                (heads(&[("counter", false), ("value", true)]))
                tbody { @for counter in &first.counters { tr { th scope="row" { (shown(&counter.name)) } td.n { (shown(&counter.shown())) } } } }
            }))
        };
    }
    let changes = HealthChange::between(first, last);
    let same = last.counters.len() - changes.iter().filter(|change| change.after.is_some()).count();
    html! {
        p { (things(readings.len() as u64, "reading", "readings")) " in the record; compared are the first and the last." }
        (about(first))
        (about(last))
        @if first.serial != last.serial { p { strong { "Please note: " } "they have different serial numbers, so they may be of two drives." } }
        (failing(last))
        @if changes.is_empty() { p { "No counter changed." } } @else {
            (table("What changed in the drive’s own counters", html! {
                (heads(&[("counter", false), ("first", true), ("last", true), ("change", true)]))
                tbody { @for change in &changes { (row(change)) } }
            }))
            p { (count(same as u64)) " other counters did not change." }
        }
    }
}

fn about(reading: &HealthReading) -> Markup {
    html! { p { (shown(&reading.to_string())) "." } }
}

/// The attributes at which the drive calls itself failing.
fn failing(reading: &HealthReading) -> Markup {
    let names: Vec<String> =
        reading.counters.iter().filter(|counter| counter.is_failing()).map(|counter| shown(&counter.name)).collect();
    html! { @if !names.is_empty() { p { strong { "Past the drive’s own limit: " } (names.join(", ")) "." } } }
}

fn row(change: &HealthChange) -> Markup {
    let value =
        |counter: &Option<HealthCounter>| counter.as_ref().map_or_else(|| "–".to_owned(), |c| shown(&c.shown()));
    let difference = change.difference().map(|difference| format!("{difference:+}"));
    html! {
        tr {
            th scope="row" { (shown(&change.name)) }
            td.n { (value(&change.before)) }
            td.n { (value(&change.after)) }
            td.n { (difference.unwrap_or_default()) }
        }
    }
}
