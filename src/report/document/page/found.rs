//! What was found: the verdict, its evidence, the findings.

use super::{count, heads, shown, table, things};
use crate::base::finding::Severity;
use crate::base::human;
use crate::report::document::Document;
use maud::{Markup, html};

/// Findings listed in the page.
const LISTED: usize = 500;

pub(super) fn section(document: &Document) -> Markup {
    let coherence = &document.survey.coherence;
    let findings = &document.survey.findings;
    html! {
        p { strong { (upper(coherence.verdict.headline())) "." } " " (shown(&coherence.sentence)) @if coherence.verdict.says_stop() { " " (coherence.advice) } }
        details open[coherence.verdict.says_stop()] {
            summary { "What the verdict rests on" }
            (table("Checks of whether the data is consistent", html! {
                (heads(&[("check", false), ("outcome", false), ("figures", false)]))
                tbody {
                    @for evidence in &coherence.evidence {
                        tr { th scope="row" { (evidence.check.name()) } td { (evidence.outcome.name()) } td { (shown(&evidence.figures)) } }
                    }
                }
            }))
        }
        h3 { "Findings" }
        @if findings.is_empty() { p { "None." } }
        @else {
            p { (things(findings.len() as u64, "finding.", "findings.")) }
            (table("Findings, the most severe first", html! {
                (heads(&[("severity", false), ("finding", false), ("LBA", true)]))
                tbody {
                    @for finding in findings.iter().take(LISTED) {
                        tr {
                            th scope="row" { span class={ "severity " (finding.severity) } { (sign(finding.severity)) " " (finding.severity) } }
                            td { (shown(&finding.sentence)) br; span.quiet { code { (finding.code) } " " (finding.meaning) } }
                            td.n { (finding.lba.map(human::count).unwrap_or_default()) }
                        }
                    }
                }
            }))
            @if findings.len() > LISTED { p { "… and " (count((findings.len() - LISTED) as u64)) " more; gleaner survey --json lists them." } }
            @if !document.survey.findings_not_listed.is_empty() {
                p { "Of these kinds there were more than can be listed: "
                    @for (i, (code, more)) in document.survey.findings_not_listed.iter().enumerate() {
                        @if i > 0 { ", " } code { (code) } " (" (count(*more)) " more)"
                    } "." }
            }
        }
    }
}

/// A sign for each severity, so that it is told by its shape too.
fn sign(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "○",
        Severity::Caution => "△",
        Severity::Damage => "▲",
        Severity::Blocking => "■",
    }
}

fn upper(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or(String::new(), |first| first.to_uppercase().chain(characters).collect())
}
