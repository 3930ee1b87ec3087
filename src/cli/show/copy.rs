//! How a copy ended, as text.

use super::line;
use crate::base::human;
use crate::cli::layout::{columns, wrap};
use crate::cli::table::{Column, Overflow, fitted};
use crate::copy::follow_plan::{CaseCopyOutcome, DamagedFiles, Revision};
use crate::copy::reading::CopyOutcome;

/// How a copy ended.
pub fn copy(outcome: &CaseCopyOutcome) -> String {
    use Column::{Left, Right};
    let CaseCopyOutcome { copy: outcome, wanted, revisions, damaged_files } = outcome;
    let mut lines = wrap("COPY  ", &outcome.sentence(), columns());
    let mut say = |sentence: &str| lines.extend(wrap("  ", sentence, columns()));
    wanted.iter().for_each(|count| say(&count.sentence()));
    if !damaged_files.is_none() {
        say(&damaged(*damaged_files));
    }
    revisions.iter().for_each(|revision| say(&revised(revision)));
    let (planned, copied, skipped, unreadable) = outcome.totals();
    say(&format!(
        "{} of {} safe; {} skipped, {} not read yet, {} unreadable",
        human::bytes(copied),
        human::bytes(planned),
        human::bytes(skipped),
        human::bytes(planned - copied - skipped - unreadable),
        human::bytes(unreadable)
    ));
    let mut text = String::new();
    lines.iter().for_each(|line| say!(&mut text, "{line}"));
    let rows = outcome.classes.iter().map(|class| {
        vec![
            class.class.name().to_owned(),
            human::bytes(class.planned_bytes),
            human::bytes(class.copied_bytes),
            human::bytes(class.deferred_bytes),
            human::bytes(class.unreadable_bytes),
            human::count(class.failed_requests),
        ]
    });
    let heading =
        [Left("class"), Right("planned"), Right("safe"), Right("skipped"), Right("unreadable"), Right("failed reads")];
    text.push_str(&fitted(&heading, rows, Overflow::Wrap));
    for sentence in this_run(outcome) {
        wrap("  ", &sentence, columns()).iter().for_each(|line| say!(&mut text, "{line}"));
    }
    if !outcome.bad_regions.is_empty() {
        const SHOWN: usize = 20;
        say!(&mut text, "  bad regions:");
        let rows = outcome.bad_regions.iter().take(SHOWN).map(|region| {
            vec![
                region.extent.start.0.to_string(),
                human::bytes(region.extent.bytes),
                human::count(region.unreadable_sectors),
                human::count(region.failed_requests),
            ]
        });
        let heading = [Right("first byte"), Right("length"), Right("unreadable sectors"), Right("failed reads")];
        text.push_str(&fitted(&heading, rows, Overflow::Wrap));
        if outcome.bad_regions.len() > SHOWN {
            let more = human::count((outcome.bad_regions.len() - SHOWN) as u64);
            say!(&mut text, "  … and {more} more; --json lists them all");
        }
    }
    text
}

fn revised(revision: &Revision) -> String {
    let why = match revision.late_bytes {
        0 => "names of lost folders are known now".to_owned(),
        bytes => format!("{} of structure could be read at last", human::bytes(bytes)),
    };
    format!(
        "{why}: the new plan reads {} instead of {}, see {}",
        human::bytes(revision.bytes_now),
        human::bytes(revision.bytes_before),
        revision.plan.display()
    )
}

/// What this run requested of the drive.
fn this_run(outcome: &CopyOutcome) -> Vec<String> {
    let mut sentences = vec![format!(
        "this run: {} in {} and {}; {}, {} slow",
        human::bytes(outcome.arrived_bytes),
        human::counted(outcome.requests, "request", "requests"),
        human::seconds(outcome.seconds),
        human::counted(outcome.failed_requests, "failed read", "failed reads"),
        human::count(outcome.slow_requests)
    )];
    if outcome.resets > 0 {
        let times = human::counted(outcome.resets, "time", "times");
        sentences.push(format!("the kernel reset the drive or its link {times} (docs/kernel.md)"));
    }
    if outcome.checks.requests > 0 {
        sentences.push(format!(
            "check that the drive gives its own bytes: {} read again, {} failed",
            human::counted(outcome.checks.requests, "sector", "sectors"),
            human::count(outcome.checks.failed_requests)
        ));
    }
    sentences
}

/// Files that are not complete although nothing is left to read.
fn damaged(files: DamagedFiles) -> String {
    let parts = human::counts([(files.damaged, "damaged"), (files.lost, "lost")]).join(", ");
    format!(
        "Of the files on the drive {parts}, although all of the plan was read: the structure that tells where they lie is damaged. \
         `gleaner audit` names them"
    )
}
