//! What Windows leaves on a sound volume and the formatters behind the fixtures do not: file records that no file has used
//! yet are all zero, with their bits in $MFT's own bitmap clear; the mirror keeps four records whatever the cluster size.
//! Seen on the volumes that `tests/samples.rs` reads; here the fixtures are changed to have the same.

use crate::ntfs::agreement::{assert_same, assert_same_allocation, expected, ours};
use crate::ntfs::damage::{attribute_at, edit_record, extents_of, find_attribute, record_named, record_place, without};
use crate::ntfs::{Outcome, VOLUMES, common, fixture, read, read_with};
use gleaner::base::extent::Extent;
use gleaner::base::human;
use gleaner::filesystem::ntfs;
use serde_json::Value;

/// The bytes on the volume of record `number`, wherever its parts lie.
fn record_bytes(answers: &Value, number: u64) -> Vec<usize> {
    let record = answers["record_bytes"].as_u64().unwrap();
    bytes_of(&extents_of(answers, 0, None), number * record, record)
}

/// The places of `count` bytes from byte `from` of a stream that lies at `extents`.
fn bytes_of(extents: &[Extent], from: u64, count: u64) -> Vec<usize> {
    let all = extents.iter().flat_map(|extent| extent.start.0..extent.end());
    let index = |at: u64| usize::try_from(at).unwrap();
    all.skip(index(from)).take(index(count)).map(index).collect()
}

/// Where the bit of a record stands: byte of the volume and mask.
fn bit(bitmap: &[Extent], number: u64) -> (usize, u8) {
    (bytes_of(bitmap, number / 8, 1)[0], 1 << (number % 8))
}

fn bitmap_of_table(answers: &Value) -> Vec<Extent> {
    extents_of(answers, 0, Some("$BITMAP"))
}

/// Zeroes all records that no file has used yet and clears their bits; the numbers of these records.
fn zero_unused_records(image: &mut [u8], answers: &Value) -> Vec<u64> {
    let bitmap = bitmap_of_table(answers);
    let mut zeroed = Vec::new();
    for number in 0..answers["record_count"].as_u64().unwrap() {
        let places = record_bytes(answers, number);
        let record: Vec<u8> = places.iter().map(|at| image[*at]).collect();
        let has_been_used = record[..4] != *b"FILE"
            || record[0x16] & 1 == 1
            || [0x30, 0x80].iter().any(|kind| find_attribute(&record, *kind).is_some());
        if has_been_used {
            continue;
        }
        places.iter().for_each(|at| image[*at] = 0);
        let (at, mask) = bit(&bitmap, number);
        image[at] &= !mask;
        zeroed.push(number);
    }
    zeroed
}

fn sentences(outcome: &Outcome) -> Vec<&str> {
    outcome.findings().kept().iter().map(|f| f.sentence.as_str()).collect()
}

#[test]
fn records_that_no_file_has_used_yet_may_be_zero() {
    for name in VOLUMES {
        let answers = common::answers(name);
        let mut image = fixture(name);
        let zeroed = zero_unused_records(&mut image, &answers);
        assert!((17..24).all(|number| zeroed.contains(&number)), "{name}: {zeroed:?}");
        let outcome = read(image);
        assert_eq!(sentences(&outcome), Vec::<&str>::new(), "{name}");
        assert!(!outcome.map().catalog_incomplete, "{name}");
        assert_same(name, &ours(outcome.map()), &expected(&answers));
        assert_same_allocation(name, &outcome, &answers);
        let counts = outcome.map().records.unwrap();
        assert_eq!((counts.unused, counts.damaged), (zeroed.len() as u64, 0), "{name}");
        assert_eq!(outcome.totals.repeated_bytes, 0, "{name}");
    }
}

/// A record that is zero although its bit is set was lost, and only that one.
#[test]
fn a_zero_record_that_is_marked_as_in_use_is_lost() {
    for name in ["ntfs-rich", "ntfs-mft-list", "ntfs-sector-4096"] {
        let answers = common::answers(name);
        let mut image = fixture(name);
        let zeroed = zero_unused_records(&mut image, &answers);
        let all = expected(&answers);
        let last = all.iter().filter(|(key, _)| !key.1).map(|(key, _)| key.0).max().unwrap();
        for at in record_bytes(&answers, last) {
            image[at] = 0;
        }
        let outcome = read(image);
        assert_eq!(outcome.kinds(), [ntfs::RECORDS_BLANK.id], "{name}");
        let finding = &outcome.findings().kept()[0];
        assert!(finding.sentence.starts_with(&format!("File record {last} is all zero")), "{}", finding.sentence);
        assert_eq!(finding.place.map(|at| at.0), Some(record_bytes(&answers, last)[0] as u64), "{name}");
        assert!(outcome.map().catalog_incomplete, "{name}");
        let counts = outcome.map().records.unwrap();
        assert_eq!((counts.unused, counts.blank, counts.damaged), (zeroed.len() as u64, 1, 0), "{name}");
        assert_same(name, &ours(outcome.map()), &without(all, last..last + 1));
    }
}

/// A bitmap that calls a record in use free is wrong, so its clear bits prove nothing; its set ones still tell a loss.
#[test]
fn a_bitmap_that_contradicts_the_records_is_not_believed() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    zero_unused_records(&mut image, &answers);
    let bitmap = bitmap_of_table(&answers);
    let folder = record_named(&answers, "/Photos");
    let (at, mask) = bit(&bitmap, folder);
    assert_ne!(image[at] & mask, 0, "the driver has marked the folder's record");
    image[at] &= !mask;
    let outcome = read(image.clone());
    assert_eq!(outcome.kinds(), [ntfs::TABLE_BITMAP_WRONG.id, ntfs::RECORDS_UNPROVEN.id]);
    assert!(sentences(&outcome)[0].contains(&format!("the first is record {folder}")), "{:?}", sentences(&outcome));
    assert_same("bitmap wrong", &ours(outcome.map()), &expected(&answers));
    assert!(outcome.map().catalog_incomplete);

    // Without a record that is all zero nothing hangs on the bitmap, and it is not even read.
    let mut image = fixture("ntfs-rich");
    image[at] &= !mask;
    assert_eq!(read(image).kinds(), Vec::<&str>::new());
}

#[test]
fn without_the_bitmap_zeros_prove_nothing() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let zeroed = zero_unused_records(&mut image, &answers);
    let outcome = read_with(image, &bitmap_of_table(&answers));
    assert_eq!(outcome.kinds(), [ntfs::RECORDS_UNPROVEN.id]);
    assert!(outcome.map().catalog_incomplete);
    assert_eq!(outcome.map().records.unwrap().unused, zeroed.len() as u64);
    assert_same("bitmap unreadable", &ours(outcome.map()), &expected(&answers));
}

/// A volume of many files and much fragmentation keeps the bitmap's description in an extension record of $MFT.
#[test]
fn the_bitmap_may_be_described_in_an_extension_record() {
    let answers = common::answers("ntfs-mft-list");
    let mut image = fixture("ntfs-mft-list");
    zero_unused_records(&mut image, &answers);
    // Record 15 holds the second part of $MFT; the attribute moves behind its own.
    let (base, extension) = (record_place(&answers, 0), record_place(&answers, 15));
    let mut attribute = Vec::new();
    edit_record(&mut image, base, |record| {
        let at = attribute_at(record, 0xB0);
        let length = usize::from(record[at + 4]);
        attribute = record[at..at + length].to_vec();
        record.copy_within(at + length.., at);
    });
    let mirror = usize::try_from(extents_of(&answers, 1, None)[0].start.0).unwrap();
    image.copy_within(base..base + 1024, mirror);
    assert_eq!(read(image.clone()).kinds(), [ntfs::RECORDS_UNPROVEN.id], "nothing describes the bitmap");
    edit_record(&mut image, extension, |record| {
        let end = attribute_at(record, u32::MAX);
        record.copy_within(end..end + 8, end + attribute.len());
        record[end..end + attribute.len()].copy_from_slice(&attribute);
    });
    let outcome = read(image);
    assert_eq!(sentences(&outcome), Vec::<&str>::new());
    assert_same("bitmap in record 15", &ours(outcome.map()), &expected(&answers));
}

/// Neither the first record nor the mirror: records are taken by their numbers, and zeros in between end nothing.
#[test]
fn zero_records_do_not_end_a_table_that_is_read_by_numbers() {
    for name in ["ntfs-cluster-8k", "ntfs-sector-4096"] {
        let answers = common::answers(name);
        let mut image = fixture(name);
        zero_unused_records(&mut image, &answers);
        let known = |mut image: Vec<u8>| {
            let mirror = usize::try_from(extents_of(&answers, 1, None)[0].start.0).unwrap();
            for place in [record_place(&answers, 0), mirror] {
                image[place..place + 512].fill(0x11);
            }
            let outcome = read(image);
            assert!(outcome.has(&ntfs::TABLE_BY_NUMBERS), "{name}: {:?}", outcome.kinds());
            assert_eq!(outcome.totals.repeated_bytes, 0, "{name}");
            ours(outcome.map()).into_keys().filter(|key| !key.1).map(|key| key.0).collect::<Vec<_>>()
        };
        let all: Vec<u64> = expected(&answers).into_keys().filter(|key| !key.1 && key.0 > 0).map(|key| key.0).collect();
        assert_eq!((known(image), known(fixture(name))), (all.clone(), all), "{name}");
    }
}

/// With large clusters formatters fill the mirror's cluster, but Windows lets everything behind the fourth record grow old.
#[test]
fn the_mirror_counts_for_four_records_only() {
    for name in ["ntfs-cluster-2m", "ntfs-cluster-64k", "ntfs-cluster-8k"] {
        let answers = common::answers(name);
        let mut image = fixture(name);
        let mirror = usize::try_from(extents_of(&answers, 1, None)[0].start.0).unwrap();
        let cluster = usize::try_from(answers["cluster_bytes"].as_u64().unwrap()).unwrap();
        image[mirror + 4 * 1024..mirror + cluster].fill(0x5A);
        let outcome = read(image.clone());
        assert_eq!(sentences(&outcome), Vec::<&str>::new(), "{name}: {}", human::count(cluster as u64));
        image[mirror + 3 * 1024 + 0x40] ^= 1;
        assert_eq!(read(image).kinds(), [ntfs::MIRROR_DIFFERS.id], "{name}: the fourth still counts");

        // A stale copy of a later record must not come in for a lost one.
        let mut image = fixture(name);
        let place = record_place(&answers, 5);
        image[place..place + 1024].fill(0x11);
        let outcome = read(image);
        assert!(outcome.has(&ntfs::ROOT_MISSING) && !outcome.has(&ntfs::RECORD_BY_MIRROR), "{name}");
    }
}
