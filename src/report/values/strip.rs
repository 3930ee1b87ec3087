//! The drive as a strip: how much of each place is in use, and what for.

use crate::survey::allocation::{Class, ClassMap};
use serde::Serialize;

/// Number of places a strip has.
const PLACES: u64 = 64;

/// The drive cut into equal places.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct Strip {
    /// Bytes of one place (the last may be shorter).
    pub place_bytes: u64,
    /// For each place the share that is in use, 0 to 1: everything from tables to unclaimed.
    pub in_use: Vec<f64>,
    /// For each place the share that is tables and structure, 0 to 1.
    pub structure: Vec<f64>,
}

/// Makes the strip of a drive of `bytes` bytes.
pub fn strip(map: &ClassMap, bytes: u64) -> Strip {
    let place_bytes = bytes.div_ceil(PLACES).max(1);
    let places = usize::try_from(bytes.div_ceil(place_bytes)).expect("at most 64");
    let mut used = vec![0u64; places];
    let mut structure = vec![0u64; places];
    for run in map.runs().iter().filter(|run| run.class <= Class::Unclaimed) {
        let mut at = run.extent.start.0;
        while at < run.extent.end() {
            let place = at / place_bytes;
            let until = run.extent.end().min((place + 1) * place_bytes);
            let index = usize::try_from(place).expect("at most 64");
            used[index] += until - at;
            if run.class <= Class::Structure {
                structure[index] += until - at;
            }
            at = until;
        }
    }
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = |(index, count): (usize, u64)| {
        let start = index as u64 * place_bytes;
        count as f64 / (bytes - start).min(place_bytes) as f64
    };
    Strip {
        place_bytes,
        in_use: used.into_iter().enumerate().map(share).collect(),
        structure: structure.into_iter().enumerate().map(share).collect(),
    }
}
