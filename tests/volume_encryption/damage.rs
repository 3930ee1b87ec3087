//! Encrypted volumes that are damaged: what is lost inside is what would be lost on the plain volume.

use super::encrypted::{Conversion, Recipe};
use super::{PASSWORD, common, free_places, keys, prepared, sector_of, volume};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::source::{Keys, MemorySource, Reader};
use gleaner::survey::allocation::{Choices, Class, DriveMap, classify, read_drive};
use std::sync::Arc;

const FIXTURE: &str = "ntfs-cluster-512";

struct Bench {
    plain: Vec<u8>,
    recipe: Recipe,
    image: Vec<u8>,
    /// One for all, so that the password is stretched once.
    keys: Arc<Keys>,
}

impl Bench {
    fn new() -> Bench {
        Bench::of(prepared(FIXTURE, 0x8004))
    }

    fn of((plain, recipe): (Vec<u8>, Recipe)) -> Bench {
        let image = recipe.encrypt(&plain);
        Bench { plain, recipe, image, keys: keys(&[PASSWORD.as_bytes()]) }
    }

    fn read_image(&self, image: Vec<u8>, unreadable: &[Extent]) -> (Reader, DriveMap) {
        let source = MemorySource::new(image, sector_of(FIXTURE));
        let source = unreadable.iter().fold(source, |source, extent| source.with_unreadable(*extent));
        let reader = Reader::new(Box::new(source), None).with_keys(Arc::clone(&self.keys));
        let drive = read_drive(&reader).unwrap();
        (reader, drive)
    }

    fn read(&self, unreadable: &[Extent]) -> DriveMap {
        self.read_image(self.image.clone(), unreadable).1
    }

    fn metadata(&self, copy: usize) -> Extent {
        Extent::new(self.recipe.metadata[copy], 65536).unwrap()
    }
}

fn codes(drive: &DriveMap) -> Vec<&'static str> {
    common::codes(&drive.all_findings())
}

fn runs(drive: &DriveMap) -> Vec<(u64, u64, Class)> {
    let map = classify(drive, &Choices::default());
    map.runs().iter().map(|run| (run.extent.start.0, run.extent.end(), run.class)).collect()
}

/// Bytes that are neither free nor left by deleted files.
fn in_use(drive: &DriveMap) -> u64 {
    let map = classify(drive, &Choices::default());
    [Class::Tables, Class::Structure, Class::Wanted, Class::Files, Class::Bulk, Class::Unclaimed]
        .into_iter()
        .map(|class| map.bytes_of(class))
        .sum()
}

#[test]
fn any_copy_of_the_metadata_is_enough() {
    let bench = Bench::new();
    let sound = runs(&bench.read(&[]));
    for good in 0..3 {
        let others: Vec<Extent> = (0..3).filter(|copy| *copy != good).map(|copy| bench.metadata(copy)).collect();
        let drive = bench.read(&others);
        assert!(volume(&drive).encryption.is_some(), "copy {good}, others unreadable");
        let mut image = bench.image.clone();
        for other in &others {
            let at = usize::try_from(other.start.0).unwrap();
            image[at..at + 65536]
                .iter_mut()
                .enumerate()
                .for_each(|(n, byte)| *byte = u8::try_from(n * 31 % 251).unwrap());
        }
        let (_, drive) = bench.read_image(image, &[]);
        assert_eq!(runs(&drive), sound, "copy {good}, others overwritten");
        assert_eq!(codes(&drive).contains(&"encryption-metadata-copy"), good > 0);
    }
}

#[test]
fn a_wrong_checksum_is_passed_over_and_no_obstacle() {
    let bench = Bench::new();
    let sound = runs(&bench.read(&[]));
    // In the description of the volume: nothing that opens it.
    let spoil = |copies: &[usize]| {
        let mut image = bench.image.clone();
        copies.iter().for_each(|copy| image[usize::try_from(bench.recipe.metadata[*copy]).unwrap() + 84] ^= 1);
        bench.read_image(image, &[]).1
    };
    let drive = spoil(&[0, 1]);
    assert_eq!(runs(&drive), sound);
    assert!(
        codes(&drive).contains(&"encryption-metadata-copy") && !codes(&drive).contains(&"encryption-metadata-changed")
    );
    let drive = spoil(&[0, 1, 2]);
    assert_eq!(runs(&drive), sound);
    assert!(codes(&drive).contains(&"encryption-metadata-changed"), "{:?}", codes(&drive));
}

#[test]
fn without_metadata_all_is_planned_and_their_places_come_first() {
    let bench = Bench::new();
    let all: Vec<Extent> = (0..3).map(|copy| bench.metadata(copy)).collect();
    let (reader, drive) = bench.read_image(bench.image.clone(), &all);
    assert_eq!(drive.volumes().count(), 0);
    assert!(codes(&drive).contains(&"encryption-metadata-lost"));
    assert_eq!(in_use(&drive), bench.image.len() as u64);
    let map = classify(&drive, &Choices::default());
    for place in &all {
        assert!(
            map.runs()
                .iter()
                .filter(|run| run.extent.intersection(place).is_some())
                .all(|run| run.class == Class::Structure)
        );
    }
    // A few for each copy, to find the edge of the bad range.
    assert!(reader.totals().failed_requests <= 16, "{}", reader.totals().failed_requests);
    // The key may still be right: nothing is said against it.
    drive.check_keys(&bench.keys).unwrap();
}

#[test]
fn a_lost_first_sector_is_replaced_by_its_copy_inside() {
    let bench = Bench::new();
    let sound = bench.read(&[]);
    let drive = bench.read(&[Extent::new(bench.recipe.relocated.1, 8192).unwrap()]);
    let volume = volume(&drive);
    assert_eq!(volume.catalog.len(), super::volume(&sound).catalog.len());
    assert!(in_use(&drive) >= in_use(&sound));
    assert!(codes(&drive).contains(&"unreadable-sectors") || codes(&drive).contains(&"structure-not-read-yet"));
}

#[test]
fn maps_that_cannot_be_used_are_not_guessed_at() {
    let (plain, mut recipe) = prepared(FIXTURE, 0x8004);
    let places = free_places(FIXTURE, &plain, 65536, 8);
    let (descriptors, map) = ([places[4], places[5]], places[6]);
    recipe.conversion = Conversion::Maps { chunk: 32768, clear: vec![1, 2], descriptors, map, log: places[7] };
    let bench = Bench::of((plain, recipe));
    let place = |at: u64| Extent::new(at, 512).unwrap();
    assert!(volume(&bench.read(&[place(descriptors[0])])).encryption.is_some());
    for lost in [vec![place(descriptors[0]), place(descriptors[1])], vec![place(map)]] {
        let drive = bench.read(&lost);
        assert!(codes(&drive).contains(&"encryption-layout-lost"), "{:?}", codes(&drive));
        assert_eq!(in_use(&drive), bench.image.len() as u64);
    }
}

/// A small deterministic generator (xorshift64*).
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % limit
    }
}

/// The statement for random damage: what an encrypted volume's plan then takes is what the plan of the plain volume takes.
#[test]
fn unreadable_sectors_cost_what_they_cost_on_the_plain_volume() {
    let bench = Bench::new();
    let as_read = bench.recipe.plain_of(&bench.plain);
    let mut apart: ExtentSet = (0..3).map(|copy| bench.metadata(copy)).collect();
    apart.insert(Extent::between(0, 8192));
    apart.insert(Extent::new(bench.recipe.relocated.1, 8192).unwrap());
    let sectors = as_read.len() as u64 / 512;
    let structure: Vec<Extent> = {
        let map = classify(&bench.read(&[]), &Choices::default());
        let runs = map.runs().iter().filter(|run| run.class <= Class::Structure);
        runs.flat_map(|run| apart.missing_from(run.extent)).collect()
    };
    let mut lost_files = 0;
    for seed in 1..=60 {
        let mut random = Random(seed);
        let place = |random: &mut Random| {
            // Half of them where they hurt.
            let start = match random.below(2) {
                0 => random.below(sectors) * 512,
                _ => {
                    let run = structure[usize::try_from(random.below(structure.len() as u64)).unwrap()];
                    run.start.0 + random.below(run.bytes / 512) * 512
                }
            };
            Extent::between(start, (start + 512 * (1 + random.below(4))).min(sectors * 512))
        };
        let places: ExtentSet = (0..=random.below(3)).map(|_| place(&mut random)).collect();
        let places: Vec<Extent> = places.extents().iter().flat_map(|place| apart.missing_from(*place)).collect();
        let source = MemorySource::new(as_read.clone(), sector_of(FIXTURE));
        let source = places.iter().fold(source, |source, extent| source.with_unreadable(*extent));
        let expected = read_drive(&Reader::new(Box::new(source), None)).unwrap();
        let drive = bench.read(&places);
        let cut = |drive: &DriveMap| -> Vec<(u64, u64, Class)> {
            let map = classify(drive, &Choices::default());
            let parts = map.runs().iter().flat_map(|run| {
                apart.missing_from(run.extent).into_iter().map(|part| (part.start.0, part.end(), run.class))
            });
            parts.collect()
        };
        assert_eq!(cut(&drive), cut(&expected), "seed {seed}: {places:?}");
        lost_files += u64::from(volume(&drive).catalog_incomplete);
    }
    assert!(lost_files > 5, "the damage hurts: {lost_files} of 60");
}
