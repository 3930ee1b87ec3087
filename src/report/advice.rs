//! One plain recommendation, with the figures it rests on.

use super::costs::{Costs, ScopeReport};
use super::trouble::Trouble;
use crate::allocation::DriveMap;
use crate::coherence::Verdict;
use crate::fs::Content;
use crate::human;
use crate::plan::{Scope, break_even_fullness};
use serde::Serialize;

/// What to do, and the figures it rests on.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct Advice {
    /// `whole`, `allocated`, `wanted-first` or `stop`.
    pub action: &'static str,
    /// The recommendation in one sentence.
    pub sentence: String,
    /// The figures behind it.
    pub reasons: Vec<String>,
    /// Bytes in use above which reading the whole drive takes no longer than reading what is in use, at the present
    /// fragmentation.
    pub break_even_bytes: u64,
}

/// Reading only what is in use must save at least this share of the time of a whole copy to be worth doing without
/// the rest (common practice, no source: free space can hold deleted files that a client asks for later).
const WORTHWHILE_SAVING: f64 = 0.10;

/// A reading longer than this is begun with what the client needs most (common practice, no source).
const LONG_SECONDS: f64 = 3600.0;

/// Recommends. `scopes` are those of [`super::costs::scope_costs`].
pub fn advise(drive: &DriveMap, verdict: Verdict, scopes: &[ScopeReport], costs: &Costs, trouble: &Trouble) -> Advice {
    let of = |scope: Scope| scopes.iter().find(|s| s.scope == scope).expect("all scopes are reckoned");
    let (allocated, files, structure) = (of(Scope::Allocated), of(Scope::Files), of(Scope::Structure));
    // The rival is the drive read from front to back in one go, not the plan of scope `whole`, which goes class by class.
    let whole_seconds = costs.model.transfer_seconds(drive.identity.extent(), drive.identity.bytes);
    let in_use = allocated.bytes - allocated.unasked_bytes;
    let break_even = break_even_fullness(drive.identity.bytes, allocated.extents, &costs.pace);
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of the drive"
    )]
    let break_even_bytes = ((break_even * drive.identity.bytes as f64) as u64).saturating_sub(allocated.unasked_bytes);
    let saving = if whole_seconds > 0.0 { 1.0 - allocated.seconds / whole_seconds } else { 0.0 };
    let mut reasons = vec![
        format!(
            "in use: {} in {} pieces; reading only that is quicker than reading front to back as long as less than {} is in use \
             (the break-even at this fragmentation)",
            human::bytes(in_use),
            human::count(allocated.extents),
            human::bytes(break_even_bytes)
        ),
        format!(
            "time for what is in use: {}; for the whole drive front to back: {}; {}, {} asked",
            human::seconds(allocated.seconds),
            human::seconds(whole_seconds),
            if saving > 0.0 { format!("{} saved", human::share(saving)) } else { "nothing saved".to_owned() },
            human::share(WORTHWHILE_SAVING)
        ),
    ];
    reasons.extend(trouble.reasons());
    let advice = |action, sentence: String, reasons| Advice { action, sentence, reasons, break_even_bytes };
    let understood = drive.volumes().count();
    let opaque = drive.areas.iter().filter(|a| matches!(a.content, Some(Content::Opaque { .. }))).count();
    if verdict.says_stop() {
        let mut reasons = vec![format!("verdict: {}", verdict.headline())];
        reasons.extend(trouble.reasons());
        return advice("stop", verdict.advice().to_owned(), reasons);
    }
    if verdict == Verdict::Encrypted && understood == 0 {
        reasons.truncate(0);
        reasons.push(format!("volumes understood: {understood}, others: {opaque}"));
        return advice("whole", verdict.advice().to_owned(), reasons);
    }
    let recognised: Vec<&str> = drive
        .areas
        .iter()
        .filter_map(|area| area.content.as_ref().filter(|content| content.recognised().is_some())?.name())
        .collect();
    if understood == 0 && !recognised.is_empty() {
        reasons.truncate(0);
        reasons.push(format!("recognised and not read file by file: {}", recognised.join(", ")));
        let sentence = "What is in use on this drive is not known, because its volumes are recognised but not read file by file: copy \
                        all of it.";
        return advice("whole", sentence.to_owned(), reasons);
    }
    if understood == 0 {
        reasons.truncate(0);
        reasons.push(format!("volumes understood: 0, others: {opaque}"));
        return advice(
            "whole",
            "No volume could be understood, so what is in use is not known: if the drive answers with the right size and \
             what it gives makes sense, copy all of it; if it does not, look at the board and its adaptive data first."
                .to_owned(),
            reasons,
        );
    }
    if drive.layout.outside_unexplained {
        reasons
            .push("what lies outside the known volumes is explained by no sound table and counts as in use".to_owned());
    }
    if opaque > 0 {
        reasons.push(format!("{opaque} volumes are not read file by file and count as wholly in use"));
    }
    let little_saved = saving < WORTHWHILE_SAVING;
    if allocated.seconds > LONG_SECONDS || trouble.is_any() {
        reasons.push(format!(
            "structure alone takes {}, all live files {}: what the client needs most can be safe long before the rest",
            human::seconds(structure.seconds),
            human::seconds(files.seconds)
        ));
        let rest = if little_saved { "then all the rest of the drive" } else { "then the rest of what is in use" };
        let sentence = format!(
            "Ask the client which folders matter and read those right after the structure, {rest}: `folders` shows where the bytes \
             are, `plan --want` puts them first."
        );
        return advice("wanted-first", sentence, reasons);
    }
    if little_saved {
        return advice(
            "whole",
            "Copy the whole drive: reading only what is in use would save too little to give up the rest.".to_owned(),
            reasons,
        );
    }
    advice(
        "allocated",
        "Copy what is in use and leave free space: it is quick enough to be read in one go.".to_owned(),
        reasons,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::allocation::{Choices, classify, read_drive};
    use crate::coherence::judge;
    use crate::model::preset;
    use crate::report::costs::{RateOrigin, Reckoning, scope_costs};
    use crate::source::{MemorySource, Reader};
    use crate::units::SectorSize;

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

    fn action(bytes: Vec<u8>, megabytes_a_second: f64, trouble: Trouble) -> &'static str {
        let reader = Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None);
        let drive = read_drive(&reader).unwrap();
        let verdict = judge(&drive, &reader).unwrap().verdict;
        let model = preset("desktop-7200").unwrap().model().at_one_rate(megabytes_a_second * 1e6).with_reposition(12.7);
        let reckoning = Reckoning { model, origin: RateOrigin::Given };
        let costs = Costs::new(&reckoning, None, drive.identity.bytes);
        let scopes = scope_costs(&classify(&drive, &Choices::default()), &costs, &drive);
        advise(&drive, verdict, &scopes, &costs, &trouble).action
    }

    // Source: elementary; 64 MB at 10 MB/s take 6.4 s whole. At 0.01 MB/s half of it takes 53 minutes, all 107.
    #[test]
    fn the_figures_decide() {
        let none = Trouble::default();
        assert_eq!(action(volume(0.3), 10.0, none), "allocated");
        assert_eq!(action(volume(0.98), 10.0, none), "whole");
        assert_eq!(action(volume(0.3), 10.0, Trouble { failed_requests: 2, ..none }), "wanted-first");
        assert_eq!(action(volume(0.3), 10.0, Trouble { skipped_bytes: 512, ..none }), "wanted-first");
        assert_eq!(action(volume(0.3), 10.0, Trouble { unreadable_bytes: 512, ..none }), "wanted-first");
        assert_eq!(action(volume(0.98), 0.01, none), "wanted-first");
        assert_eq!(action(vec![0; 1 << 20], 10.0, none), "stop");
    }
}
