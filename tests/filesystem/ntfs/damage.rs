//! The fixtures, damaged in one place each: what is lost must be what lay there, and no more. What is right is still
//! what the reference parsers said of the undamaged volume.

use crate::ntfs::agreement::{File, assert_same, assert_same_allocation, expected, ours};
use crate::ntfs::{Outcome, common, fixture, read, read_with};
use gleaner::base::extent::Extent;
use gleaner::base::finding::Severity;
use gleaner::filesystem::{Node, Role, ntfs};
use serde_json::Value;
use std::collections::BTreeMap;

/// Byte of record `number` on the volume, by the reference's extents of $MFT.
pub fn record_place(answers: &Value, number: u64) -> usize {
    whole_record_place(answers, number).unwrap_or_else(|| panic!("record {number} is not there in one piece"))
}

/// The same, `None` for a record in two pieces.
fn whole_record_place(answers: &Value, number: u64) -> Option<usize> {
    let record = answers["record_bytes"].as_u64().unwrap();
    let table = answers["files"].as_array().unwrap().iter();
    let table = table.into_iter().find(|f| f["record"] == 0 && f["attribute"].is_null()).unwrap();
    let mut left = number * record;
    for extent in table["extents"].as_array().unwrap() {
        let (start, length) = (extent[0].as_u64().unwrap(), extent[1].as_u64().unwrap());
        if left < length {
            return (left + record <= length).then(|| usize::try_from(start + left).unwrap());
        }
        left -= length;
    }
    None
}

pub fn extents_of(answers: &Value, record: u64, attribute: Option<&str>) -> Vec<Extent> {
    let wanted = |f: &&Value| f["record"] == record && f["attribute"].as_str() == attribute && f["stream"].is_null();
    let file = answers["files"].as_array().unwrap().iter().find(wanted).expect("the stream is there");
    let pairs = file["extents"].as_array().unwrap().iter();
    pairs.map(|e| Extent::new(e[0].as_u64().unwrap(), e[1].as_u64().unwrap()).unwrap()).collect()
}

pub fn record_named(answers: &Value, path: &str) -> u64 {
    let file = answers["files"].as_array().unwrap().iter().find(|f| f["path"] == path);
    file.unwrap_or_else(|| panic!("no {path}"))["record"].as_u64().unwrap()
}

/// Changes a record of 1024 bytes inside its fixups, by the rule of Linux fs/ntfs/layout.h (`NTFS_RECORD`).
pub fn edit_record(image: &mut [u8], place: usize, edit: impl FnOnce(&mut [u8])) {
    let record = &mut image[place..place + 1024];
    let array = usize::from(u16::from_le_bytes([record[4], record[5]]));
    for stride in 0..2 {
        record.copy_within(array + 2 + 2 * stride..array + 4 + 2 * stride, 510 + 512 * stride);
    }
    edit(record);
    for stride in 0..2 {
        record.copy_within(510 + 512 * stride..512 + 512 * stride, array + 2 + 2 * stride);
        record.copy_within(array..array + 2, 510 + 512 * stride);
    }
}

/// Where the first attribute of a type starts in a record.
pub fn attribute_at(record: &[u8], kind: u32) -> usize {
    find_attribute(record, kind).unwrap_or_else(|| panic!("no attribute of type {kind:#x}"))
}

/// The same in a record whose fixups are still in place: an attribute behind one that they disturb is not found.
pub fn find_attribute(record: &[u8], kind: u32) -> Option<usize> {
    let word = |at: usize| record.get(at..at + 4).map_or(u32::MAX, |b| u32::from_le_bytes(b.try_into().unwrap()));
    let mut at = usize::from(u16::from_le_bytes([record[0x14], record[0x15]]));
    while word(at) != kind {
        if word(at) == u32::MAX {
            return None;
        }
        at += usize::try_from(word(at + 4)).unwrap();
    }
    Some(at)
}

fn node(outcome: &Outcome, number: u64) -> Node<'_> {
    let catalog = &outcome.map().catalog;
    catalog.nodes().find(|n| u64::from(n.number()) == number && !n.is_deleted()).expect("the record is known")
}

pub fn without(mut files: BTreeMap<(u64, bool), File>, records: std::ops::Range<u64>) -> BTreeMap<(u64, bool), File> {
    files.retain(|(number, _), _| !records.contains(number));
    files
}

#[test]
fn the_backup_boot_sector_takes_over() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    image[..512].fill(0xA5);
    let outcome = read(image.clone());
    assert!(outcome.has(&ntfs::BOOT_BACKUP_USED));
    assert_same("backup boot", &ours(outcome.map()), &expected(&answers));
    assert_same_allocation("backup boot", &outcome, &answers);
    assert_eq!(outcome.totals.repeated_bytes, 0);

    let unreadable = read_with(fixture("ntfs-rich"), &[Extent::new(0, 512).unwrap()]);
    assert!(unreadable.has(&ntfs::BOOT_BACKUP_USED));
    assert_same("backup boot", &ours(unreadable.map()), &expected(&answers));

    let end = image.len();
    image[end - 512..].fill(0);
    let outcome = read(image);
    assert!(outcome.volume.is_err());
    assert_eq!(outcome.findings().highest_severity(), Some(Severity::Blocking));
    assert!(outcome.has(&ntfs::NOT_NTFS));
}

/// With sectors of 4096 bytes the backup is the last 4096 bytes, wherever the source's own sectors are smaller.
#[test]
fn the_backup_boot_sector_of_large_sectors_takes_over() {
    for name in ["ntfs-sector-4096", "ntfs-sector-4096-cluster-64k"] {
        let mut image = fixture(name);
        image[..4096].fill(0);
        let outcome = read(image);
        assert!(outcome.has(&ntfs::BOOT_BACKUP_USED), "{name}");
        assert_same(name, &ours(outcome.map()), &expected(&common::answers(name)));
    }
}

#[test]
fn boot_sectors_that_disagree() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let end = image.len();
    image[end - 512 + 0x60] ^= 1;
    let outcome = read(image.clone());
    assert_eq!(outcome.kinds(), [ntfs::BOOT_COPIES_DIFFER.id]);
    // A first sector that is possible in every field, but leads nowhere.
    image[0x30..0x38].copy_from_slice(&5000u64.to_le_bytes());
    image[0x38..0x40].copy_from_slice(&5001u64.to_le_bytes());
    let outcome = read(image);
    assert_eq!(outcome.kinds(), [ntfs::BOOT_COPIES_DIFFER.id, ntfs::BOOT_BACKUP_USED.id]);
    assert_same("second boot sector", &ours(outcome.map()), &expected(&answers));
    let mut lost = fixture("ntfs-rich");
    lost[end - 512..].fill(0);
    assert_eq!(read(lost).kinds(), [ntfs::BOOT_BACKUP_MISSING.id]);
}

#[test]
fn the_mirror_takes_over_for_the_first_records() {
    for name in ["ntfs-rich", "ntfs-mft-list", "ntfs-cluster-64k", "ntfs-sector-4096"] {
        let answers = common::answers(name);
        let image = fixture(name);
        let place = record_place(&answers, 0);
        let mut destroyed = image.clone();
        destroyed[place..place + 512].fill(0x11);
        let outcome = read(destroyed.clone());
        assert!(outcome.has(&ntfs::TABLE_BY_MIRROR) && outcome.has(&ntfs::RECORD_BY_MIRROR), "{:?}", outcome.kinds());
        assert_same(name, &ours(outcome.map()), &expected(&answers));
        assert_same_allocation(name, &outcome, &answers);
        assert!(!outcome.map().catalog_incomplete);
        assert_eq!(outcome.totals.repeated_bytes, 0);

        let unreadable = read_with(image, &[Extent::new(place as u64, 512).unwrap()]);
        assert_same(name, &ours(unreadable.map()), &expected(&answers));
        assert!(!unreadable.map().catalog_incomplete);

        let mirror = extents_of(&answers, 1, None)[0];
        let from = usize::try_from(mirror.start.0).unwrap();
        destroyed[from..from + 512].fill(0x11);
        let outcome = read(destroyed.clone());
        assert!(outcome.has(&ntfs::TABLE_BY_NUMBERS), "{name}: {:?}", outcome.kinds());
        assert!(outcome.map().catalog_incomplete, "{name}");
        assert_eq!(outcome.totals.repeated_bytes, 0, "{name}");
        assert_same_allocation(name, &outcome, &answers);
        // Every file whose record lies in the first piece of $MFT is known, and on two of these volumes that is all of it.
        let (known, all) = (ours(outcome.map()), expected(&answers));
        let missing = all.keys().filter(|key| !known.contains_key(key)).count();
        let pieces = extents_of(&answers, 0, None);
        let first = pieces[0].bytes / answers["record_bytes"].as_u64().unwrap();
        let reachable = all.keys().filter(|key| key.0 < first).count();
        assert!(
            all.len() - missing + 1 >= reachable,
            "{name}: {missing} of {} missing, {reachable} reachable",
            all.len()
        );
        assert!(pieces.len() > 1 || missing <= 1, "{name}: {missing} of {} missing", all.len());
        println!("{name}: {missing} of {} files missing", all.len());

        // And when nothing follows where $MFT should begin, nothing is made up.
        destroyed[place..place + 24 * 4096].fill(0x11);
        let outcome = read(destroyed);
        assert!(outcome.volume.is_err() && outcome.has(&ntfs::TABLE_LOST), "{name}: {:?}", outcome.kinds());
    }
}

#[test]
fn a_mirror_that_differs_or_cannot_be_read_is_said_and_not_used() {
    let answers = common::answers("ntfs-rich");
    let mirror = extents_of(&answers, 1, None)[0];
    let mut image = fixture("ntfs-rich");
    image[usize::try_from(mirror.start.0).unwrap() + 1024 + 0x40] ^= 1;
    let outcome = read(image);
    assert_eq!(outcome.kinds(), [ntfs::MIRROR_DIFFERS.id]);
    assert_same("mirror differs", &ours(outcome.map()), &expected(&answers));
    let outcome = read_with(fixture("ntfs-rich"), &[Extent::new(mirror.start.0, 512).unwrap()]);
    assert_eq!(outcome.kinds(), [ntfs::MIRROR_UNREADABLE.id]);
}

#[test]
fn unreadable_records_cost_themselves_alone() {
    let answers = common::answers("ntfs-rich");
    // Four records in the folder of many small files: nothing hangs on them.
    let first = record_place(&answers, 2000) as u64;
    assert_eq!(first % 4096, 0);
    let outcome = read_with(fixture("ntfs-rich"), &[Extent::new(first + 600, 512).unwrap()]);
    let map = outcome.map();
    assert!(map.catalog_incomplete);
    assert_eq!(outcome.kinds(), [ntfs::RECORDS_UNREADABLE.id]);
    let finding = &outcome.findings().kept()[0];
    assert!(finding.sentence.contains("numbers 2000 to 2001,"), "{}", finding.sentence);
    assert_eq!(finding.place.map(|p| p.0), Some(first));
    assert_same("unreadable records", &ours(map), &without(expected(&answers), 2000..2002));
    assert_same_allocation("unreadable records", &outcome, &answers);
}

#[test]
fn torn_and_overwritten_records_cost_themselves_alone() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    image[record_place(&answers, 2000) + 1022] ^= 0xFF;
    let torn = record_place(&answers, 2001);
    image[torn..torn + 4].copy_from_slice(b"BAAD");
    let overwritten = record_place(&answers, 2002);
    image[overwritten..overwritten + 1024].fill(0x5A);
    let outcome = read(image);
    assert_eq!(outcome.findings().count(&ntfs::RECORD_DAMAGED), 3);
    assert_eq!(outcome.kinds(), [ntfs::RECORD_DAMAGED.id]);
    assert!(outcome.map().catalog_incomplete);
    assert_same("damaged records", &ours(outcome.map()), &without(expected(&answers), 2000..2003));
}

#[test]
fn a_lost_root_and_a_lost_folder() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let place = record_place(&answers, 5);
    image[place..place + 1024].fill(0x5A);
    let outcome = read(image);
    assert!(outcome.has(&ntfs::ROOT_MISSING));
    let (mut found, mut wanted) = (ours(outcome.map()), expected(&answers));
    found.remove(&(5, false));
    wanted.remove(&(5, false));
    assert_same("lost root", &found, &wanted);

    let mut image = fixture("ntfs-rich");
    let folder = record_named(&answers, "/Photos");
    let child = record_named(&answers, "/Photos/mosaic.raw");
    let place = record_place(&answers, folder);
    image[place..place + 1024].fill(0x5A);
    let outcome = read(image);
    assert_eq!(node(&outcome, child).path(), format!("/<orphans>/{folder}/mosaic.raw"));
    let below = node(&outcome, record_named(&answers, "/Photos/2019/orchid 0001.jpg"));
    assert_eq!(below.path(), format!("/<orphans>/{folder}/2019/orchid 0001.jpg"));
}

/// 2,100 runs in many extension records: the list is not needed to bring them together.
#[test]
fn files_stay_whole_without_their_attribute_lists() {
    let answers = common::answers("ntfs-rich");
    let mosaic = record_named(&answers, "/Photos/mosaic.raw");
    let lists = extents_of(&answers, mosaic, Some("$ATTRIBUTE_LIST"));
    let outcome = read_with(fixture("ntfs-rich"), &lists);
    assert_same("unreadable list", &ours(outcome.map()), &expected(&answers));
    assert_eq!(outcome.kinds(), Vec::<&str>::new(), "a list in clusters is not even read");

    // Lists in the records themselves, overwritten: the files are whole, and the damage is said.
    let mut image = fixture("ntfs-rich");
    let mut lists = 0;
    for place in (24..answers["record_count"].as_u64().unwrap()).map(|n| record_place(&answers, n)) {
        let record = &image[place..place + 1024];
        if record[..4] != *b"FILE" || record[0x16] & 1 == 0 {
            continue;
        }
        let Some(at) = find_attribute(record, 0x20).filter(|at| record[at + 8] == 0) else { continue };
        edit_record(&mut image, place, |record| record[at + 0x18 + 4..at + 0x18 + 6].fill(0xFF));
        lists += 1;
    }
    assert!(lists >= 2, "{lists} files with a list in the record");
    let outcome = read(image);
    assert_eq!(outcome.kinds(), [ntfs::ATTRIBUTE_DAMAGED.id]);
    assert_eq!(outcome.findings().count(&ntfs::ATTRIBUTE_DAMAGED), lists);
    assert_same("damaged list", &ours(outcome.map()), &expected(&answers));
}

#[test]
fn the_file_table_is_found_whole_without_its_own_attribute_list() {
    let answers = common::answers("ntfs-mft-list");
    let outcome = read(fixture("ntfs-mft-list"));
    let table = node(&outcome, 0);
    let list = table.streams().find(|s| s.role() == Role::AttributeList).expect("$MFT's list lies in clusters");
    let map = outcome.map();
    let places: Vec<Extent> = list.runs().map(|run| map.geometry.extent(run).unwrap()).collect();
    assert!(!places.is_empty());
    let outcome = read_with(fixture("ntfs-mft-list"), &places);
    assert!(outcome.has(&ntfs::TABLE_LIST), "{:?}", outcome.kinds());
    assert_same("$MFT without its list", &ours(outcome.map()), &expected(&answers));
    assert!(!outcome.map().catalog_incomplete);
    assert_eq!(outcome.totals.repeated_bytes, 0);
}

#[test]
fn a_missing_part_of_the_file_table_is_named() {
    let answers = common::answers("ntfs-mft-list");
    let image = fixture("ntfs-mft-list");
    let whole = expected(&answers);
    // An extension record of $MFT: in use, with record 0 for its base and a part of $DATA.
    let extension = (1..answers["record_count"].as_u64().unwrap())
        .filter_map(|n| whole_record_place(&answers, n))
        .find(|at| {
            let record = &image[*at..*at + 1024];
            let of_table = record[0x20..0x26] == [0; 6] && record[0x26] != 0;
            record[..4] == *b"FILE" && record[0x16] & 1 == 1 && of_table && find_attribute(record, 0x80).is_some()
        })
        .expect("$MFT has extension records");
    let mut image = image;
    image[extension..extension + 1024].fill(0x5A);
    let outcome = read(image);
    assert!(outcome.has(&ntfs::TABLE_LIST) && outcome.has(&ntfs::TABLE_PARTS_MISSING), "{:?}", outcome.kinds());
    assert!(outcome.map().catalog_incomplete);
    let table = node(&outcome, 0);
    assert!(table.streams().find(|s| s.role() == Role::Data).unwrap().is_incomplete());
    // What is known is right: every stream of the files that are left, and names where folders are left.
    for (key, file) in ours(outcome.map()) {
        assert!(whole.contains_key(&key) || key.0 == 5, "record {} was made up", key.0);
        assert!(key.0 == 0 || file.streams_within(&whole[&key]), "record {}", key.0);
    }
}

/// One extension record of a file lost: its part of the run list is a gap, the rest keeps its place.
#[test]
fn a_lost_extension_record_leaves_a_gap() {
    let answers = common::answers("ntfs-rich");
    let image = fixture("ntfs-rich");
    let mosaic = record_named(&answers, "/Photos/mosaic.raw");
    let records = answers["record_count"].as_u64().unwrap();
    let base = u32::try_from(mosaic).unwrap().to_le_bytes();
    let extensions: Vec<usize> = (mosaic + 1..records)
        .map(|n| record_place(&answers, n))
        .filter(|at| image[at + 0x20..at + 0x24] == base && image[at + 0x16] & 1 == 1)
        .collect();
    assert!(extensions.len() > 5, "{}", extensions.len());
    let lost = extensions[2];
    let mut damaged = image.clone();
    damaged[lost..lost + 1024].fill(0x5A);
    let outcome = read(damaged);
    assert!(outcome.has(&ntfs::PARTS_DISAGREE) && outcome.has(&ntfs::RECORD_DAMAGED), "{:?}", outcome.kinds());
    let file = node(&outcome, mosaic);
    let stream = file.streams().find(|s| s.role() == Role::Data).unwrap();
    assert!(stream.is_incomplete());
    let clusters = |o: &Outcome| {
        let file = node(o, mosaic);
        let stream = file.streams().find(|s| s.role() == Role::Data).unwrap();
        let layout: Vec<_> = stream.layout().flat_map(|(p, n)| (0..n).map(move |i| p.map(|l| l.0 + i))).collect();
        layout
    };
    let (whole, left) = (clusters(&read(image)), clusters(&outcome));
    assert_eq!(whole.len(), left.len());
    assert_eq!(whole.iter().filter(|c| c.is_none()).count(), 0);
    let holes = left.iter().filter(|c| c.is_none()).count();
    assert!(holes > 20 && holes < 400, "{holes}");
    assert!(whole.iter().zip(&left).all(|(w, l)| l.is_none() || w == l));
}

/// The base record lost: its extension records keep the clusters, under the number of the lost record.
#[test]
fn a_lost_base_record_leaves_its_extensions() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let mosaic = record_named(&answers, "/Photos/mosaic.raw");
    let place = record_place(&answers, mosaic);
    image[place..place + 1024].fill(0x5A);
    let outcome = read(image);
    assert!(outcome.has(&ntfs::EXTENSION_ALONE));
    let orphan = node(&outcome, mosaic);
    let stream = orphan.streams().find(|s| s.role() == Role::Data).unwrap();
    assert!(stream.is_incomplete());
    let whole: u64 = extents_of(&answers, mosaic, None).iter().map(|e| e.bytes / 4096).sum();
    let kept: u64 = stream.runs().map(|r| r.count).sum();
    assert!(kept * 10 > whole * 9 && kept < whole, "{kept} of {whole} clusters");
    assert!(orphan.path().starts_with("/<orphans>/") || orphan.path() == "/Photos/mosaic.raw", "{}", orphan.path());
}

#[test]
fn a_run_outside_the_volume_is_dropped_and_said() {
    let answers = common::answers("ntfs-rich");
    let record = record_named(&answers, "/Photos/2019/orchid 0001.jpg");
    let mut image = fixture("ntfs-rich");
    edit_record(&mut image, record_place(&answers, record), |record| {
        let at = attribute_at(record, 0x80);
        let runs = at + usize::from(record[at + 0x20]);
        // One run of the same length, 0x7FFFFF clusters up.
        let count = u64::from_le_bytes(record[at + 0x18..at + 0x20].try_into().unwrap()) + 1;
        record[runs..runs + 7].copy_from_slice(&[0x31, u8::try_from(count).unwrap(), 0xFF, 0xFF, 0x7F, 0, 0]);
    });
    let outcome = read(image);
    assert_eq!(outcome.kinds(), [ntfs::RUN_OUTSIDE.id]);
    let file = node(&outcome, record);
    let stream = file.streams().find(|s| s.role() == Role::Data).unwrap();
    assert!(stream.is_incomplete() && stream.runs().next().is_none());
}

#[test]
fn an_unreadable_bitmap_leaves_its_clusters_unknown() {
    let answers = common::answers("ntfs-rich");
    let place = extents_of(&answers, 6, None)[0].start.0;
    let outcome = read_with(fixture("ntfs-rich"), &[Extent::new(place + 512, 512).unwrap()]);
    assert_eq!(outcome.kinds(), [ntfs::BITMAP_PARTLY.id]);
    let unknown: Vec<_> = outcome.map().allocation.unknown.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(unknown, [(4096, 4096)]);

    let mut image = fixture("ntfs-rich");
    let record = record_place(&answers, 6);
    image[record..record + 1024].fill(0x5A);
    let outcome = read(image);
    assert!(outcome.has(&ntfs::BITMAP_LOST));
    let map = outcome.map();
    assert_eq!(map.allocation.unknown.count(), map.geometry.cluster_count);
    assert!(map.allocation.allocated.is_empty());
}

#[test]
fn the_mark_of_an_unclean_unmount_is_seen() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    edit_record(&mut image, record_place(&answers, 3), |record| {
        let at = attribute_at(record, 0x70);
        record[at + 0x18 + 10] |= 1;
    });
    let outcome = read(image);
    assert_eq!(outcome.map().state.dirty, Some(true));
    assert!(outcome.findings().kept().iter().any(|finding| finding.code.id == "volume-dirty"));
    assert_eq!(read(fixture("ntfs-rich")).map().state.dirty, Some(false));
}

/// $BadClus:$Bad with two clusters in it, as Linux-NTFS documentation (page "badclus") describes it.
#[test]
fn bad_clusters_are_known() {
    let answers = common::answers("ntfs-rich");
    let mut image = fixture("ntfs-rich");
    let clusters = answers["cluster_count"].as_u64().unwrap();
    edit_record(&mut image, record_place(&answers, 8), |record| {
        let mut at = attribute_at(record, 0x80);
        at += usize::try_from(u32::from_le_bytes(record[at + 4..at + 8].try_into().unwrap())).unwrap();
        assert_eq!(record[at + 9], 4, "the second $DATA is named $Bad");
        let runs = at + usize::from(record[at + 0x20]);
        // 5000 clusters of hole, two bad ones at 5000, the rest hole.
        let rest = u16::try_from(clusters - 5002).unwrap().to_le_bytes();
        record[runs..runs + 8].copy_from_slice(&[0x02, 0x88, 0x13, 0x21, 0x02, 0x88, 0x13, 0x02]);
        // The record's attribute has room for 8 bytes; what is behind it is moved up.
        let end = at + usize::try_from(u32::from_le_bytes(record[at + 4..at + 8].try_into().unwrap())).unwrap();
        record.copy_within(end..end + 16, end + 8);
        record[runs + 8..runs + 11].copy_from_slice(&[rest[0], rest[1], 0]);
        let length = u32::try_from(end + 8 - at).unwrap().to_le_bytes();
        record[at + 4..at + 8].copy_from_slice(&length);
    });
    let outcome = read(image);
    let bad: Vec<_> = outcome.map().allocation.bad.runs().iter().map(|r| (r.first.0, r.count)).collect();
    assert_eq!(bad, [(5000, 2)]);
    assert_eq!(outcome.kinds(), Vec::<&str>::new());
}

#[test]
fn a_truncated_volume_keeps_what_is_there() {
    let mut image = fixture("ntfs-rich");
    image.truncate(40 << 20);
    let outcome = read(image);
    assert!(outcome.has(&ntfs::VOLUME_CUT), "{:?}", outcome.kinds());
    assert!(outcome.map().catalog.len() > 50);
    for keep in [0, 1, 511, 512, 5000, 20_000, 1 << 20] {
        let mut image = fixture("ntfs-rich");
        image.truncate(keep);
        let outcome = read(image);
        assert!(outcome.findings().highest_severity() >= Some(Severity::Damage), "{keep}: {:?}", outcome.kinds());
    }
}
