//! What damage costs a container: structure lost singly and in telling pairs, and at random.
//!
//! The statement that random damage is held to: a block that the newest checkpoint had in use may be missing from the plan only if
//! bytes were changed in silence, and these are
//!
//! 1. its bitmap, which has no checksum, and still has as many bits set as are counted; or
//! 2. its chunk information, while something that leads to it from the newest checkpoint was lost as well.
//!
//! So read errors lose nothing, however many there are.

use crate::built::{Built, Places, Shape};
use crate::common::damaged::Random;
use crate::fixture::{BASE, in_partition};
use crate::harm::{self, Targets};
use crate::overlay::{Damaged, Sound};
use crate::survey::{Survey, survey};
use crate::{bytes_of, map_of, missing, told};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Severity;
use std::sync::Arc;

const BLOCK: u64 = 4096;

/// 129 chunks, two chunk-info blocks.
const BLOCKS: u64 = 4_200_000;

/// A drive with a GPT and a container in its one partition, in which three checkpoints each added a file in another chunk.
struct Disk {
    sound: Arc<Sound>,
    places: Places,
    before: Places,
    superblocks: Vec<u64>,
    pool: (u64, u64),
    object_map: u64,
    in_use: ExtentSet,
    container: Extent,
}

impl Disk {
    fn new() -> Disk {
        let files = [(40_000, 100), (4_150_000, 60), (100_000, 50)];
        let list: Vec<&[(u64, u64)]> = (1..=files.len()).map(|count| &files[..count]).collect();
        let built = Built::with(Shape::new(BLOCK, BLOCKS), &list);
        let container = Extent::between(BASE, BASE + BLOCKS * BLOCK);
        let sound = in_partition(&built.drive);
        let everywhere = Extent::between(0, BLOCKS * BLOCK);
        let in_use = bytes_of(&built.in_use(&files), BLOCK, everywhere);
        let in_use = in_use.extents().iter().map(|e| Extent::between(BASE + e.start.0, BASE + e.end())).collect();
        Disk {
            sound: Arc::new(sound),
            places: built.checkpoints[2].clone(),
            before: built.checkpoints[1].clone(),
            superblocks: built.checkpoints.iter().map(|places| places.superblock).collect(),
            pool: built.pool(),
            object_map: built.object_map(),
            in_use,
            container,
        }
    }

    fn place(&self, block: u64) -> Extent {
        Extent::between(BASE + block * BLOCK, BASE + (block + 1) * BLOCK)
    }

    fn survey_without(&self, blocks: &[u64], unreadable: bool) -> Survey {
        let mut drive = Damaged::new(&self.sound);
        for place in blocks.iter().map(|block| self.place(*block)) {
            if unreadable {
                drive.lose(place);
            } else {
                place.pieces(512).for_each(|sector| drive.set_sector(sector.start.0, [0; 512]));
            }
        }
        survey(drive)
    }

    /// Bytes of the container that are planned and were not in use.
    fn excess(&self, survey: &Survey) -> u64 {
        survey.planned.bytes_within(self.container) - self.in_use.bytes()
    }
}

/// What a loss costs beside the lost.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Cost {
    /// Nothing.
    Nothing,
    /// So many blocks that are free are planned.
    Blocks(u64),
    /// All of the container is planned.
    Whole,
    /// Chunk information of that time may be overwritten: something between nothing and all.
    Any,
}

#[test]
fn no_lost_structure_leaves_out_what_is_in_use() {
    use Cost::{Any, Blocks, Nothing, Whole};
    let disk = Disk::new();
    let (newest, before) = (&disk.places, &disk.before);
    let chunk = 8 * BLOCK;
    let pool: Vec<u64> = (disk.pool.0..disk.pool.0 + disk.pool.1).collect();
    let older = "map-of-older-checkpoint";
    let cases: [(&str, Vec<u64>, Cost, &str); 13] = [
        ("nothing", vec![], Nothing, "volume-read-by-map"),
        ("block zero", vec![0], Nothing, "map-from-copy"),
        ("the newest superblock", vec![newest.superblock], Nothing, older),
        ("the newest map", newest.maps.clone(), Nothing, older),
        ("the newest space manager", newest.manager.clone(), Nothing, older),
        ("the newest two superblocks", vec![newest.superblock, before.superblock], Any, older),
        ("all superblocks but block zero", disk.superblocks.clone(), Whole, "map-unusable"),
        ("the object map", vec![disk.object_map], Nothing, "object-map-lost"),
        ("a bitmap", vec![newest.bitmaps[&1]], Blocks(chunk - 100), "map-part"),
        ("first chunk information", vec![newest.infos[0]], Blocks(126 * chunk), "map-part"),
        ("second chunk information", vec![newest.infos[1]], Blocks(BLOCKS - 126 * chunk - 60), "map-part"),
        ("the pool", pool, Whole, "map-part"),
        ("the newest superblock and first chunk information", vec![newest.superblock, newest.infos[0]], Any, older),
    ];
    for (what, blocks, cost, code) in &cases {
        for unreadable in [true, false] {
            let how = format!("{what}, {}", if unreadable { "unreadable" } else { "zeroed" });
            let survey = disk.survey_without(blocks, unreadable);
            assert_eq!(missing(&disk.in_use, &survey.planned), [], "{how}: {:#?}", told(&survey, Severity::Note));
            let excess = disk.excess(&survey) / BLOCK;
            let all = (disk.container.bytes - disk.in_use.bytes()) / BLOCK;
            match cost {
                Nothing => assert_eq!(excess, 0, "{how}: {:#?}", told(&survey, Severity::Note)),
                // Other files of the same chunks are not free.
                Blocks(most) => assert!((most - 1000..=*most).contains(&excess), "{how}: {excess}, at most {most}"),
                Whole => assert_eq!(excess, all, "{how}"),
                Any => {}
            }
            let said = told(&survey, Severity::Note);
            assert!(said.iter().any(|(id, _)| id.starts_with(code)), "{how}: {said:#?}");
            assert_eq!(survey.totals.repeated_bytes, 0, "{how}");
        }
    }
}

/// Two bad places in the first 64 KiB and the survey leaves that to copying, which reads it first; zeros it sees through.
#[test]
fn block_zero_and_the_newest_superblock_have_copies() {
    let disk = Disk::new();
    let lost = [0, disk.places.superblock];
    let survey = disk.survey_without(&lost, false);
    assert_eq!((missing(&disk.in_use, &survey.planned), disk.excess(&survey)), (vec![], 0));
    let codes: Vec<&str> = told(&survey, Severity::Damage).iter().map(|finding| finding.0).collect();
    assert_eq!(codes, ["volume-header-damaged", "map-from-copy", "map-of-older-checkpoint"]);
    let survey = disk.survey_without(&lost, true);
    assert!(survey.planned.covers(disk.container));
    assert!(told(&survey, Severity::Damage).iter().any(|(id, _)| *id == "structure-not-read-yet"));
}

/// After a crash the next checkpoint is begun and has no superblock: an older one still stands at its place.
#[test]
fn a_checkpoint_that_was_only_begun_costs_nothing() {
    let (first, second) = ([(40_000u64, 100u64)], [(40_000, 100), (50_000, 10)]);
    let mut list: Vec<&[(u64, u64)]> = vec![&first; 6];
    let built = Built::with(Shape::new(BLOCK, 90_000), &list);
    list.push(&second);
    let begun = Built::with(Shape::new(BLOCK, 90_000), &list);
    let place = begun.checkpoints[6].maps[0] * BLOCK;
    let used = built.object_map() + 1 + 100;
    let mut drive = built.drive;
    drive.put(place, &begun.drive.read(place, BLOCK));
    let survey = survey(Damaged::new(&Arc::new(drive)));
    assert_eq!(told(&survey, Severity::Caution), []);
    assert_eq!(map_of(&survey).unwrap().used.count(), used);
}

/// Runs of random damage in a usual test.
const USUAL: u64 = 400;

#[test]
fn random_damage_leaves_out_nothing_without_an_excuse() {
    let disk = Disk::new();
    let sound = survey(Damaged::new(&disk.sound));
    let places = &disk.places;
    let path: Vec<Extent> = [places.superblock, disk.object_map, 0]
        .into_iter()
        .chain(places.maps.iter().chain(&places.manager).copied())
        .map(|block| disk.place(block))
        .collect();
    let maps: Vec<Extent> = places.bitmaps.values().chain(&places.infos).map(|block| disk.place(*block)).collect();
    let targets = Targets { tables: path.clone(), structure: sound.asked.clone(), maps };
    let runs = std::env::var("GLEANER_DAMAGES").ok().and_then(|runs| runs.parse().ok()).unwrap_or(USUAL);
    let (mut excused, mut whole, mut by_older) = (0, 0, 0);
    for seed in 0..runs {
        let mut random = Random(u64::wrapping_mul(seed, 0x9E37_79B9_7F4A_7C15) | 1);
        let mut drive = Damaged::new(&disk.sound);
        harm::damage(&mut drive, &targets, &mut random);
        let (altered, lost) = (drive.altered(), drive.lost());
        let end = drive.bytes();
        let survey = survey(drive);
        let hit = |place: &Extent| altered.bytes_within(*place) + lost.bytes_within(*place) > 0;
        by_older += u64::from(told(&survey, Severity::Damage).iter().any(|(id, _)| *id == "map-of-older-checkpoint"));
        whole += u64::from(map_of(&survey).is_none());
        for extent in missing(&disk.in_use, &survey.planned).iter().filter(|extent| extent.start.0 < end) {
            for piece in extent.cut_at_multiples(BLOCK * 8 * BLOCK) {
                let chunk = (piece.start.0.max(BASE) - BASE) / BLOCK / (8 * BLOCK);
                let info = usize::try_from(chunk / 126).unwrap();
                let in_bitmap = altered.bytes_within(disk.place(places.bitmaps[&chunk])) > 0;
                let in_info = altered.bytes_within(disk.place(places.infos[info])) > 0 && path.iter().any(hit);
                assert!(
                    in_bitmap || in_info,
                    "seed {seed}: {piece:?} is missing: {:#?}",
                    told(&survey, Severity::Note)
                );
                excused += 1;
            }
        }
        assert!(survey.totals.repeated_bytes <= 64 << 10, "seed {seed}: {}", survey.totals.repeated_bytes);
    }
    println!("{runs} damages: {by_older} by an older checkpoint, {whole} whole, {excused} ranges missing and excused");
    assert!(runs < USUAL || (by_older > 50 && whole > 5), "the damage misses what it is for");
}

/// Runs with hostile figures in a usual test.
const HOSTILE: u64 = 1000;

/// Figures that cannot be, under checksums that hold: nothing panics, nothing takes long, no byte is both free and in use.
#[test]
fn hostile_figures_under_right_checksums_are_survived() {
    let disk = Disk::new();
    let places = &disk.places;
    let objects: Vec<u64> = [0, places.superblock]
        .into_iter()
        .chain(places.maps.iter().chain(&places.manager).chain(&places.infos).copied())
        .collect();
    let runs = std::env::var("GLEANER_DAMAGES").ok().and_then(|runs| runs.parse().ok()).unwrap_or(HOSTILE);
    let (mut read, mut longest) = (0, std::time::Duration::ZERO);
    for seed in 0..runs {
        let mut random = Random(u64::wrapping_mul(seed, 0x9E37_79B9_7F4A_7C15) | 1);
        let mut drive = Damaged::new(&disk.sound);
        for _ in 0..=random.below(3) {
            let place = disk.place(random.of(&objects));
            let mut object: Vec<u8> = place.pieces(512).flat_map(|sector| drive.sector_at(sector.start.0)).collect();
            // Most figures stand in the first 400 bytes.
            let at = usize::try_from(random.below(100) * 4 + 8).unwrap();
            let value = match random.below(6) {
                0 => 0,
                1 => u64::MAX,
                2 => 1 << random.below(64),
                3 => random.below(BLOCKS),
                4 => u64::from(u32::MAX),
                _ => random.below(64),
            };
            let width = random.of(&[2, 4, 8]);
            object[at..at + width].copy_from_slice(&value.to_le_bytes()[..width]);
            crate::built::seal(&mut object);
            for (sector, bytes) in place.pieces(512).zip(object.as_chunks::<512>().0) {
                drive.set_sector(sector.start.0, *bytes);
            }
        }
        let began = std::time::Instant::now();
        let survey = survey(drive);
        longest = longest.max(began.elapsed());
        read = read.max(survey.asked.bytes());
        let Some(map) = map_of(&survey) else { continue };
        assert!(map.used.intersection(&map.unknown).is_empty(), "seed {seed}");
        assert!(map.structure.extents().iter().all(|extent| map.extent.contains(extent)), "seed {seed}");
        let free: u64 = map.free_extents().map(|extent| extent.bytes).sum();
        let in_use: u64 = map.in_use().iter().map(|extent| extent.bytes).sum();
        assert_eq!(free + in_use, map.extent.bytes, "seed {seed}");
    }
    println!("{runs} runs: at most {read} bytes read, {longest:?} the longest");
    assert!(read < 128 << 20, "{read} bytes were read");
}
