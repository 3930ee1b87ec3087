//! The verdict that opens a survey, and the evidence under it.

use crate::base::human;
use crate::cli::show::{line, wrapped};
use crate::cli::table::{Column, Overflow, fitted};
use crate::source::LeftOff;
use crate::survey::coherence::{Coherence, SoFar};

/// The verdict in a line.
pub(in crate::cli::show) fn headline(coherence: &Coherence) -> String {
    let stopped = coherence.so_far.filter(|so_far| so_far.why == LeftOff::Stopped);
    let so_far = if stopped.is_some() { "so far: " } else { "" };
    format!("VERDICT  {so_far}{}", coherence.verdict.headline())
}

/// The verdict as a headline, what decided it, and a line for every check.
pub fn coherence(text: &mut String, coherence: &Coherence) {
    say!(text, "{}", headline(coherence));
    wrapped(text, "  ", &coherence.sentence);
    if let Some(so_far) = &coherence.so_far {
        wrapped(text, "  ", &left(so_far));
    }
    wrapped(text, "  → ", coherence.advice);
    say!(text, "");
    let rows = coherence
        .evidence
        .iter()
        .map(|line| vec![line.check.name().to_owned(), line.outcome.name().to_owned(), line.figures.clone()]);
    let columns = [Column::Left("check"), Column::Left("outcome"), Column::Left("figures")];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
    let (read, budget) = (&coherence.read, &coherence.budget);
    let requests = human::counted(read.requests, "request", "requests");
    let most = format!("{} in {}", human::bytes(budget.bytes), human::count(budget.requests));
    let read = human::bytes(read.bytes);
    wrapped(text, "  ", &format!("beyond the survey's own reading: {read} in {requests}, of at most {most}"));
    say!(text, "");
}

/// What of the structure is not read yet, and what to do about it.
fn left(so_far: &SoFar) -> String {
    let not_read = format!(
        "{} of structure in {} not read yet",
        human::bytes(so_far.bytes),
        human::counted(so_far.places, "range", "ranges")
    );
    match so_far.why {
        LeftOff::Stopped => format!("Stopped before its end, {not_read}. In a case, the same command goes on."),
        LeftOff::Before => format!("The drive is not at hand, and the last survey left {not_read}."),
        LeftOff::TroubleLimit => format!(
            "Left after {}, to spare the drive (--trouble-limit): {not_read}. `copy` reads it, what answers easily first.",
            human::counted(so_far.troubles, "failed or slow read", "failed or slow reads")
        ),
    }
}
