//! How much of each place of an area is what.

use crate::base::extent::Extent;
use crate::survey::allocation::Class;

/// Places of a strip.
pub const PLACES: usize = 240;

/// What a place's bytes can be, beside their class; what remains is not copied.
pub(super) const STATES: [&str; 3] = ["copied", "skipped", "could not be read"];

/// One area of the drive, place by place.
#[derive(Clone, PartialEq, Debug)]
pub struct AreaDensity {
    /// What it is called.
    pub name: String,
    /// Where it lies.
    pub extent: Extent,
    /// For each class the share of each place, 0 to 1.
    pub classes: Vec<(Class, Vec<f64>)>,
    /// For copied, skipped and unreadable the share of each place, 0 to 1.
    pub states: [Vec<f64>; 3],
    /// Bytes copied, skipped and unreadable.
    pub state_bytes: [u64; 3],
}

/// The share that `extents` (ascending, apart) take of each of `places` equal places of `area`, 0 to 1.
pub fn shares(area: Extent, places: usize, extents: impl IntoIterator<Item = Extent>) -> Vec<f64> {
    let mut bytes = vec![0u64; places];
    let border = |place: usize| {
        let share = u128::from(area.bytes) * place as u128 / places.max(1) as u128;
        area.start.0 + u64::try_from(share).unwrap_or(u64::MAX)
    };
    let mut place = 0;
    for extent in extents.into_iter().filter_map(|extent| extent.intersection(&area)) {
        while place < places && border(place + 1) <= extent.start.0 {
            place += 1;
        }
        let mut at = place;
        while at < places && border(at) < extent.end() {
            bytes[at] += extent.intersection(&Extent::between(border(at), border(at + 1))).map_or(0, |part| part.bytes);
            at += 1;
        }
    }
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share =
        |(place, bytes): (usize, u64)| bytes as f64 / border(place + 1).saturating_sub(border(place)).max(1) as f64;
    bytes.into_iter().enumerate().map(share).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The plain meaning, byte by byte.
        #[test]
        fn shares_agree_with_a_byte_map(start in 0u64..40, bytes in 1u64..120, places in 1usize..30,
                                        list in prop::collection::vec((0u64..20, 1u64..20), 0..12)) {
            let area = Extent::new(start, bytes).unwrap();
            let mut at = 0;
            let extents: Vec<Extent> = list.iter().map(|(gap, bytes)| {
                let extent = Extent::new(at + gap, *bytes).unwrap();
                at = extent.end() + 1;
                extent
            }).collect();
            let shares = shares(area, places, extents.iter().copied());
            let border = |place: usize| start + bytes * place as u64 / places as u64;
            for (place, share) in shares.iter().enumerate() {
                let of = border(place)..border(place + 1);
                let held = of.clone().filter(|at| extents.iter().any(|e| e.start.0 <= *at && *at < e.end())).count();
                let expected = held as f64 / of.count().max(1) as f64;
                prop_assert!((share - expected).abs() < 1e-9, "place {}: {} instead of {}", place, share, expected);
            }
        }
    }
}
