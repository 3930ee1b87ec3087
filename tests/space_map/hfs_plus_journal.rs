//! HFS+ volumes that were not unmounted, whose newest map stands in the journal (`testdata/make/hfsplus_journals.py`, which lays it out by
//! the published documents). What is in use is what libfshfs says of the volume below, and the journal itself.

use super::hfs_plus::Held;
use super::{Surveyed, common};
use common::damaged::Random;
use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::source::MemorySource;

/// Followed to their end: with checksums of blocks and an old list behind the end; going round within a block; big-endian, without
/// checksums, going round within a list, a transaction of two lists, a leaf of the extents overflow file in it; and empty, an old list
/// behind its end too.
const FOLLOWED: [&str; 4] = ["hfsplus-journal", "hfsplus-journal-wrap", "hfsplus-journal-old", "hfsplus-journal-empty"];

#[test]
fn the_newest_map_is_that_of_the_journal() {
    for name in FOLLOWED {
        let held = Held::of(name);
        let surveyed = held.survey_by_map(name);
        let expected = ["map-old", "volume-dirty", "volume-read-by-map"];
        assert_eq!(surveyed.codes(), expected[usize::from(name.ends_with("empty"))..], "{name}");
    }
}

/// Later systems take what stands behind the end for more transactions: what such a list touches is of unknown mark.
#[test]
fn what_stands_behind_the_end_is_planned() {
    let held = Held::of("hfsplus-journal-behind");
    let surveyed = held.survey();
    assert_eq!(surveyed.missing(&held.used), 0, "{:?}", surveyed.codes());
    assert_eq!(surveyed.codes(), ["map-old", "map-part-doubted", "volume-dirty", "volume-read-by-map"]);
    // Without it, the map in the journal alone would leave out what is in use.
    let surveyed = held.without(&held.places("newest block list"), Some(0));
    assert_eq!(surveyed.codes(), ["map-old", "volume-dirty", "volume-read-by-map"]);
    assert!(surveyed.missing(&held.used) > 0);
}

#[test]
fn a_journal_that_cannot_be_followed_leaves_all_planned() {
    let held = Held::of("hfsplus-journal-cut");
    let surveyed = held.survey();
    assert!(held.is_whole(&surveyed), "{:?}", surveyed.codes());
    for name in FOLLOWED.into_iter().filter(|name| !name.ends_with("empty")) {
        let held = Held::of(name);
        for place in ["journal info block", "journal header", "newest block list"] {
            for loss in [None, Some(0), Some(0x5A)] {
                let surveyed = held.without(&held.places(place), loss);
                assert!(held.is_whole(&surveyed), "{name}, {place} {loss:?}: {:?}", surveyed.codes());
            }
        }
        // One bit of what a checksum covers.
        for place in ["journal header", "newest block list"] {
            let mut held = Held::of(name);
            let at = usize::try_from(held.places(place)[0].start.0).unwrap();
            held.bytes[at + 17] ^= 0x40;
            let surveyed = held.survey();
            assert!(held.is_whole(&surveyed), "{name}, {place}: {:?}", surveyed.codes());
        }
    }
}

/// The newest version of part of the map is lost: what it describes is planned, and nothing else.
#[test]
fn a_lost_block_in_the_journal_costs_what_it_describes() {
    for name in FOLLOWED.into_iter().filter(|name| !name.ends_with("empty")) {
        let held = Held::of(name);
        let place = held.places("newest map in the journal");
        for loss in [None, Some(0), Some(0xFF)] {
            let surveyed = held.without(&place, loss);
            let what = format!("{name} {loss:?}: {:?}", surveyed.codes());
            assert_eq!(surveyed.missing(&held.used), 0, "{what}");
            // Without a checksum only the count of free blocks tells.
            match (name.ends_with("old"), loss) {
                (_, None) => assert!(surveyed.codes().contains(&"map-part-unread"), "{what}"),
                (false, _) => assert!(surveyed.codes().contains(&"map-part-doubted"), "{what}"),
                (true, _) => assert!(held.is_whole(&surveyed), "{what}"),
            }
        }
    }
}

/// The header of a volume that is mounted again may stand in the journal alone.
#[test]
fn a_volume_that_seems_unmounted_has_its_journal_followed() {
    let mut held = Held::of("hfsplus-journal");
    held.bytes[1028..1032].copy_from_slice(&0x2100u32.to_be_bytes());
    let surveyed = held.survey();
    assert_eq!((surveyed.missing(&held.used), surveyed.beyond(&held.used)), (0, 0), "{:?}", surveyed.codes());
    let surveyed = held.without(&held.places("journal header"), None);
    assert!(held.is_whole(&surveyed), "{:?}", surveyed.codes());
}

/// A system that keeps no journal mounted the volume last: what the journal holds is then older than the volume.
#[test]
fn a_journal_that_was_not_kept_is_not_followed() {
    for (attributes, is_planned_whole) in [(0x2100u32, false), (0x2800, true)] {
        let mut held = Held::of("hfsplus-journal-empty");
        held.bytes[1028..1032].copy_from_slice(&attributes.to_be_bytes());
        held.bytes[1032..1036].copy_from_slice(b"H+Lx");
        let surveyed = held.without(&held.places("journal header"), Some(0));
        assert_eq!(held.is_whole(&surveyed), is_planned_whole, "{:?}", surveyed.codes());
        assert_eq!(surveyed.missing(&held.used), 0);
    }
}

/// The volume header's newest version is in the journal, its place at home is lost.
#[test]
fn a_lost_header_is_taken_from_the_journal() {
    let held = Held::of("hfsplus-journal-wrap");
    for loss in [None, Some(0)] {
        let surveyed = held.without(&[Extent::new(1024, 512).unwrap()], loss);
        assert_eq!(
            (surveyed.missing(&held.used), surveyed.beyond(&held.used)),
            (0, 0),
            "{loss:?}: {:?}",
            surveyed.codes()
        );
        assert!(surveyed.drive.mapped().next().is_some(), "{loss:?}: {:?}", surveyed.codes());
    }
}

/// The rule of libyal/libfshfs's document.
fn checksum(bytes: &[u8]) -> u32 {
    let mut sum = 0u32;
    for byte in bytes {
        sum = sum.wrapping_shl(8) ^ sum.wrapping_add((*byte).into());
    }
    !sum
}

/// Figures at random in the journal's header, its newest block list and what tells where it lies, under right checksums.
#[test]
fn hostile_figures_under_right_checksums_are_survived() {
    let of_header = [8, 12, 16, 20, 24, 28, 32, 40];
    let of_list = [0, 2, 4, 12, 32, 36, 40, 44, 48, 52, 56];
    let mut followed = 0;
    for name in ["hfsplus-journal-wrap", "hfsplus-journal-old"] {
        let held = Held::of(name);
        let at = |place: &str| usize::try_from(held.places(place)[0].start.0).unwrap();
        let (info, header, list) = (at("journal info block"), at("journal header"), at("newest block list"));
        let is_little_endian = held.bytes[header] == 0x78;
        for seed in 0..120 {
            let mut random = Random(seed * 2 + 1);
            let (where_to, field, summed, sum_at) = match seed % 3 {
                0 => (info, random.of(&[36, 40, 44, 48]), 0, 0),
                1 => (header, random.of(&of_header), 44, 36),
                _ => (list, random.of(&of_list), 32, 8),
            };
            let mut value = match random.below(4) {
                0 => u32::MAX,
                1 => 1 << random.below(32),
                2 => u32::try_from(random.below(1 << 17)).unwrap(),
                _ => 0,
            }
            .to_be_bytes();
            let mut bytes = held.bytes.clone();
            if is_little_endian && where_to != info {
                value.reverse();
            }
            bytes[where_to + field..where_to + field + 4].copy_from_slice(&value);
            if summed > 0 {
                bytes[where_to + sum_at..where_to + sum_at + 4].fill(0);
                let mut sum = checksum(&bytes[where_to..where_to + summed]).to_be_bytes();
                if is_little_endian {
                    sum.reverse();
                }
                bytes[where_to + sum_at..where_to + sum_at + 4].copy_from_slice(&sum);
            }
            let surveyed = Surveyed::of(Box::new(MemorySource::new(bytes, SectorSize::S512)));
            followed += u32::from(surveyed.codes().contains(&"map-old"));
        }
    }
    assert!(followed > 0, "no change under a right checksum was believed");
}
