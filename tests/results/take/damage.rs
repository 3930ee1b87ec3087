//! Files of which the case lacks bytes: marked, of full size, and right everywhere else.

use crate::common::fixture;
use crate::held::{Held, drive, index};
use crate::take::{Result, take, take_of, take_with};
use gleaner::base::extent::Extent;
use gleaner::filesystem::{Role, VolumeMap};
use gleaner::results::content::Absence;
use gleaner::results::take::{MissingRange, Note, TakenState};
use serde_json::{Value, json};
use std::fs;

const CLUSTER: u64 = 4096;

/// Where bytes `from` to `to` of a file's content lie, for a file whose content there is in one run.
fn place(volume: &VolumeMap, path: &str, from: u64, to: u64) -> Extent {
    let node = volume.catalog.nodes().find(|n| !n.is_deleted() && n.path() == path).unwrap();
    let stream = node.streams().find(|s| s.role() == Role::Data && s.name().is_none()).unwrap();
    let mut at = 0;
    for (first, count) in stream.layout() {
        let end = at + count * CLUSTER;
        if from >= at && to <= end {
            let start = volume.geometry.heap_start + first.unwrap().0 * CLUSTER + (from - at);
            return Extent::between(start, start + (to - from));
        }
        at = end;
    }
    panic!("{path} has no such bytes in one run");
}

fn record_place(volume: &VolumeMap, path: &str) -> Extent {
    let node = volume.catalog.nodes().find(|n| !n.is_deleted() && n.path() == path).unwrap();
    let places = gleaner::filesystem::ntfs::RecordPlaces::of(volume).unwrap().place(node.number()).unwrap();
    assert_eq!(places.len(), 1);
    places[0]
}

struct Scene {
    held: Held,
    drive: gleaner::survey::allocation::DriveMap,
    before: Result,
}

impl Scene {
    fn new(chosen: &[&str]) -> Scene {
        let held = Held::all(fixture("ntfs-rich"));
        let before = take(&held, chosen);
        Scene { drive: drive(&held.bytes), held, before }
    }

    fn volume(&self) -> &VolumeMap {
        self.drive.volumes().next().unwrap().1
    }
}

#[test]
fn unreadable_and_unread_bytes_keep_their_place_and_are_told_apart() {
    let (photo, table) = ("/Photos/2019/orchid 0001.jpg", "/Surveys/2020 Fen/water levels.csv");
    let mut scene = Scene::new(&[photo, table]);
    // Bytes 50,688 to 51,200 (one sector), and the file's last bytes with the rest of their cluster.
    let sector = place(scene.volume(), photo, 50_688, 51_200);
    let tail = place(scene.volume(), photo, 208_896, 212_992);
    let unread = place(scene.volume(), table, 40_960, 49_152);
    scene.held.give_up_at(sector);
    scene.held.give_up_at(tail);
    scene.held.leave_out(unread);
    let scratch = tempfile::tempdir().unwrap();
    let out = scratch.path().join("out");
    let (files, totals) = take_with(&scene.drive, &scene.held, &[photo, table], b'?', &out);
    let taken = files.iter().find(|f| f.path == photo).unwrap();
    let range = |start, bytes, why| MissingRange { start, bytes, why };
    let lost = [range(50_688, 512, Absence::Unreadable), range(208_896, 1104, Absence::Unreadable)];
    assert_eq!((taken.state, taken.bytes, taken.missing.as_slice()), (TakenState::Damaged, 210_000, lost.as_slice()));
    assert_eq!(taken.written_to.as_ref().unwrap().to_str(), Some("Photos/2019/orchid 0001.damaged.jpg"));
    let mut expected = scene.before.content(scene.before.file(photo));
    expected[50_688..51_200].fill(b'?');
    expected[208_896..].fill(b'?');
    assert!(fs::read(out.join(taken.written_to.as_ref().unwrap())).unwrap() == expected);

    let companion: Value =
        serde_json::from_slice(&fs::read(out.join("Photos/2019/orchid 0001.damaged.jpg.missing.json")).unwrap())
            .unwrap();
    let told = json!({
        "path": photo, "stream": null, "bytes": 210_000, "state": "damaged", "notes": [],
        "missing": [{"start": 50_688, "bytes": 512, "why": "unreadable"}, {"start": 208_896, "bytes": 1104, "why": "unreadable"}],
    });
    assert_eq!(companion, told);

    let taken = files.iter().find(|f| f.path == table).unwrap();
    assert_eq!(taken.missing, [range(40_960, 8192, Absence::NotRead)]);
    assert_eq!(taken.written_to.as_ref().unwrap().to_str(), Some("Surveys/2020 Fen/water levels.incomplete.csv"));
    let mut expected = scene.before.content(scene.before.file(table));
    expected[40_960..49_152].fill(0);
    assert!(fs::read(out.join(taken.written_to.as_ref().unwrap())).unwrap() == expected);
    let totals = totals.unwrap();
    assert_eq!((totals.files, totals.missing_bytes), ([0, 1, 1, 0], 512 + 1104 + 8192));
}

/// One lost sector of a compressed unit costs the unit, 65,536 bytes of the file, and no other.
#[test]
fn a_compressed_unit_is_whole_or_missing() {
    let path = "/Surveys/Compressed/transect all compressible.txt";
    let mut scene = Scene::new(&[path]);
    let stored = place(scene.volume(), path, 65_536, 65_536 + 512);
    scene.held.give_up_at(stored);
    let result = take_of(&scene.drive, &scene.held, &[path]);
    let taken = result.file(path);
    assert_eq!(taken.missing, [MissingRange { start: 65_536, bytes: 65_536, why: Absence::Unreadable }]);
    let mut expected = scene.before.content(scene.before.file(path));
    expected[65_536..131_072].fill(0);
    assert!(result.content(taken) == expected);
}

/// Bytes that were read and are not what the compressor wrote: the chunk header is made impossible.
#[test]
fn a_unit_that_makes_no_sense_is_damage_not_content() {
    let path = "/Surveys/Compressed/transect all compressible.txt";
    let mut scene = Scene::new(&[path]);
    let stored = place(scene.volume(), path, 65_536, 65_536 + 512);
    scene.held.bytes[index(stored.start.0) + 1] = 0x11;
    let result = take_of(&scene.drive, &scene.held, &[path]);
    let taken = result.file(path);
    assert_eq!(taken.missing, [MissingRange { start: 65_536, bytes: 65_536, why: Absence::Damaged }]);
    assert_eq!(taken.state, TakenState::Damaged);
    assert_eq!(result.content(taken).len(), 300_000);
}

/// Content in the file record: the record is read again from the case.
#[test]
fn resident_content_goes_with_its_record() {
    let (kept, lost, torn) = (
        "/Users/ida/Specimens/specimen 00100.txt",
        "/Users/ida/Specimens/specimen 02500.txt",
        "/Users/ida/Specimens/specimen 04000.txt",
    );
    let mut scene = Scene::new(&[kept, lost, torn]);
    let (lost_record, torn_record) = (record_place(scene.volume(), lost), record_place(scene.volume(), torn));
    scene.held.give_up_at(lost_record);
    // The update sequence number at the end of the second stride.
    scene.held.bytes[index(torn_record.end()) - 1] ^= 0x80;
    let result = take_of(&scene.drive, &scene.held, &[kept, lost, torn]);
    assert_eq!(result.file(kept).state, TakenState::Complete);
    for (path, why) in [(lost, Absence::Unreadable), (torn, Absence::Damaged)] {
        let taken = result.file(path);
        let size = scene.before.file(path).bytes;
        assert_eq!(taken.missing, [MissingRange { start: 0, bytes: size, why }], "{path}");
        assert_eq!(result.content(taken), vec![0; index(size)], "{path}");
    }
}

/// A chain that breaks off: the rest of the file has no known place. The FAT entry of the file's third cluster is
/// made free in both FATs ("FAT: General Overview of On-Disk Format", Microsoft, 1.03, FAT entry 0; from memory).
#[test]
fn a_broken_chain_is_damage_from_there_on() {
    let mut image = fixture("fat16");
    let map = drive(&image);
    let volume = map.volumes().next().unwrap().1;
    let cluster = volume.geometry.cluster_bytes;
    let (path, third) = volume
        .catalog
        .nodes()
        .filter(|n| !n.is_deleted())
        .find_map(|n| {
            let stream = n.streams().find(|s| s.role() == Role::Data && s.size() > 4 * cluster)?;
            let run = stream.runs().next().filter(|run| run.count > 3)?;
            Some((n.path(), run.first.0 + 2))
        })
        .unwrap();
    let size = take(&Held::all(image.clone()), &[&path]).file(&path).bytes;
    for (fat, _) in volume.fixed.iter().filter(|(_, kind)| *kind == gleaner::filesystem::FixedKind::Metadata).take(2) {
        let at = index(fat.start.0 + 2 * third);
        image[at..at + 2].fill(0);
    }
    let result = take(&Held::all(image), &[&path]);
    let taken = result.file(&path);
    let from = 3 * cluster;
    assert_eq!(taken.missing, [MissingRange { start: from, bytes: size - from, why: Absence::NoPlace }]);
    assert!(taken.notes.contains(&Note::RunListIncomplete));
    assert_eq!(result.content(taken).len() as u64, size);
}
