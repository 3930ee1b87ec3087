//! The verdict that opens a survey, and the evidence under it.

use super::line;
use crate::cli::table::{Column, table};
use crate::coherence::Coherence;
use crate::human;

/// The verdict as a headline, what decided it, and a line for every check.
pub fn coherence(text: &mut String, coherence: &Coherence) {
    say!(text, "VERDICT  {}", coherence.verdict.headline());
    say!(text, "  {}", coherence.sentence);
    say!(text, "  → {}", coherence.advice);
    say!(text, "");
    let rows = coherence
        .evidence
        .iter()
        .map(|line| vec![line.check.name().to_owned(), line.outcome.name().to_owned(), line.figures.clone()]);
    text.push_str(&table(&[Column::Left("check"), Column::Left("outcome"), Column::Left("figures")], rows));
    say!(
        text,
        "  beyond the survey's own reading: {} in {} requests, of at most {} in {}",
        human::bytes(coherence.read.bytes),
        human::count(coherence.read.requests),
        human::bytes(coherence.budget.bytes),
        human::count(coherence.budget.requests)
    );
    say!(text, "");
}
