//! One plain recommendation, with the figures it rests on.

use super::costs::{Costs, ScopeReport};
use crate::allocation::DriveMap;
use crate::fs::Content;
use crate::plan::{Scope, break_even_fullness};
use crate::source::ReadTotals;
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
pub fn advise(drive: &DriveMap, scopes: &[ScopeReport], costs: &Costs, reading: &ReadTotals) -> Advice {
    let of = |scope: Scope| scopes.iter().find(|s| s.scope == scope).expect("all scopes are reckoned");
    let (whole, allocated, files, structure) =
        (of(Scope::Whole), of(Scope::Allocated), of(Scope::Files), of(Scope::Structure));
    let in_use = allocated.bytes - allocated.unasked_bytes;
    let break_even = break_even_fullness(drive.identity.bytes, allocated.extents, &costs.pace);
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of the drive"
    )]
    let break_even_bytes = ((break_even * drive.identity.bytes as f64) as u64).saturating_sub(allocated.unasked_bytes);
    let saving = if whole.seconds > 0.0 { 1.0 - allocated.seconds / whole.seconds } else { 0.0 };
    let mut reasons = vec![
        format!(
            "in use: {} bytes in {} stretches; reading only these pays as long as fewer than {} bytes are in use (the break-even)",
            in_use, allocated.extents, break_even_bytes
        ),
        format!(
            "time for what is in use {:.0} s, for the whole drive {:.0} s: {:.0} % saved (at least {:.0} % asked)",
            allocated.seconds,
            whole.seconds,
            saving * 100.0,
            WORTHWHILE_SAVING * 100.0
        ),
    ];
    if reading.failed_requests > 0 {
        reasons.push(format!("{} reads failed during this survey: the drive may not last", reading.failed_requests));
    }
    let advice = |action, sentence: String, reasons| Advice { action, sentence, reasons, break_even_bytes };
    let understood = drive.volumes().count();
    let opaque = drive.areas.iter().filter(|a| matches!(a.content, Some(Content::Opaque { .. }))).count();
    if understood == 0 {
        reasons.truncate(0);
        reasons.push(format!("volumes understood: 0, others: {opaque}"));
        return advice(
            "whole",
            "No volume could be understood, so what is in use is not known: if the drive answers with the right size and \
             its first sectors are not plain garbage, copy all of it; if they are, look at the board and its adaptive data first."
                .to_owned(),
            reasons,
        );
    }
    if opaque > 0 {
        reasons.push(format!("{opaque} volumes are not read file by file and count as wholly in use"));
    }
    if saving < WORTHWHILE_SAVING {
        return advice(
            "whole",
            "Copy the whole drive: reading only what is in use would save too little to give up the rest.".to_owned(),
            reasons,
        );
    }
    if allocated.seconds > LONG_SECONDS || reading.failed_requests > 0 {
        reasons.push(format!(
            "structure alone takes {:.0} s, all live files {:.0} s: what the client needs most can be safe long before the rest",
            structure.seconds, files.seconds
        ));
        return advice(
            "wanted-first",
            "Ask the client which folders matter and read those right after the structure, then the rest of what is in use: \
             `folders` shows where the bytes are, `plan --want` puts them first."
                .to_owned(),
            reasons,
        );
    }
    advice(
        "allocated",
        "Copy what is in use and leave free space: it is quick enough to be read in one go.".to_owned(),
        reasons,
    )
}
