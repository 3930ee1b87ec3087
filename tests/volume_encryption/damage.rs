//! Encrypted volumes that are damaged: what is lost inside is what would be lost on the plain volume.

use super::encrypted::{Conversion, Form, Lock, Recipe, startup_key_file};
use super::{PASSWORD, common, free_places, keys, prepared, sector_of, volume};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::source::{Keys, MemorySource, Reader};
use gleaner::survey::allocation::{Choices, Class, DriveMap, classify, read_drive};
use std::sync::Arc;

const FIXTURE: &str = "ntfs-cluster-512";

/// What is changed about a recipe for a plain volume.
type Change<'c> = &'c dyn Fn(&mut Recipe, &[u8]);

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

    /// Opened by a start-up key, which needs no stretching.
    fn by_startup_key((plain, mut recipe): (Vec<u8>, Recipe)) -> Bench {
        recipe.locks = vec![Lock::SecurityChip, Lock::StartupKey([0x31; 32])];
        Bench { keys: keys(&[&startup_key_file([0x31; 32])]), ..Bench::of((plain, recipe)) }
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

/// Behind the file system, room for metadata where Windows puts them: the first block in the mebibyte from 33 MiB on.
fn prepared_as_by_windows(method: u16) -> (Vec<u8>, Recipe) {
    let (mut plain, mut recipe) = prepared(FIXTURE, method);
    plain.resize(36 << 20, 0);
    recipe.metadata = [(33 << 20) + 0x95000, 34 << 20, 35 << 20];
    recipe.relocated = (8192, (33 << 20) + 0xA5000);
    (plain, recipe)
}

#[test]
fn a_lost_boot_sector_is_replaced_by_a_block_of_metadata() {
    let changes = [
        (0x8004, Conversion::Finished),
        (0x8000, Conversion::Finished),
        (0x8005, Conversion::Below(10 << 20)),
        (
            0x8004,
            Conversion::Maps {
                chunk: 32768,
                clear: vec![1, 2, 3, 100],
                descriptors: [(33 << 20) + 0xB7000, (34 << 20) + 0x20000],
                map: (34 << 20) + 0x30000,
                log: (34 << 20) + 0x40000,
            },
        ),
    ];
    for (number, (method, conversion)) in changes.into_iter().enumerate() {
        let (plain, mut recipe) = prepared_as_by_windows(method);
        recipe.conversion = conversion;
        let bench = Bench::by_startup_key((plain, recipe));
        let sound = runs(&bench.read(&[]));
        let boot = Extent::new(0, 512).unwrap();
        let drive = bench.read(&[boot]);
        assert!(codes(&drive).contains(&"volume-header-damaged"), "{number}: {:?}", codes(&drive));
        assert_eq!(runs(&drive), sound, "{number}, unreadable");
        let mut image = bench.image.clone();
        image[..512].fill(0);
        let (reader, drive) = bench.read_image(image, &[]);
        assert_eq!(runs(&drive), sound, "{number}, zeroed");
        assert_eq!(reader.totals().repeated_bytes, 0, "{number}");
        // Without a key, the places that the block names come first.
        let source = MemorySource::new(bench.image.clone(), sector_of(FIXTURE)).with_unreadable(boot);
        let drive = read_drive(&Reader::new(Box::new(source), None)).unwrap();
        assert!(codes(&drive).contains(&"volume-encrypted"), "{number}: {:?}", codes(&drive));
        let map = classify(&drive, &Choices::default());
        let first: ExtentSet =
            map.runs().iter().filter(|run| run.class <= Class::Structure).map(|run| run.extent).collect();
        assert!((0..3).all(|copy| first.covers(bench.metadata(copy))), "{number}");
    }
}

/// What does not read as a whole is not believed: parts of it may be in the clear, and nothing tells which.
#[test]
fn without_a_boot_sector_doubt_leaves_all_planned() {
    let bench = Bench::by_startup_key(prepared_as_by_windows(0x8004));
    let boot = Extent::new(0, 512).unwrap();
    // A file record of the client's.
    let mut records = bench.plain.chunks_exact(1024).enumerate().filter(|(_, chunk)| chunk.starts_with(b"FILE"));
    let (record, _) = records.nth(40).unwrap();
    let drive = bench.read(&[boot, Extent::new(record as u64 * 1024, 1024).unwrap()]);
    assert!(codes(&drive).contains(&"encryption-no-files-inside"), "{:?}", codes(&drive));
    assert_eq!(in_use(&drive), bench.image.len() as u64);
    // A block whose checksum is wrong proves nothing.
    let mut image = bench.image.clone();
    image[..512].fill(0);
    image[usize::try_from(bench.recipe.metadata[0]).unwrap() + 84] ^= 1;
    let (_, drive) = bench.read_image(image, &[]);
    assert_eq!(drive.areas.iter().filter(|area| area.content.is_some()).count(), 0);
    assert!(drive.layout.outside_unexplained);
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
    let lost_files = damages(&Bench::new(), 1..=60);
    assert!(lost_files > 5, "the damage hurts: {lost_files} of 60");
    let used_space_only = |recipe: &mut Recipe, plain: &[u8]| {
        let drive = read_drive(&Reader::new(Box::new(MemorySource::new(plain.to_vec(), sector_of(FIXTURE))), None));
        let map = classify(&drive.unwrap(), &Choices::default());
        let free = map.runs().iter().filter(|run| run.class == Class::Free && run.extent.start.0 >= 8192);
        recipe.never_written = free.map(|run| (run.extent.start.0, run.extent.end())).collect();
    };
    let to_go = |recipe: &mut Recipe, _: &[u8]| recipe.form = Form::Removable;
    let in_part = |recipe: &mut Recipe, _: &[u8]| recipe.conversion = Conversion::Below(5 << 20);
    let as_it_is = |_: &mut Recipe, _: &[u8]| {};
    let changes: [(u16, Change<'_>); 5] =
        [(0x8005, &used_space_only), (0x8000, &as_it_is), (0x8001, &in_part), (0x8002, &to_go), (0x8004, &in_part)];
    for (number, (method, change)) in changes.into_iter().enumerate() {
        let (plain, mut recipe) = prepared(FIXTURE, method);
        change(&mut recipe, &plain);
        let from = 100 * (number as u64 + 1);
        let lost_files = damages(&Bench::by_startup_key((plain, recipe)), from..=from + 19);
        assert!(lost_files > 0, "{method:#x}: the damage hurts: {lost_files} of 20");
    }
}

/// Holds the plan of a damaged volume against that of the plain one for each seed; how often a file record was lost.
fn damages(bench: &Bench, seeds: std::ops::RangeInclusive<u64>) -> u64 {
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
    for seed in seeds {
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
    lost_files
}
