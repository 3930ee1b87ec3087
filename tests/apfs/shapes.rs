//! Containers built here: what neither macOS's samples nor mkapfs have.

use crate::built::{Built, Shape};
use crate::overlay::Damaged;
use crate::survey::survey;
use crate::{answers_of, assert_as_answered, assert_planned, bytes_of, map_of, told};
use gleaner::base::extent::Extent;
use gleaner::base::finding::Severity;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::Arc;

/// Runs of blocks: first and count.
type Runs = Vec<(u64, u64)>;

/// Name, shape, and the blocks in use beside the structure at each checkpoint.
fn shapes() -> Vec<(&'static str, Shape, Vec<Runs>)> {
    let nearly_full = |blocks: u64| -> Runs {
        let holes = (2000..blocks).step_by(977);
        holes.clone().zip(holes.skip(1)).map(|(from, to)| (from, to - from - 1)).collect()
    };
    let some = |blocks: u64| vec![(blocks / 2, 100), (blocks - 7, 7)];
    // 600 chunk-info blocks: two chunk-address blocks.
    let large = 600 * 126 * 32768 - 1234;
    vec![
        ("blocks of 8 KiB", Shape::new(8192, 200_000), vec![some(200_000), vec![(70_000, 5)]]),
        ("blocks of 64 KiB", Shape::new(65536, 1_100_000), vec![some(1_100_000)]),
        ("grown", Shape { most: 150_000, ..Shape::new(4096, 40_000) }, vec![some(40_000), some(39_000)]),
        ("nearly full", Shape::new(4096, 100_000), vec![some(100_000), nearly_full(100_000)]),
        ("chunk-address blocks", Shape::new(4096, large), vec![some(large), vec![(large / 3, 4), (large - 1, 1)]]),
        (
            "a space manager of three blocks that goes on at its ring's start, two maps, a ring not of their length",
            Shape { manager_blocks: 3, maps: 2, descriptors: 11, data: 8, ..Shape::new(4096, 70_000) },
            (1..=6).map(|n| vec![(20_000, n * 10), (n * 10_000, 3)]).collect(),
        ),
        ("one chunk-info block, its chunks free but the first", Shape::new(4096, 126 * 32768), vec![vec![]]),
    ]
}

fn built(shape: &Shape, checkpoints: &[Runs]) -> Built {
    let list: Vec<&[(u64, u64)]> = checkpoints.iter().map(Vec::as_slice).collect();
    let mut built = Built::with(shape.clone(), &list);
    if shape.most > shape.blocks {
        built.grow(shape.most);
        built.commit(&checkpoints[0]);
        built.commit(checkpoints.last().unwrap());
    }
    built
}

/// Writes the drive with holes for zeros.
pub fn write(drive: &crate::overlay::Sound, path: &Path) {
    let mut file = std::fs::File::create(path).unwrap();
    file.set_len(drive.bytes).unwrap();
    for (at, sector) in drive.written() {
        file.seek(SeekFrom::Start(at)).unwrap();
        file.write_all(sector).unwrap();
    }
}

#[test]
fn used_blocks_of_unusual_containers_are_those_of_the_reference_parser() {
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    for (name, shape, checkpoints) in shapes() {
        let built = built(&shape, &checkpoints);
        let image = temporary.path().join("container");
        write(&built.drive, &image);
        let answers = answers_of(&image);
        let in_use = built.in_use(checkpoints.last().unwrap());
        let survey = survey(Damaged::new(&Arc::new(built.drive)));
        assert_as_answered(name, &survey, &answers);
        assert_eq!(told(&survey, Severity::Caution), [], "{name}");
        let drive = Extent::between(0, survey.drive.identity.bytes);
        assert_planned(name, &survey, &bytes_of(&in_use, shape.block, drive), drive.bytes);
    }
}

/// After many checkpoints bitmaps lie scattered over the pool: small gaps between them are read through.
#[test]
fn scattered_bitmaps_take_few_requests() {
    let mut built = Built::new(Shape::new(4096, 300 * 32768));
    let mut used = Vec::new();
    for round in 0..40 {
        used = (0..300)
            .map(|chunk| (chunk * 32768 + 20_000, 1 + if chunk % 7 == round % 7 { round } else { 0 }))
            .collect();
        built.commit(&used);
    }
    let bitmaps: Vec<u64> = built.checkpoints.last().unwrap().bitmaps.values().copied().collect();
    let sorted: std::collections::BTreeSet<u64> = bitmaps.iter().copied().collect();
    let apart = sorted.iter().filter(|block| !sorted.contains(&(*block + 1))).count() as u64;
    let in_use = built.in_use(&used);
    let blocks = built.shape.blocks;
    let survey = survey(Damaged::new(&Arc::new(built.drive)));
    assert_planned("scattered", &survey, &bytes_of(&in_use, 4096, Extent::between(0, blocks * 4096)), blocks * 4096);
    let (requests, read) = (survey.totals.requests, survey.asked.bytes());
    println!("{} bitmaps in {apart} places: {requests} requests, {read} bytes in all", bitmaps.len());
    assert!(apart > 60, "{apart}: they are not scattered");
    assert!(requests < apart / 2, "{requests} requests");
    assert!(read <= bitmaps.len() as u64 * 4096 * 3 / 2 + (200 << 10), "{read} bytes");
}

/// Kinds of containers whose map is not read: all of them is planned.
#[test]
fn what_is_not_known_is_planned_whole() {
    let change = |at: usize, bytes: &[u8], why: &str| {
        let built = Built::with(Shape::new(4096, 40_000), &[&[(10_000, 10)]]);
        let mut drive = built.drive;
        for block in [0, built.checkpoints[0].superblock] {
            let mut superblock = drive.read(block * 4096, 4096);
            superblock[at..at + bytes.len()].copy_from_slice(bytes);
            crate::built::seal(&mut superblock);
            drive.put(block * 4096, &superblock);
        }
        let survey = survey(Damaged::new(&Arc::new(drive)));
        assert!(map_of(&survey).is_none(), "{why}");
        assert!(survey.planned.covers(survey.drive.identity.extent()), "{why}");
        let said = told(&survey, Severity::Damage);
        assert!(said.iter().any(|(code, sentence)| *code == "map-unusable" && sentence.contains(why)), "{said:?}");
    };
    change(0x41, &[1], "two drives");
    change(0x40, &[3], "not known");
    change(0x4E0, &[1], "smaller");
    change(0x6B, &[0x80], "not in one piece");
    change(0x6F, &[0x80], "not in one piece");
}
