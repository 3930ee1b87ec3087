//! What the second readers say of sound volumes, of copies that lack something, and of volumes that were tampered with.

use crate::common::fixture;
use crate::held::{Held, drive, index};
use gleaner::base::extent::Extent;
use gleaner::filesystem::{Role, VolumeMap};
use gleaner::results::verify::{Difference, NotCompared, SecondOpinion, Verdict, second_opinion};
use gleaner::survey::allocation::DriveMap;

fn volume(map: &DriveMap) -> &VolumeMap {
    map.volumes().next().expect("a volume").1
}

fn ask(map: &DriveMap, held: &Held) -> SecondOpinion {
    let before = held.bytes.clone();
    let opinion = second_opinion(volume(map), held, 64 << 20);
    assert!(before == held.bytes, "the copy is untouched");
    assert_eq!(opinion.refused_writes, 0);
    opinion
}

fn opinion_of(name: &str) -> SecondOpinion {
    let image = fixture(name);
    ask(&drive(&image), &Held::all(image))
}

#[test]
fn sound_volumes_agree_but_for_what_the_second_reader_does_not_follow() {
    let names = [
        "ntfs-rich",
        "ntfs-mft-list",
        "ntfs-cluster-512",
        "ntfs-cluster-1k",
        "ntfs-cluster-8k",
        "ntfs-cluster-64k",
        "ntfs-cluster-2m",
        "ntfs-sector-4096",
        "ntfs-sector-4096-cluster-64k",
        "fat12-floppy",
        "fat12-clusters-4k",
        "fat16",
        "fat16-sector-4096",
        "fat32-clusters-512",
        "fat32-clusters-4k",
        "fat32-sector-4096",
        "drive-gpt",
    ];
    for name in names {
        let opinion = opinion_of(name);
        assert_eq!((&opinion.verdict, opinion.different), (&Verdict::Agrees, 0), "{name}: {:?}", opinion.differences);
        let is_ntfs = opinion.reader.starts_with("ntfs");
        let why: Vec<NotCompared> = opinion.not_compared.iter().map(|(why, _)| *why).collect();
        let expected: &[NotCompared] = if is_ntfs { &[NotCompared::NotFollowed] } else { &[] };
        assert_eq!((why.as_slice(), opinion.absent_bytes), (expected, 0), "{name}");
        assert!(opinion.contents_compared > 3 && opinion.files > 3 && opinion.folders > 1, "{name}: {opinion:?}");
    }
}

/// The second reader, too, finds what is there to find: its numbers are not echoes of ours. Of some 5,400 files only those
/// with an attribute list, and $Boot at cluster 0, are left out.
#[test]
fn it_reads_thousands_of_files_by_itself() {
    let image = fixture("ntfs-rich");
    let map = drive(&image);
    let opinion = ask(&map, &Held::all(image));
    assert!(opinion.contents_compared > 5300 && opinion.bytes_compared > 5_000_000, "{opinion:?}");
    let nodes = volume(&map).catalog.nodes().filter(|node| !node.is_deleted());
    let listed = nodes.filter(|node| node.streams().any(|s| s.role() == Role::AttributeList));
    // By each of their names that is no 8.3 name.
    let names = listed.map(|node| node.links().count() as u64).sum::<u64>();
    let &[(NotCompared::NotFollowed, left_out)] = opinion.not_compared.as_slice() else { panic!("{opinion:?}") };
    assert!(left_out > 1 && left_out <= names + 1, "{left_out} of {names}");
}

fn node_stream_place(volume: &VolumeMap, path: &str, role: Role) -> Extent {
    let node = volume.catalog.nodes().find(|n| !n.is_deleted() && n.path() == path).unwrap();
    let run = node.streams().find(|s| s.role() == role).unwrap().runs().next().unwrap();
    volume.geometry.extent(run).unwrap()
}

fn difference_at<'o>(opinion: &'o SecondOpinion, path: &str) -> &'o gleaner::results::verify::FolderDifference {
    opinion.differences.iter().find(|d| d.path == path).unwrap_or_else(|| panic!("{path}: {:?}", opinion.differences))
}

/// Folder entries that were never copied: ours does not need them, the second reader does.
#[test]
fn what_the_copy_lacks_is_not_compared() {
    let image = fixture("ntfs-rich");
    let map = drive(&image);
    let place = node_stream_place(volume(&map), "/Users/ida/Specimens", Role::FolderIndex);
    let mut held = Held::all(image);
    held.leave_out(place);
    let opinion = ask(&map, &held);
    assert!(opinion.not_compared.contains(&(NotCompared::NotInCopy, 1)), "{:?}", opinion.not_compared);
    assert_eq!((opinion.different, &opinion.verdict), (0, &Verdict::Agrees), "{:?}", opinion.differences);
    assert!(opinion.absent_bytes > 0);
}

/// A difference must come out as one: a name is changed in the folder's index, where the second
/// reader finds it, and not in the file record, where ours does.
#[test]
fn a_name_that_differs_is_a_difference() {
    let image = fixture("ntfs-rich");
    let map = drive(&image);
    let place = node_stream_place(volume(&map), "/Users/ida/Specimens", Role::FolderIndex);
    let units = |text: &str| text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
    let (old, new) = (units("specimen 00007.txt"), units("specimen 0000X.txt"));
    let mut held = Held::all(image);
    let index_bytes = &mut held.bytes[index(place.start.0)..index(place.end())];
    let at = index_bytes.windows(old.len()).position(|window| window == old).unwrap();
    index_bytes[at..at + new.len()].copy_from_slice(&new);
    let opinion = ask(&map, &held);
    let ours = difference_at(&opinion, "/Users/ida/Specimens/specimen 00007.txt");
    let theirs = difference_at(&opinion, "/Users/ida/Specimens/specimen 0000X.txt");
    assert_eq!(ours.difference, Difference::OnlyOurs);
    assert_eq!(theirs.difference, Difference::OnlyTheirs);
    assert_eq!((opinion.different, &opinion.verdict), (2, &Verdict::Differs));
}

/// Where ours used a copy of a structure, the second reader has none.
#[test]
fn a_lost_boot_sector_is_not_opened() {
    let mut image = fixture("drive-gpt");
    let starts: Vec<_> = drive(&image).volumes().map(|(_, volume)| index(volume.extent.start.0)).collect();
    for start in &starts {
        image[*start..start + 512].fill(0);
    }
    let map = drive(&image);
    let held = Held::all(image);
    let mut kinds = std::collections::BTreeSet::new();
    for (_, volume) in map.volumes() {
        let opinion = second_opinion(volume, &held, 0);
        let Verdict::NotOpened { message } = &opinion.verdict else { panic!("{opinion:?}") };
        assert!(!message.is_empty());
        kinds.insert(volume.kind.name());
    }
    assert!(kinds.contains("NTFS") && kinds.contains("FAT32"), "{kinds:?}");
}

/// A folder whose chain runs in a circle: the entry of its last cluster is made to point at its first. The second
/// reader sees no error there (it goes round), so it has to be ended.
#[test]
fn a_circle_ends() {
    let image = fixture("fat16");
    let map = drive(&image);
    let fat = volume(&map);
    let folder = fat.catalog.nodes().find(|n| {
        let clusters = |s: gleaner::filesystem::Stream<'_>| s.runs().map(|r| r.count).sum::<u64>();
        n.streams().any(|s| s.role() == Role::FolderIndex && clusters(s) >= 1) && n.path() != "/"
    });
    let folder = folder.unwrap();
    let runs: Vec<_> = folder.streams().next().unwrap().runs().collect();
    let (first, last) = (runs[0].first.0, runs[runs.len() - 1].end() - 1);
    // No end mark may stop it before the circle closes.
    let mut held = Held::all(image);
    for run in &runs {
        let place = fat.geometry.extent(*run).unwrap();
        for entry in held.bytes[index(place.start.0)..index(place.end())].as_chunks_mut::<32>().0 {
            if entry[0] == 0 {
                entry[0] = 0xE5;
            }
        }
    }
    for (place, _) in fat.fixed.iter().filter(|(_, kind)| *kind == gleaner::filesystem::FixedKind::Metadata).take(2) {
        let at = index(place.start.0 + 2 * last);
        held.bytes[at..at + 2].copy_from_slice(&u16::try_from(first).unwrap().to_le_bytes());
    }
    let opinion = second_opinion(fat, &held, 0);
    let difference = difference_at(&opinion, &folder.path());
    assert!(matches!(difference.difference, Difference::Unreadable { .. }), "{difference:?}");
    assert!(opinion.folders > 1, "the others were read");
}

/// Damage everywhere: whatever the second reader does, an opinion comes out.
#[test]
fn damage_never_takes_the_program_down() {
    let mut random = 0x9E37_79B9_7F4A_7C15u64;
    let mut next = move || {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        random
    };
    for name in ["fat12-floppy", "ntfs-cluster-512", "ntfs-cluster-8k"] {
        let image = fixture(name);
        let map = drive(&image);
        let structure: Vec<Extent> = {
            let volume = volume(&map);
            let of_nodes = volume.catalog.nodes().filter(|n| !n.is_deleted()).flat_map(|n| n.streams());
            let kept = of_nodes.filter(|s| s.role() != Role::Data || s.size() == s.valid() && s.runs().count() > 0);
            let own = kept.filter(|s| s.role() == Role::FolderIndex).flat_map(|s| s.runs());
            let table = volume.catalog.nodes().next().unwrap().streams().flat_map(|s| s.runs());
            own.chain(table)
                .filter_map(|run| volume.geometry.extent(run))
                .chain(volume.fixed.iter().map(|f| f.0))
                .collect()
        };
        for _ in 0..40 {
            let mut held = Held::all(image.clone());
            for _ in 0..40 {
                let place = structure[index(next() % structure.len() as u64)];
                let at = index(place.start.0 + next() % place.bytes);
                held.bytes[at] = next().to_le_bytes()[0];
            }
            let opinion = second_opinion(volume(&map), &held, 1 << 20);
            assert_eq!(opinion.refused_writes, 0);
        }
    }
}
