//! What is said of a copy: the same words on the terminal, on the page that watches it, and in its history.

use super::event::{Difficulties, Event, Health, Stage, TimeLeft};
use super::outcome::{CopyOutcome, End};
use crate::base::human;
use crate::copy::reading::early_end::StopReason;

/// How many patterns are in the line at a class's end.
const PATTERNS_SHOWN: usize = 8;

/// Six failures that take half of the last minute: nothing but failing reads (common practice, no source). So do two resets.
const MANY_FAILURES: u64 = 6;
const MANY_SECONDS: f64 = 30.0;
const MANY_RESETS: u64 = 2;

impl Event {
    /// The event in a sentence, where a person should see it pass by.
    pub fn sentence(&self) -> Option<String> {
        Some(match self {
            Event::PassBegun { number, class, pattern, bytes } => {
                let pattern = pattern.as_ref().map_or(String::new(), |pattern| format!(" {pattern}"));
                format!("pass {number}: {class}{pattern}, {}", human::bytes(*bytes))
            }
            Event::Difficult(difficult) => difficult.sentence(),
            Event::Stopping => "Stopping after the present read ...".to_owned(),
            Event::Paused { celsius, until_celsius } => {
                format!("the drive is at {celsius:.0} °C: reading pauses until it has cooled to {until_celsius:.0} °C")
            }
            Event::Resumed { celsius, seconds } => {
                let now = celsius.map_or("the sensor no longer answers".to_owned(), |c| format!("at {c:.0} °C"));
                format!("{now} after {}: reading goes on", human::seconds(*seconds))
            }
            Event::PlanRevised { late_bytes: 0, bytes_before, bytes_now } => format!(
                "names of lost folders are known now; the new plan reads {} instead of {}",
                human::bytes(*bytes_now),
                human::bytes(*bytes_before)
            ),
            Event::PlanRevised { late_bytes, bytes_before, bytes_now } => format!(
                "{} of structure is copied that could not be read before; the new plan reads {} instead of {}",
                human::bytes(*late_bytes),
                human::bytes(*bytes_now),
                human::bytes(*bytes_before)
            ),
            Event::PlanKept { volume } => format!(
                "structure is copied that could not be read before; the plan stays as it is, because volume {volume} is encrypted and its key was \
                 not given (--key)"
            ),
            Event::Wanted { class: Some(class), patterns } if !patterns.is_empty() => {
                let counts: Vec<String> = patterns.iter().take(PATTERNS_SHOWN).map(|count| count.sentence()).collect();
                let more = patterns.len().saturating_sub(PATTERNS_SHOWN);
                let more = if more > 0 { format!("; and {more} more patterns") } else { String::new() };
                format!("end of class {class}: {}{more}", counts.join("; "))
            }
            Event::StageBegun { stage } => match stage {
                Stage::Worth => "skipped ranges are retried, those first that are worth most for their time",
                Stage::Suspects => "ranges that may have stopped the drive are retried",
                Stage::EverySector => "every sector that is still skipped is retried alone",
            }
            .to_owned(),
            Event::DriveAwaited => "the drive is gone or no longer answers; what was read is safe. Switch it off, let it rest, check power \
                                    and cable, switch it on: copying goes on when it is back. Ctrl-C ends it"
                .to_owned(),
            Event::DriveNotTaken { why } => format!("not taken for the drive: {why}"),
            Event::DriveBack { path } => format!("the drive is back at {}: copying goes on", path.display()),
            _ => return None,
        })
    }
}

impl Difficulties {
    fn sentence(&self) -> String {
        let mut parts = Vec::new();
        if self.failed_requests > 0 {
            parts.push(format!("{} failed", human::counted(self.failed_requests, "read", "reads")));
        }
        if self.slow_requests > 0 {
            parts.push(human::counted(self.slow_requests, "slow read", "slow reads"));
        }
        if self.retries > 0 {
            let retries = human::counted(self.retries, "retry", "retries");
            parts.push(match self.failed_retries {
                0 => format!("{retries}, {} read", human::bytes(self.retried_bytes)),
                failed if failed == self.retries => format!("{retries}, all failed"),
                failed => {
                    let (failed, bytes) = (human::count(failed), human::bytes(self.retried_bytes));
                    format!("{retries}, {bytes} read and {failed} failed")
                }
            });
        }
        let mut text = parts.join(", ");
        if let Some(extent) = self.extent {
            let (start, end) = (human::count(extent.start.0), human::count(extent.end() - 1));
            let (took, lba) = (human::seconds(self.seconds), human::count(self.lba));
            text += &format!("; failures took {took}, from byte {start} (LBA {lba}) to byte {end}");
        }
        if self.skipped_bytes > 0 {
            text += &format!("; {} skipped, will be retried", human::bytes(self.skipped_bytes));
        }
        if self.unreadable_bytes > 0 {
            let semicolon = if text.is_empty() { "" } else { "; " };
            text += &format!("{semicolon}{} unreadable", human::bytes(self.unreadable_bytes));
        }
        if self.checks > 0 {
            let checks = human::counted(self.checks, "known sector", "known sectors");
            text += &format!("; check: {checks} read again, {} failed", human::count(self.failed_checks));
        }
        text
    }
}

impl TimeLeft {
    /// The time left in a sentence, where so many bytes are skipped: what reads easily and skipped ranges, never added up.
    pub fn sentence(&self, skipped_bytes: u64) -> String {
        let easy = match self.seconds_left {
            Some(0.0) => "nothing left that reads easily".to_owned(),
            Some(seconds) => format!("about {} for what reads easily", human::seconds(seconds)),
            None => "not known yet".to_owned(),
        };
        match (skipped_bytes, self.difficult_seconds) {
            (0, _) => easy,
            (bytes, Some(seconds)) => {
                format!("{easy}; skipped ranges ({}): up to {}", human::bytes(bytes), human::seconds(seconds))
            }
            (bytes, None) => format!("{easy}; skipped ranges ({}): not known", human::bytes(bytes)),
        }
    }
}

impl Health {
    /// Whether it is safe to go on, in a sentence; also what is not known.
    pub fn sentence(&self) -> String {
        let resets = self.resets_last_minute.unwrap_or(0);
        let fails_only = self.failed_last_minute >= MANY_FAILURES && self.failing_seconds >= MANY_SECONDS;
        let answer = if fails_only || resets >= MANY_RESETS {
            "better stop and let the drive rest"
        } else if self.failed_last_minute > 0 || resets > 0 || self.is_warm {
            "yes, but the drive may not last"
        } else {
            "yes"
        };
        let failed = match self.failed_last_minute {
            0 => "no read failed".to_owned(),
            failed => {
                let reads = human::counted(failed, "read", "reads");
                format!("{reads} failed ({})", human::seconds(self.failing_seconds))
            }
        };
        let resets = match self.resets_last_minute {
            None => String::new(),
            Some(0) => ", no reset".to_owned(),
            Some(resets) => format!(", {}", human::counted(resets, "reset", "resets")),
        };
        let heat = match self.celsius {
            None => String::new(),
            Some(celsius) if self.is_warm => format!("; warm at {celsius:.0} °C"),
            Some(celsius) => format!("; {celsius:.0} °C"),
        };
        let unknown = match (self.resets_last_minute, self.celsius) {
            (None, None) => "; resets, temperature not known",
            (None, Some(_)) => "; resets not known",
            (Some(_), None) => "; temperature not known",
            (Some(_), Some(_)) => "",
        };
        format!("{answer}: in the last minute {failed}{resets}{heat}{unknown}")
    }
}

impl CopyOutcome {
    /// How it ended and what is still to copy, in a sentence or two.
    pub fn sentence(&self) -> String {
        let (planned, copied, skipped, unreadable) = self.totals();
        let left = human::bytes(planned - copied - unreadable);
        let still = format!("{left} still to copy");
        let goes_on = "the same command goes on";
        match &self.end {
            End::Complete if unreadable + skipped == 0 => {
                format!("Complete: all {} of the plan are safe", human::bytes(planned))
            }
            End::Complete => {
                let skipped = if skipped > 0 { format!(", {} skipped", human::bytes(skipped)) } else { String::new() };
                format!(
                    "Complete as far as the drive can be read: {} of {} safe, {} unreadable{skipped}",
                    human::bytes(copied),
                    human::bytes(planned),
                    human::bytes(unreadable)
                )
            }
            End::LittleLeft { next_hour_bytes } => format!(
                "Ended by itself: {left} skipped, and the next hour is expected to bring no more than {} of files. `--to-the-end` tries \
                 every sector of it",
                human::bytes(*next_hour_bytes)
            ),
            End::Stopped { reason: StopReason::Asked } => format!("Stopped: {still}; {goes_on}"),
            End::Stopped { reason } => format!("Stopped by its {} limit: {still}; {goes_on}", reason.limit()),
            End::Gone { extent, message } => format!(
                "The drive is gone: {still}. It stopped answering at byte {} ({message}). What was read is safe: switch off, check power \
                 and cable; {goes_on}",
                extent.start.0
            ),
            End::Silent { extent, failed_in_a_row } => format!(
                "The drive no longer answers: {still}. {} in a row failed, the first at byte {}, and not even sectors that it gave before \
                 can be read. What was read is safe, and what it did not answer counts as skipped. Switch it off, let it rest and cool, \
                 check power and cable; {goes_on}",
                human::counted(u64::from(*failed_in_a_row), "read", "reads"),
                extent.start.0,
            ),
            End::Changed { byte, withdrawn_bytes } => format!(
                "The drive gives other bytes than before, at byte {byte}: what it gives now cannot be trusted; {still}. {} of constant \
                 content that came since it last gave its own bytes are withdrawn and will be read again. Switch the drive off and on, \
                 check board and cable; if it happens again at once, run `gleaner verify` to see whether the image was changed instead",
                human::bytes(*withdrawn_bytes),
            ),
            End::NoRoom { room } => format!(
                "The destination has no more room ({} left): {still}. All that was read is safe; free some room, then {goes_on}",
                human::bytes(*room)
            ),
            End::Failed => format!("Failed: {still}"),
        }
    }
}

impl StopReason {
    fn limit(self) -> &'static str {
        match self {
            StopReason::Time => "time",
            StopReason::Bytes => "byte",
            StopReason::Errors | StopReason::Asked => "error",
            StopReason::FailuresInARow => "failures-in-a-row",
            StopReason::FailuresAMinute => "failures-a-minute",
            StopReason::Resets => "resets",
            StopReason::Rate => "rate",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;

    #[test]
    fn time_left_is_never_one_sum() {
        let left = TimeLeft { seconds_left: Some(180.0), difficult_seconds: None };
        assert_eq!(left.sentence(0), "about 3 min for what reads easily");
        assert_eq!(
            left.sentence(1_200_000_000),
            "about 3 min for what reads easily; skipped ranges (1.20 GB): not known"
        );
        let left = TimeLeft { seconds_left: Some(0.0), difficult_seconds: Some(896.0) };
        assert_eq!(left.sentence(65_536), "nothing left that reads easily; skipped ranges (65.5 kB): up to 15 min");
        assert_eq!(TimeLeft::default().sentence(0), "not known yet");
    }

    #[test]
    fn safe_to_go_on_says_what_is_not_known() {
        let unknown = Health::default();
        assert_eq!(unknown.sentence(), "yes: in the last minute no read failed; resets, temperature not known");
        let known = Health { resets_last_minute: Some(0), celsius: Some(41.4), ..unknown };
        assert_eq!(known.sentence(), "yes: in the last minute no read failed, no reset; 41 °C");
        let one = Health { failed_last_minute: 1, failing_seconds: 7.0, ..known };
        assert_eq!(
            one.sentence(),
            "yes, but the drive may not last: in the last minute 1 read failed (7.0 s), no reset; 41 °C"
        );
        // Many failures that took little time are one bad place.
        let quick = Health { failed_last_minute: 300, failing_seconds: 29.0, ..known };
        assert!(
            quick.sentence().starts_with("yes, but the drive may not last: in the last minute 300 reads failed (29 s)")
        );
        for sick in [
            Health { failed_last_minute: 6, failing_seconds: 42.0, ..known },
            Health { resets_last_minute: Some(2), ..known },
        ] {
            assert!(sick.sentence().starts_with("better stop and let the drive rest: "), "{}", sick.sentence());
        }
        let warm = Health { celsius: Some(53.0), is_warm: true, ..known };
        assert!(warm.sentence().starts_with("yes, but ") && warm.sentence().ends_with("; warm at 53 °C"));
    }

    #[test]
    fn failed_reads_retries_and_checks_are_one_sentence() {
        let difficult = Difficulties {
            extent: Some(Extent::between(20_971_520, 21_037_056)),
            lba: 40_960,
            failed_requests: 2,
            skipped_bytes: 7_280_000,
            seconds: 14.2,
            ..Difficulties::default()
        };
        assert_eq!(
            Event::Difficult(difficult).sentence().unwrap(),
            "2 reads failed; failures took 14 s, from byte 20,971,520 (LBA 40,960) to byte 21,037,055; 7.28 MB skipped, will be retried"
        );
        let retries = Difficulties {
            retries: 40,
            failed_retries: 1,
            retried_bytes: 1_200_000,
            unreadable_bytes: 512,
            checks: 1,
            ..Difficulties::default()
        };
        assert_eq!(
            Event::Difficult(retries).sentence().unwrap(),
            "40 retries, 1.20 MB read and 1 failed; 512 B unreadable; check: 1 known sector read again, 0 failed"
        );
    }
}
