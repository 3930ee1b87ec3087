//! One plain recommendation, with the figures it rests on.

use super::next::next_plan;
use super::trouble::Trouble;
use crate::base::human;
use crate::copy::session::Workplace;
use crate::filesystem::Content;
use crate::plan::{Scope, break_even_fullness};
use crate::report::values::costs::{Costs, ScopeReport};
use crate::survey::allocation::DriveMap;
use crate::survey::coherence::Verdict;
use serde::Serialize;

/// What to do, and the figures it rests on.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct Advice {
    /// `whole`, `allocated` or `stop`.
    pub action: &'static str,
    /// Whether the client's folders come first: wherever a volume is read file by file.
    pub wanted_first: bool,
    /// The recommendation in one sentence.
    pub sentence: String,
    /// The figures behind it.
    pub reasons: Vec<String>,
    /// Bytes in use above which reading the whole drive front to back takes no longer than reading what is in use, at the
    /// present fragmentation; 0 when seeks alone take longer.
    pub break_even_bytes: u64,
    /// The command to type next, in lines for a shell; none where the advice is to stop.
    pub next: Vec<String>,
}

/// Leaving the rest must save at least this share of the time of all, or the rest is read too (common practice, no source:
/// free space can hold deleted files that a client wants later).
const WORTHWHILE_SAVING: f64 = 0.10;

/// Whether what is not in use is read too, last: when that costs little more time, and nothing shows that the drive may
/// fail.
pub(in crate::report::values) fn is_rest_worth_reading(seconds: f64, rest_seconds: f64, trouble: &Trouble) -> bool {
    !trouble.is_any() && rest_seconds < (seconds + rest_seconds) * WORTHWHILE_SAVING
}

/// Recommends. `scopes` are those of [`crate::report::values::costs::scope_costs`]; `at` is what commands name.
pub fn advise(
    drive: &DriveMap,
    verdict: Verdict,
    scopes: &[ScopeReport],
    costs: &Costs,
    trouble: &Trouble,
    at: &Workplace,
) -> Advice {
    let of = |scope: Scope| scopes.iter().find(|s| s.scope == scope).expect("all scopes are estimated");
    let (allocated, whole) = (of(Scope::Allocated), of(Scope::Whole));
    let break_even = break_even_fullness(drive.identity.bytes, allocated.extents, &costs.pace);
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of the drive"
    )]
    let break_even_bytes = ((break_even * drive.identity.bytes as f64) as u64).saturating_sub(allocated.unasked_bytes);
    let (understood, mapped) = (drive.volumes().count(), drive.mapped().count());
    let advice = |action, sentence: &str, reasons| {
        let next = next_plan(at, action, understood > 0, costs);
        Advice {
            action,
            wanted_first: understood > 0 && action != STOP,
            sentence: sentence.to_owned(),
            reasons,
            break_even_bytes,
            next: if action == STOP { Vec::new() } else { next },
        }
    };
    if verdict.says_stop() {
        let mut reasons = vec![format!("verdict: {}", verdict.headline())];
        reasons.extend(trouble.reasons());
        return advice(STOP, verdict.advice(), reasons);
    }
    if understood + mapped == 0 {
        let (sentence, reason) = without_volumes(drive, verdict, count_opaque(drive));
        return advice(WHOLE, sentence, vec![reason]);
    }
    let mut reasons = figures(drive, allocated, whole, break_even_bytes, costs);
    let wanted_after = (understood > 0).then_some(of(Scope::Structure).seconds);
    reasons.extend(order_reasons(drive, wanted_after, trouble));
    let action = match is_rest_worth_reading(allocated.seconds, whole.seconds - allocated.seconds, trouble) {
        true => WHOLE,
        false => ALLOCATED,
    };
    let (first, else_) = if understood > 0 { ("Copy the client's folders first, then", "else ") } else { ("Copy", "") };
    let sentence = match (action, trouble.is_any()) {
        (WHOLE, _) => format!("{first} the whole drive, free space last: leaving out the rest would spare little."),
        (_, true) => format!("{first} what {else_}is in use; skip free space: the drive may not last."),
        (_, false) => format!("{first} what {else_}is in use; skip free space."),
    };
    advice(action, &sentence, reasons)
}

/// Volumes of which nothing is read, neither files nor map.
fn count_opaque(drive: &DriveMap) -> usize {
    drive.areas.iter().filter(|area| matches!(area.content, Some(Content::Opaque { .. }))).count()
}

/// Why the order is as it is, and why more counts as in use than files hold. `wanted_after`: seconds until wanted folders are read, where
/// any can be chosen.
fn order_reasons(drive: &DriveMap, wanted_after: Option<f64>, trouble: &Trouble) -> Vec<String> {
    let mut reasons = Vec::new();
    let mapped = drive.mapped().count();
    if mapped > 0 {
        let volumes = human::counted(mapped as u64, "volume is", "volumes are");
        reasons.push(format!("{volumes} read by the allocation map, not file by file: no folders can be chosen there"));
    }
    if let Some(seconds) = wanted_after {
        let seconds = human::seconds(seconds);
        reasons.push(format!("wanted folders first: they come after the structure, {seconds} from the start"));
    }
    match trouble.is_any() {
        true => reasons.extend(trouble.reasons()),
        false => reasons.push("no read has failed so far".to_owned()),
    }
    if drive.layout.outside_unexplained {
        reasons
            .push("what lies outside the known volumes is explained by no sound table and counts as in use".to_owned());
    }
    let opaque = count_opaque(drive);
    if opaque > 0 {
        let volumes = human::counted(opaque as u64, "volume is", "volumes are");
        reasons.push(format!("{volumes} not read: all of it counts as in use"));
    }
    reasons
}

const STOP: &str = "stop";
const WHOLE: &str = "whole";
const ALLOCATED: &str = "allocated";

/// What is done with a drive of which no volume is read file by file, and why.
fn without_volumes(drive: &DriveMap, verdict: Verdict, opaque: usize) -> (&'static str, String) {
    let recognised: Vec<&str> = drive
        .areas
        .iter()
        .filter_map(|area| area.content.as_ref().filter(|content| content.recognised().is_some())?.name())
        .collect();
    if verdict == Verdict::Encrypted {
        return (verdict.advice(), format!("volumes understood: 0, others: {opaque}"));
    }
    if recognised.is_empty() {
        let sentence = "No volume could be understood, so what is in use is not known: if the drive answers with the right size and \
                        what it gives makes sense, copy all of it; if it does not, look at the board and its adaptive data first.";
        return (sentence, format!("volumes understood: 0, others: {opaque}"));
    }
    let sentence = "What is in use on this drive is not known, because its volumes are recognised but not read file by file: copy \
                    all of it.";
    (sentence, format!("recognised and not read file by file: {}", recognised.join(", ")))
}

/// The share in use, and the time of each way.
fn figures(
    drive: &DriveMap,
    allocated: &ScopeReport,
    whole: &ScopeReport,
    break_even_bytes: u64,
    costs: &Costs,
) -> Vec<String> {
    let drive_bytes = drive.identity.bytes;
    let in_use = allocated.bytes - allocated.unasked_bytes;
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = in_use as f64 / drive_bytes.max(1) as f64;
    let front_to_back = costs.model.transfer_seconds(drive.identity.extent(), drive_bytes);
    let saved = if whole.seconds > 0.0 { 1.0 - allocated.seconds / whole.seconds } else { 0.0 };
    let break_even = match break_even_bytes {
        0 => "seeks between the ranges alone take longer than reading front to back".to_owned(),
        bytes => format!("reading front to back is quicker when more than {} are in use", human::bytes(bytes)),
    };
    vec![
        format!(
            "in use: {} of {} ({}), in {}",
            human::bytes(in_use),
            human::bytes(drive_bytes),
            human::share(share),
            human::counted(allocated.extents, "range", "ranges")
        ),
        format!(
            "time: {} for what is in use, {} for all in the plan's order; {} saved, at least {} required",
            human::seconds(allocated.seconds),
            human::seconds(whole.seconds),
            human::share(saved.max(0.0)),
            human::share(WORTHWHILE_SAVING)
        ),
        format!("front to back, no folder first: {}; {break_even}", human::seconds(front_to_back)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::drive::model::preset;
    use crate::drive::model::{ModelChoice, RateOrigin};
    use crate::plan::BridgeRule;
    use crate::report::values::costs::scope_costs;
    use crate::source::{MemorySource, Reader};
    use crate::survey::allocation::{Choices, classify, read_drive};
    use crate::survey::coherence::judge;

    /// A 64 MB FAT16 volume formatted by the fatfs crate, with one file of `share` of it.
    fn volume(share: f64) -> Vec<u8> {
        let mut memory = std::io::Cursor::new(vec![0; 64_000_000 / 512 * 512]);
        fatfs::format_volume(&mut memory, fatfs::FormatVolumeOptions::new()).unwrap();
        let volume = fatfs::FileSystem::new(&mut memory, fatfs::FsOptions::new()).unwrap();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of 60 MB")]
        let content = vec![7; (60e6 * share) as usize];
        std::io::Write::write_all(&mut volume.root_dir().create_file("content.bin").unwrap(), &content).unwrap();
        drop(volume);
        memory.into_inner()
    }

    fn advice(bytes: Vec<u8>, megabytes_a_second: f64, trouble: Trouble) -> Advice {
        let reader = Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None);
        let drive = read_drive(&reader).unwrap();
        let verdict = judge(&drive, &reader).unwrap().verdict;
        let model = preset("desktop-7200").unwrap().model().at_one_rate(megabytes_a_second * 1e6).with_reposition(12.7);
        let choice = ModelChoice { model, origin: RateOrigin::Given };
        advice_by(&drive, verdict, &Costs::new(&choice, None, drive.identity.bytes), trouble)
    }

    fn advice_by(drive: &DriveMap, verdict: Verdict, costs: &Costs, trouble: Trouble) -> Advice {
        let scopes = scope_costs(&classify(drive, &Choices::default()), costs, drive);
        advise(drive, verdict, &scopes, costs, &trouble, &Workplace::default())
    }

    // Source: elementary; 64 MB at 10 MB/s take 6.4 s whole. At 0.01 MB/s half of it takes 53 minutes, all 107.
    #[test]
    fn the_figures_decide() {
        let none = Trouble::default();
        let action = |share, rate, trouble| {
            let advice = advice(volume(share), rate, trouble);
            assert!(advice.wanted_first && advice.sentence.starts_with("Copy the client's folders first"));
            advice.action
        };
        for rate in [10.0, 0.01] {
            assert_eq!([action(0.3, rate, none), action(0.98, rate, none)], ["allocated", "whole"]);
        }
        for trouble in [
            Trouble { failed_requests: 2, ..none },
            Trouble { skipped_bytes: 512, ..none },
            Trouble { unreadable_bytes: 512, ..none },
        ] {
            assert_eq!([action(0.3, 10.0, trouble), action(0.98, 10.0, trouble)], ["allocated"; 2]);
        }
    }

    #[test]
    fn where_the_advice_is_to_stop_nothing_is_to_be_typed() {
        let blank = advice(vec![0; 1 << 20], 10.0, Trouble::default());
        assert_eq!((blank.action, blank.wanted_first, blank.next), ("stop", false, Vec::new()));
    }

    // 30 GB/s, as from memory: one seek then costs more than reading the whole drive. Nothing may be said of 0 bytes.
    #[test]
    fn a_break_even_of_nothing_is_said_in_words() {
        let mut bytes = vec![0; 64_000_000 / 512 * 512 * 3];
        bytes[..64_000_000].copy_from_slice(&volume(0.3));
        let reader = Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None);
        let drive = read_drive(&reader).unwrap();
        let choice = ModelChoice { model: preset("desktop-7200").unwrap().model(), origin: RateOrigin::Assumed };
        let costs = Costs { bridge: BridgeRule::OFF, ..Costs::new(&choice, Some(30e9), drive.identity.bytes) };
        let advice = advice_by(&drive, Verdict::Sound, &costs, Trouble::default());
        assert_eq!(advice.break_even_bytes, 0);
        assert!(advice.reasons.iter().all(|reason| !reason.contains(" 0 B")), "{:?}", advice.reasons);
    }
}
