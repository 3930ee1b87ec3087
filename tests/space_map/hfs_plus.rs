//! HFS+ and HFSX: volumes that Linux's own driver has written to (`testdata/make/hfsplus_volumes.py`), and of Macs. What is in use is what
//! libfshfs says that files and folders occupy, with the special files by the volume header; its count of free blocks agrees.

use super::{Surveyed, common, unpack};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::source::MemorySource;
use serde_json::Value;

const NAMES: [&str; 10] = [
    "hfsplus-4k",
    "hfsplus-512",
    "hfsplus-1k-odd",
    "hfsplus-16k",
    "hfsplus-full",
    "hfsplus-pieces",
    "hfsplus-wrapped",
    "hfsplus-x",
    "hfsplus-grown",
    "hfsplus-grown-full",
];

pub struct Held {
    pub bytes: Vec<u8>,
    pub used: ExtentSet,
    answers: Value,
    start: u64,
    block: u64,
}

impl Held {
    pub fn of(name: &str) -> Held {
        Held::with(common::fixture(name), &common::answers(name))
    }

    fn with(bytes: Vec<u8>, answers: &Value) -> Held {
        let number = |name: &str| answers[name].as_u64().unwrap();
        let (start, block) = (number("first_cluster_byte"), number("cluster_bytes"));
        let runs = answers["allocated"].as_array().unwrap().iter();
        let place =
            |run: &Value| Extent::new(start + run[0].as_u64().unwrap() * block, run[1].as_u64().unwrap() * block);
        let mut used: ExtentSet = runs.filter_map(place).collect();
        // What no block describes: the wrapper, and the rest behind the last block.
        used.insert(Extent::between(0, start));
        used.insert(Extent::between(start + number("cluster_count") * block, bytes.len() as u64));
        Held { bytes, used, answers: answers.clone(), start, block }
    }

    pub fn survey(&self) -> Surveyed {
        Surveyed::of(Box::new(MemorySource::new(self.bytes.clone(), SectorSize::S512)))
    }

    /// The volume with places lost: unreadable, or overwritten.
    pub fn without(&self, places: &[Extent], content: Option<u8>) -> Surveyed {
        let mut bytes = self.bytes.clone();
        for place in places {
            let range = usize::try_from(place.start.0).unwrap()..usize::try_from(place.end()).unwrap();
            bytes[range].fill(content.unwrap_or(0));
        }
        let mut source = MemorySource::new(bytes, SectorSize::S512);
        for place in places.iter().filter(|_| content.is_none()) {
            source = source.with_unreadable(*place);
        }
        Surveyed::of(Box::new(source))
    }

    /// Where a structure lies, by the answers.
    pub fn places(&self, name: &str) -> Vec<Extent> {
        let places = self.answers["places"][name].as_array().unwrap().iter();
        places.map(|place| Extent::new(place[0].as_u64().unwrap(), place[1].as_u64().unwrap()).unwrap()).collect()
    }

    fn field(&self, at: u64) -> u64 {
        let at = usize::try_from(self.start + 1024 + at).unwrap();
        u32::from_be_bytes(self.bytes[at..at + 4].try_into().unwrap()).into()
    }

    fn main_header(&self) -> Extent {
        Extent::new(self.start + 1024, 512).unwrap()
    }

    fn alternate_header(&self) -> Extent {
        Extent::new(self.bytes.len() as u64 - 1024, 512).unwrap()
    }

    /// The allocation file's first extent.
    fn map(&self) -> Extent {
        Extent::new(self.start + self.field(128) * self.block, self.field(132) * self.block).unwrap()
    }

    /// A survey that reads the map, after which exactly what is in use is planned.
    pub fn survey_by_map(&self, name: &str) -> Surveyed {
        let surveyed = self.survey();
        surveyed.space();
        assert_eq!(
            (surveyed.missing(&self.used), surveyed.beyond(&self.used)),
            (0, 0),
            "{name}: {:?}",
            surveyed.codes()
        );
        surveyed.check_reading(name);
        surveyed
    }

    pub fn is_whole(&self, surveyed: &Surveyed) -> bool {
        surveyed.drive.mapped().next().is_none() && surveyed.planned.bytes() == self.bytes.len() as u64
    }
}

#[test]
fn what_is_in_use_is_planned_and_nothing_that_is_free() {
    for name in NAMES {
        let held = Held::of(name);
        let surveyed = held.survey_by_map(name);
        assert_eq!(surveyed.codes(), ["volume-read-by-map"], "{name}");
    }
}

/// Grown volumes have a second extent of the allocation file in the blocks that were added; what is in use there is described by it.
#[test]
fn grown_volumes_have_a_map_in_two_extents() {
    for name in ["hfsplus-grown", "hfsplus-grown-full"] {
        let held = Held::of(name);
        let second = Extent::new(held.field(136) * held.block, held.field(140) * held.block).unwrap();
        assert!(held.field(140) > 0 && held.field(148) == 0, "{name}: two extents");
        let added = Extent::between(held.bytes.len() as u64 / 3, held.bytes.len() as u64);
        let is_full = held.used.bytes_within(added) > 1 << 20;
        assert_eq!(is_full, name.ends_with("full"), "{name}: filled up after it was made longer");
        let surveyed = held.without(&[second], None);
        assert_eq!(surveyed.missing(&held.used), 0, "{name}: {:?}", surveyed.codes());
        assert!(surveyed.codes().contains(&"map-part-unread"), "{name}: {:?}", surveyed.codes());
        let surveyed = held.without(&[second], Some(0));
        assert!(held.is_whole(&surveyed), "{name}: {:?}", surveyed.codes());
    }
}

#[test]
fn an_allocation_file_in_many_fragments_is_followed() {
    let held = Held::of("hfsplus-pieces");
    let blocks = (0..8).map(|extent| held.field(132 + extent * 8)).sum::<u64>();
    assert!(blocks < held.field(124), "two of its extents stand in the extents overflow file");
    // Without the overflow file nothing is known of what they describe, and the count does not tell.
    let overflow = Extent::new(held.start + held.field(208) * held.block, held.field(212) * held.block).unwrap();
    for loss in [None, Some(0)] {
        let surveyed = held.without(&[overflow], loss);
        assert_eq!(surveyed.missing(&held.used), 0, "{loss:?}");
        assert!(held.is_whole(&surveyed), "{loss:?}: {:?}", surveyed.codes());
    }
}

#[test]
fn a_lost_header_or_map_never_leaves_out_what_is_in_use() {
    for name in NAMES.into_iter().filter(|name| *name != "hfsplus-wrapped") {
        let held = Held::of(name);
        let map = held.map();
        for loss in [None, Some(0), Some(0xFF), Some(0x3C)] {
            let surveyed = held.without(&[held.main_header()], loss);
            assert_eq!(surveyed.missing(&held.used), 0, "{name}, header {loss:?}");
            let surveyed = held.without(&[held.alternate_header()], loss);
            assert_eq!(
                (surveyed.missing(&held.used), surveyed.beyond(&held.used)),
                (0, 0),
                "{name}, alternate {loss:?}"
            );
            let surveyed = held.without(&[held.main_header(), held.alternate_header()], loss);
            assert_eq!(surveyed.missing(&held.used), 0, "{name}, both headers {loss:?}");
            let surveyed = held.without(&[map], loss);
            assert_eq!(surveyed.missing(&held.used), 0, "{name}, map {loss:?}");
        }
        // A sector of the map that does not answer costs what it describes, 4,096 blocks; one that lies costs the trust in all.
        let sector = Extent::new(map.start.0, 512).unwrap();
        let surveyed = held.without(&[sector], None);
        assert!(surveyed.codes().contains(&"map-part-unread"), "{name}: {:?}", surveyed.codes());
        let surveyed = held.without(&[sector], Some(0));
        assert!(held.is_whole(&surveyed), "{name}: {:?}", surveyed.codes());
    }
}

/// The alternate header stands in where it knows what the map knows.
#[test]
fn the_alternate_header_stands_in() {
    let mut held = Held::of("hfsplus-4k");
    let (main, alternate) = (held.main_header(), held.alternate_header());
    let header = held.bytes[1024..1536].to_vec();
    let at = usize::try_from(alternate.start.0).unwrap();
    held.bytes[at..at + 512].copy_from_slice(&header);
    for loss in [None, Some(0)] {
        let surveyed = held.without(&[main], loss);
        assert!(surveyed.codes().contains(&"map-from-copy"), "{loss:?}: {:?}", surveyed.codes());
        assert_eq!((surveyed.missing(&held.used), surveyed.beyond(&held.used) > 0), (0, false), "{loss:?}");
    }
}

/// Hostile figures: two extents of the allocation file that overlap, the later one beginning first.
#[test]
fn overlapping_extents_of_the_map_are_survived() {
    let mut held = Held::of("hfsplus-pieces");
    assert_eq!((held.field(128), held.field(132)), (3, 2));
    held.bytes[1024 + 136..1024 + 144].copy_from_slice(&[0, 0, 0, 2, 0, 0, 0, 2]);
    let surveyed = held.without(&[held.alternate_header()], Some(0));
    assert_eq!(surveyed.missing(&held.used), 0, "{:?}", surveyed.codes());
}

/// Attributes of the volume header (TN1150): bit 8 unmounted, bit 11 inconsistent.
#[test]
fn a_volume_that_was_in_use_is_planned_in_full() {
    for change in [0x100u32, 0x800] {
        let mut held = Held::of("hfsplus-4k");
        let attributes = u32::try_from(held.field(4)).unwrap() ^ change;
        held.bytes[1028..1032].copy_from_slice(&attributes.to_be_bytes());
        let surveyed = held.survey();
        assert!(held.is_whole(&surveyed), "{change:#x}: {:?}", surveyed.codes());
    }
}

/// Volumes of Mac OS X and others, which are not in this repository (`testdata/README.md`, samples): file, first byte of the volume,
/// blocks of 4 KiB, and those in use by libfshfs 20260922 (`scripts/reference/hfsplus_answers.py`).
type Sample = (&'static str, u64, u64, &'static [(u64, u64)]);
const SAMPLES: [Sample; 3] = [
    ("disktype-hfs-plus.image.gz", 0, 2048, &[(0, 34), (2047, 1)]),
    ("disktype-hfs-plus-wrapped.image.gz", 45_056, 2036, &[(0, 32), (2035, 1)]),
    ("hfsplus-rs-hfsp-many2.img.xz", 0, 1280, &[(0, 128), (188, 1087), (1279, 1)]),
];

#[test]
fn volumes_of_macs_are_planned_as_they_are_used() {
    let Some(folder) = unpack::folder("HFS+ volumes of others") else { return };
    for (file, start, blocks, in_use) in SAMPLES {
        let into = tempfile::tempdir().unwrap();
        for (name, path) in unpack::unpack(&folder.join(file), into.path()) {
            let answers = serde_json::json!({ "first_cluster_byte": start, "cluster_bytes": 4096, "cluster_count": blocks, "allocated": in_use });
            let held = Held::with(std::fs::read(path).unwrap(), &answers);
            let surveyed = held.survey();
            assert_eq!((surveyed.missing(&held.used), surveyed.beyond(&held.used)), (0, 0), "{name}");
            assert_eq!(surveyed.codes(), ["volume-read-by-map"], "{name}");
        }
    }
}
