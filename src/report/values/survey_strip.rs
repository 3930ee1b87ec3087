//! The drive as a survey finds it: how much of each place is in use, and what for.

use super::place_shares::Places;
use crate::survey::allocation::{Class, ClassMap};
use serde::Serialize;

/// Number of places a strip has.
const PLACES: u64 = 64;

/// The drive cut into equal places.
#[derive(Serialize, Debug, Clone, PartialEq)]
pub struct SurveyStrip {
    /// Bytes of one place (the last may be shorter).
    pub place_bytes: u64,
    /// For each place the share that is in use, 0 to 1: everything from tables to unclaimed.
    pub in_use: Vec<f64>,
    /// For each place the share that is tables and structure, 0 to 1.
    pub structure: Vec<f64>,
}

impl SurveyStrip {
    /// The strip of a drive of `bytes` bytes.
    pub fn of(map: &ClassMap, bytes: u64) -> SurveyStrip {
        let place_bytes = bytes.div_ceil(PLACES).max(1);
        let number = usize::try_from(bytes.div_ceil(place_bytes)).expect("at most 64");
        let places = Places::of_size(place_bytes, number, bytes);
        let up_to =
            |last: Class| places.shares(map.runs().iter().filter(|run| run.class <= last).map(|run| run.extent));
        SurveyStrip { place_bytes, in_use: up_to(Class::Unclaimed), structure: up_to(Class::Structure) }
    }
}
