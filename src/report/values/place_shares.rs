//! How much of each of many places side by side some extents take: what every picture of a drive or an area shows.

use crate::base::extent::Extent;
use std::cmp::Ordering;

/// Places side by side, by their borders: one more than there are places, ascending.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Places(Vec<u64>);

impl Places {
    /// So many places of one size, as nearly as whole bytes allow.
    pub fn equal(area: Extent, places: usize) -> Places {
        let border = |place: usize| {
            let share = u128::from(area.bytes) * place as u128 / places.max(1) as u128;
            area.start.0 + u64::try_from(share).unwrap_or(u64::MAX)
        };
        Places((0..=places).map(border).collect())
    }

    /// So many places of `place_bytes` bytes from byte 0 on; the last may be shorter, or empty where the drive ends before.
    pub fn of_size(place_bytes: u64, places: usize, drive_bytes: u64) -> Places {
        Places((0..=places as u64).map(|place| place.saturating_mul(place_bytes).min(drive_bytes)).collect())
    }

    /// The share of each place that `extents` take, 0 to 1; where extents meet twice, at most 1.
    pub fn shares(&self, extents: impl IntoIterator<Item = Extent>) -> Vec<f64> {
        let places: Vec<Extent> = self.0.windows(2).map(|pair| Extent::between(pair[0], pair[1])).collect();
        let mut taken = vec![0u64; places.len()];
        for extent in extents {
            let before = |place: &Extent| place.end().cmp(&extent.start.0) != Ordering::Greater;
            let first = places.partition_point(before);
            for (place, taken) in places.iter().zip(&mut taken).skip(first) {
                if place.start.0 >= extent.end() {
                    break;
                }
                *taken += place.intersection(&extent).map_or(0, |shared| shared.bytes);
            }
        }
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let share = |(place, taken): (&Extent, u64)| (taken as f64 / place.bytes.max(1) as f64).min(1.0);
        places.iter().zip(taken).map(share).collect()
    }
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
            let shares = Places::equal(area, places).shares(extents.iter().copied());
            let border = |place: usize| start + bytes * place as u64 / places as u64;
            for (place, share) in shares.iter().enumerate() {
                let of = border(place)..border(place + 1);
                let held = of.clone().filter(|at| extents.iter().any(|e| e.start.0 <= *at && *at < e.end())).count();
                let expected = held as f64 / of.count().max(1) as f64;
                prop_assert!((share - expected).abs() < 1e-9, "place {}: {} instead of {}", place, share, expected);
            }
        }
    }

    #[test]
    fn the_last_place_of_one_size_is_shorter() {
        let bytes = 10 * 360 - 5;
        let of = |start, end| Places::of_size(10, 360, bytes).shares([Extent::between(start, end)]);
        assert!(of(0, bytes).iter().all(|share| (share - 1.0).abs() < 1e-9));
        let some = of(5, 12);
        assert_eq!((some[0], some[1], some[2]), (0.5, 0.2, 0.0));
        assert!((of(bytes - 1, bytes)[359] - 0.2).abs() < 1e-9);
        assert_eq!(Places::of_size(1, 360, 0).shares([]), vec![0.0; 360]);
        assert_eq!(Places::of_size(1, 360, 1).shares([Extent::between(0, 1)])[..2], [1.0, 0.0]);
        let twice = [Extent::between(0, 6), Extent::between(4, 10)];
        assert_eq!(Places::of_size(10, 1, 10).shares(twice), [1.0]);
    }
}
