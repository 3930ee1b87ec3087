//! Boot sector and backup lost: the volume must be read as if nothing had happened, by the reference parsers' answers, or
//! not at all.

use crate::common::lost::{LOSSES, Loss, content_of, lose};
use crate::ntfs::agreement::{assert_same, assert_same_allocation, expected, ours};
use crate::ntfs::{Outcome, VOLUMES, common, fixture};
use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{Content, ntfs, read_content};
use gleaner::source::{MemorySource, Reader, Source, Window};
use serde_json::Value;

/// Where both boot sectors stand: $Boot takes 8 KiB, the backup the last sector (Linux fs/ntfs/layout.h).
fn boot_places(image: &[u8]) -> Vec<Extent> {
    let end = image.len() as u64;
    vec![Extent::between(0, 8192), Extent::between(end - 4096, end)]
}

fn first_place(answers: &Value, record: u64) -> u64 {
    let file = answers["files"].as_array().unwrap().iter().find(|f| f["record"] == record && f["attribute"].is_null());
    file.unwrap()["extents"][0][0].as_u64().unwrap()
}

fn assert_read_as_before(name: &str, content: Content, totals: gleaner::source::ReadTotals, incomplete: bool) {
    let answers = common::answers(name);
    let map = match content {
        Content::Volume(map) => map,
        other => panic!("{name}: {other:?}"),
    };
    assert_eq!(map.geometry.cluster_bytes, answers["cluster_bytes"].as_u64().unwrap(), "{name}");
    assert_eq!(map.geometry.cluster_count, answers["cluster_count"].as_u64().unwrap(), "{name}");
    assert_eq!(map.sector_bytes, answers["sector_bytes"].as_u64().unwrap(), "{name}");
    assert_eq!(map.label.as_deref(), answers["label"].as_str(), "{name}");
    assert_eq!(map.findings.count(&ntfs::GEOMETRY_INFERRED), 1, "{name}");
    assert_eq!(map.catalog_incomplete, incomplete, "{name}: {:?}", map.findings.kept());
    assert_eq!(totals.repeated_bytes, 0, "{name}");
    assert_same(name, &ours(&map), &expected(&answers));
    let outcome = Outcome { volume: Ok(map), totals };
    assert_same_allocation(name, &outcome, &answers);
}

#[test]
fn with_both_boot_sectors_lost_every_volume_is_read_as_before() {
    for name in VOLUMES {
        for loss in LOSSES {
            let mut image = fixture(name);
            let places = boot_places(&image);
            let unreadable = lose(&mut image, &places, loss);
            let (content, totals) = content_of(image, &unreadable);
            eprintln!("{name} {loss:?}: {} bytes in {} requests", totals.bytes, totals.requests);
            assert_read_as_before(name, content, totals, false);
        }
    }
}

/// Record 0 gone as well: the mirror gives the geometry. The mirror gone instead: $MFT alone does.
#[test]
fn one_copy_of_record_0_is_enough() {
    for name in VOLUMES {
        let answers = common::answers(name);
        let record = answers["record_bytes"].as_u64().unwrap();
        for lost in [first_place(&answers, 0), first_place(&answers, 1)] {
            for loss in LOSSES {
                let mut image = fixture(name);
                let mut places = boot_places(&image);
                places.push(Extent::new(lost, record).unwrap());
                let unreadable = lose(&mut image, &places, loss);
                let (content, totals) = content_of(image, &unreadable);
                assert_read_as_before(name, content, totals, true);
            }
        }
    }
}

/// Without either copy nothing says where $MFT lies: the volume is planned whole, and no geometry is made up.
#[test]
fn without_record_0_and_its_copy_nothing_is_believed() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let mut places = boot_places(&image);
    places.extend([0, 1].map(|record| Extent::new(first_place(&answers, record), 1024).unwrap()));
    lose(&mut image, &places, Loss::Zeroed);
    let (content, _) = content_of(image, &[]);
    assert!(matches!(content, Content::Opaque { .. }));
}

/// A boot sector whose name is NTFS's but whose fields lead nowhere, and no backup.
#[test]
fn a_boot_sector_that_leads_nowhere_does_not_end_the_search() {
    for (at, value) in [(0x0D, 2u8), (0x0D, 16), (0x40, 0xF4), (0x0C, 0x10), (0x0C, 0)] {
        let mut image = fixture("ntfs-rich");
        let end = image.len();
        image[end - 512..].fill(0);
        assert_ne!(image[at], value);
        image[at] = value;
        let (content, totals) = content_of(image, &[]);
        assert_read_as_before("ntfs-rich", content, totals, false);
    }
}

/// The volume as content of a larger area, at its start or not: its own size does not fill the area, so it is no answer
/// to what the area is.
#[test]
fn the_image_of_a_volume_inside_an_area_is_not_taken_for_the_area() {
    let inner = fixture("ntfs-cluster-8k");
    for offset in [0usize, 4096, 1 << 20, (1 << 20) + 512, 8 << 20] {
        let mut image = vec![0u8; 128 << 20];
        image[offset..offset + inner.len()].copy_from_slice(&inner);
        let (start, end) = (offset, offset + inner.len());
        image[start..start + 8192].fill(0);
        image[end - 4096..end].fill(0);
        let (content, _) = content_of(image, &[]);
        assert!(matches!(content, Content::Opaque { .. }), "at {offset}");
    }
}

/// Total sectors made smaller in the first boot sector: what lies behind must not be left out, backup or not.
#[test]
fn a_boot_sector_that_makes_the_volume_too_small_is_not_believed() {
    for backup in [true, false] {
        let mut image = fixture("ntfs-rich");
        image[0x28..0x30].copy_from_slice(&40_000u64.to_le_bytes());
        let end = image.len();
        if !backup {
            image[end - 512..].fill(0);
        }
        let (content, totals) = content_of(image, &[]);
        let Content::Volume(map) = content else { panic!("not read") };
        let answers = common::answers("ntfs-rich");
        assert_eq!(map.geometry.cluster_count, answers["cluster_count"].as_u64().unwrap());
        assert!(map.findings.count(&ntfs::BOOT_TOO_SMALL) > 0);
        assert_same("ntfs-rich", &ours(&map), &expected(&answers));
        assert_same_allocation("ntfs-rich", &Outcome { volume: Ok(map), totals }, &answers);
    }
}

/// Formatted twice, with clusters of 64 KiB and then of 4 KiB (testdata/make/formatted_twice.py): the second formatting
/// or none, and never the first.
#[test]
fn an_earlier_formatting_does_not_win() {
    let mut image = fixture("ntfs-formatted-twice");
    let sound = crate::ntfs::read(image.clone());
    let places = boot_places(&image);
    lose(&mut image, &places, Loss::Zeroed);
    match content_of(image, &[]).0 {
        Content::Volume(map) => {
            assert_eq!(map.geometry, sound.map().geometry);
            assert_eq!(ours(&map), ours(sound.map()));
        }
        Content::Opaque { findings, .. } => {
            assert!(findings.kept().iter().any(|f| f.code.id == "volume-geometry-ambiguous"), "{:?}", findings.kept());
        }
        other => panic!("{other:?}"),
    }
}

/// A drive of `bytes` zeros, readable or not.
struct Empty {
    identity: gleaner::source::SourceIdentity,
    readable: bool,
}

impl Source for Empty {
    fn identity(&self) -> &gleaner::source::SourceIdentity {
        &self.identity
    }

    fn read_at(
        &self,
        _: gleaner::base::units::ByteOffset,
        buffer: &mut [u8],
    ) -> Result<(), gleaner::source::ReadError> {
        buffer.fill(0);
        if self.readable {
            return Ok(());
        }
        Err(gleaner::source::ReadError::Unreadable(std::io::Error::other("damaged")))
    }
}

/// Nothing to find on 4 TB: the budget that src/filesystem/{ntfs,fat,exfat}/infer.rs state together, and an end to failures.
#[test]
fn the_search_ends_at_its_budget() {
    for readable in [true, false] {
        let mut identity = MemorySource::new(vec![0; 512], SectorSize::S512).identity().clone();
        identity.bytes = 4_000_000_000_000;
        // With the usual limit to trouble.
        let reader = Reader::new(Box::new(Empty { identity, readable }), None);
        let content = read_content(&Window::new(&reader, reader.identity().extent())).expect("it does not vanish");
        let totals = reader.totals();
        assert!(matches!(content, Content::Opaque { .. }));
        eprintln!("{} bytes in {} requests, {} failed", totals.bytes, totals.requests, totals.failed_requests);
        assert!(totals.bytes < 26 << 20, "{}", totals.bytes);
        assert!(totals.requests < 400, "{}", totals.requests);
    }
}
