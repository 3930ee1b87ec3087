//! How a copy ended, as text.

use super::line;
use crate::case_copy::CaseCopyOutcome;
use crate::cli::table::{Column, table};
use crate::copy::{End, StopReason};
use crate::human;

/// How a copy ended.
pub fn copy(outcome: &CaseCopyOutcome) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    let CaseCopyOutcome { copy: outcome, wanted, revisions } = outcome;
    let (planned, copied, deferred, unreadable) = outcome.totals();
    let how = match &outcome.end {
        End::Complete if unreadable == 0 => "complete: every planned byte is in the image".to_owned(),
        End::Complete => "complete as far as the drive can be read".to_owned(),
        End::LittleLeft { next_hour_bytes } => format!(
            "ended by itself: what is left is skipped, and the next hour is expected to bring no more than {} of files. `--to-the-end` tries every \
             sector of it",
            human::bytes(*next_hour_bytes)
        ),
        End::Stopped { reason: StopReason::Asked } => "stopped as asked; the same command goes on".to_owned(),
        End::Stopped { reason } => format!(
            "stopped by its {} limit; the same command goes on",
            match reason {
                StopReason::Time => "time",
                StopReason::Bytes => "byte",
                StopReason::Errors | StopReason::Asked => "error",
                StopReason::FailuresInARow => "failures-in-a-row",
                StopReason::FailuresAMinute => "failures-a-minute",
                StopReason::Resets => "resets",
                StopReason::Rate => "rate",
            }
        ),
        End::Gone { extent, message } => format!(
            "the drive stopped answering at byte {} ({}); nothing is lost: switch off, check power and cable, and run the same command again",
            extent.start.0, message
        ),
        End::Silent { extent, failed_in_a_row } => format!(
            "the drive no longer answers: {} in a row failed, the first at byte {}, and not even sectors that it gave before can be read; nothing is \
             lost, and what it did not answer counts as skipped. Switch it off, let it rest and cool, check power and cable, then run the same command \
             again",
            human::counted(u64::from(*failed_in_a_row), "read", "reads"),
            extent.start.0,
        ),
        End::Changed { byte, withdrawn_bytes } => format!(
            "the drive gives other bytes than before, at byte {byte}: what it gives now cannot be trusted. {} of constant content that came since it \
             last gave its own bytes are withdrawn and will be read again. Switch the drive off and on, check board and cable; if it happens again \
             at once, run `gleaner verify` to see whether the image was changed instead",
            human::bytes(*withdrawn_bytes),
        ),
        End::NoRoom { room } => format!(
            "the destination has no more room ({} left); all that was read is safe. Free some room, then run the same command again",
            human::bytes(*room)
        ),
        End::Failed => "failed".to_owned(),
    };
    say!(&mut text, "COPY  {how}");
    wanted.iter().for_each(|count| say!(&mut text, "  {}", &count.sentence()));
    for revision in revisions {
        say!(
            &mut text,
            "  {} of structure answered late: the plan was made anew ({} instead of {}), see {}",
            human::bytes(revision.late_bytes),
            human::bytes(revision.bytes_now),
            human::bytes(revision.bytes_before),
            &revision.plan.display().to_string()
        );
    }
    let waiting = planned - copied - deferred - unreadable;
    say!(
        &mut text,
        "  {} of {} safe; {} put off, {} waiting, {} unreadable",
        human::bytes(copied),
        human::bytes(planned),
        human::bytes(deferred),
        human::bytes(waiting),
        human::bytes(unreadable)
    );
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
    let columns =
        [Left("class"), Right("planned"), Right("safe"), Right("put off"), Right("unreadable"), Right("failed reads")];
    text.push_str(&table(&columns, rows));
    say!(
        &mut text,
        "  this run: {} in {} requests and {}, {} of them failed, {} slow",
        human::bytes(outcome.arrived_bytes),
        human::count(outcome.requests),
        human::seconds(outcome.seconds),
        human::count(outcome.failed_requests),
        human::count(outcome.slow_requests)
    );
    if outcome.resets > 0 {
        let times = human::counted(outcome.resets, "time", "times");
        say!(&mut text, "  the kernel reset the drive or its link {times} (docs/kernel.md)");
    }
    if outcome.checks.requests > 0 {
        say!(
            &mut text,
            "  to see whether the drive still gives its own bytes, {} {} read once more ({} failed)",
            human::counted(outcome.checks.requests, "sector", "sectors"),
            if outcome.checks.requests == 1 { "was" } else { "were" },
            human::count(outcome.checks.failed_requests)
        );
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
        let columns = [Right("first byte"), Right("reach"), Right("unreadable sectors"), Right("failed reads")];
        text.push_str(&table(&columns, rows));
        if outcome.bad_regions.len() > SHOWN {
            say!(&mut text, "  … and {} more; --json lists them all", outcome.bad_regions.len() - SHOWN);
        }
    }
    text
}
