//! Volumes damaged in one place: what is lost is what stood there.

use super::common::fixture;
use super::{assert_same, codes, file, files, find, is_incomplete, map_of, open, unreadable};
use gleaner::base::extent::Extent;
use gleaner::base::units::{Lcn, SectorSize};
use gleaner::filesystem::{ClusterRun, ClusterSet, Content, VolumeMap, read_content};
use gleaner::source::{MemorySource, Reader, Window};

// What follows damages `exfat-clusters-4k`: 512-byte sectors, one FAT at 1048576, clusters of 4096 bytes from 2097152,
// 5632 of them, bitmap in cluster 2 (its answers file).
const NAME: &str = "exfat-clusters-4k";
const FAT: usize = 1 << 20;
const HEAP: usize = 2 << 20;
const CLUSTER: usize = 4096;

fn set_entry(bytes: &mut [u8], cluster: u64, value: u32) {
    bytes[FAT + usize::try_from(cluster).unwrap() * 4..][..4].copy_from_slice(&value.to_le_bytes());
}

fn cluster_byte(cluster: u64) -> usize {
    HEAP + (usize::try_from(cluster).unwrap() - 2) * CLUSTER
}

fn clusters(map: &VolumeMap, path: &str) -> Vec<u64> {
    let first = |start: u64| (start - HEAP as u64) / CLUSTER as u64 + 2;
    let extents = find(map, path).extents;
    extents.iter().flat_map(|(start, len)| first(*start)..first(start + len)).collect()
}

/// The primary entry of the set with this name, wherever it is.
fn set_of(bytes: &[u8], name: &str) -> usize {
    let units: Vec<u8> = name.encode_utf16().take(15).flat_map(u16::to_le_bytes).collect();
    let is_set = |at: &usize| {
        bytes[*at] == 0x85 && bytes[at + 32] == 0xC0 && bytes[at + 64] == 0xC1 && bytes[at + 66..].starts_with(&units)
    };
    (HEAP..bytes.len() - 96).step_by(32).find(is_set).unwrap_or_else(|| panic!("no set for {name}"))
}

/// Puts the checksum of a set right again: specification 1.00, 6.3.3, figure 2.
fn reseal(bytes: &mut [u8], at: usize) {
    let length = 32 * (1 + usize::from(bytes[at + 1]));
    let counted = bytes[at..at + length].iter().enumerate().filter(|(n, _)| *n != 2 && *n != 3);
    let sum = counted.fold(0u16, |sum, (_, byte)| {
        (if sum & 1 == 1 { 0x8000u16 } else { 0 }).wrapping_add(sum >> 1).wrapping_add(u16::from(*byte))
    });
    bytes[at + 2..at + 4].copy_from_slice(&sum.to_le_bytes());
}

#[test]
fn a_lost_main_boot_region_is_replaced_by_its_backup() {
    for (name, sector) in [(NAME, 512), ("exfat-sector-4096", 4096)] {
        let bytes = fixture(name);
        let sound = map_of(bytes.clone());
        let mut zeroed = bytes.clone();
        zeroed[..12 * sector].fill(0);
        let lost = unreadable(bytes.clone(), &[(0, 12 * sector as u64)]);
        for map in [map_of(zeroed), lost] {
            assert_eq!(codes(&map.findings), ["exfat-boot-from-backup"]);
            assert_eq!((&map.allocation, map.geometry), (&sound.allocation, sound.geometry));
            assert_eq!((map.state.dirty, &map.serial), (None, &sound.serial), "the backup's flags are out of date");
            assert_same(&files(&map, false), &files(&sound, false), name);
            assert_same(&files(&map, true), &files(&sound, true), name);
        }
        // A wrong figure that is possible in itself shows by the checksum, which spans whole sectors whatever their size.
        let mut wrong = bytes.clone();
        wrong[0x60] += 1;
        let map = map_of(wrong);
        assert_eq!(codes(&map.findings), ["exfat-boot-from-backup"], "{:?}", map.findings);
        assert_same(&files(&map, false), &files(&sound, false), name);
        let mut extended = bytes.clone();
        extended[7 * sector + 3] ^= 1;
        assert_eq!(codes(&map_of(extended).findings), ["exfat-boot-from-backup"]);
        // Flags and share in use are no part of it.
        let mut dirty = bytes.clone();
        dirty[0x6A] |= 2 | 4;
        dirty[0x70] = 77;
        let map = map_of(dirty);
        assert_eq!((codes(&map.findings), map.state.dirty), (vec!["volume-dirty", "volume-errors-noted"], Some(true)));
    }
}

#[test]
fn a_volume_without_its_first_sector_is_found_by_its_backup() {
    let source = MemorySource::new(fixture(NAME), SectorSize::S512).with_unreadable(Extent::between(0, 512));
    let reader = Reader::new(Box::new(source), None);
    let content = read_content(&Window::new(&reader, reader.identity().extent())).unwrap();
    let Content::Volume(volume) = content else { panic!("{content:?}") };
    assert_eq!(codes(&volume.findings), ["exfat-boot-from-backup"]);
    assert_eq!(reader.totals().repeated_bytes, 0);
}

#[test]
fn backups_that_are_damaged_or_differ_are_told() {
    let bytes = fixture(NAME);
    let backup = 12 * 512;
    let mut damaged = bytes.clone();
    damaged[backup + 3] = 0;
    assert_eq!(codes(&map_of(damaged).findings), ["exfat-boot-backup-unusable"]);
    let lost = unreadable(bytes.clone(), &[(backup as u64 + 1024, 512)]);
    assert_eq!(codes(&lost.findings), ["exfat-boot-backup-unusable"]);
    // Another serial, with the checksum that goes with it: 3.4, figure 1.
    let mut other = bytes.clone();
    other[backup + 0x64] ^= 0xFF;
    let counted = other[backup..backup + 11 * 512].iter().enumerate().filter(|(at, _)| ![106, 107, 112].contains(at));
    let sum = counted.fold(0u32, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)));
    for at in (backup + 11 * 512..backup + 12 * 512).step_by(4) {
        other[at..at + 4].copy_from_slice(&sum.to_le_bytes());
    }
    assert_eq!(codes(&map_of(other).findings), ["exfat-boot-backup-differs"]);
    // Both damaged, but with possible figures: the main one is taken.
    let mut both = bytes.clone();
    both[512] ^= 1;
    both[backup + 512] ^= 1;
    assert_eq!(codes(&map_of(both).findings), ["exfat-boot-backup-unusable", "exfat-boot-checksum"]);
    // Both gone: said so, and nothing invented.
    let source = MemorySource::new(bytes, SectorSize::S512);
    let gone = source.with_unreadable(Extent::between(0, 24 * 512));
    assert_eq!(codes(&open(gone).0.unwrap_err()), ["exfat-not-understood"]);
    for bytes in [0, 100, 511, 6000] {
        let refused = open(MemorySource::new(vec![0xEB; bytes], SectorSize::S512)).0.unwrap_err();
        assert_eq!(codes(&refused), ["exfat-not-understood"]);
    }
}

#[test]
fn clusters_whose_mark_is_unreadable_are_unknown_not_free() {
    let sound = map_of(fixture(NAME));
    // Half of the bitmap's 704 bytes: bits 0 to 4095, clusters 2 to 4097.
    let part = unreadable(fixture(NAME), &[(HEAP as u64, 512)]);
    assert_eq!(part.allocation.unknown.runs(), [ClusterRun::new(2, 4096)]);
    assert_eq!(part.allocation.allocated, sound.allocation.allocated.without(&part.allocation.unknown));
    assert_eq!((codes(&part.findings), part.catalog_incomplete), (vec!["exfat-bitmap-partly"], false));
    assert_same(&files(&part, false), &files(&sound, false), "all files");
    let whole = unreadable(fixture(NAME), &[(HEAP as u64, CLUSTER as u64)]);
    assert_eq!(whole.allocation.unknown.runs(), [ClusterRun::new(2, 5632)]);
    // No entry for the bitmap, or one too short.
    let bytes = fixture(NAME);
    let root = cluster_byte(5);
    let entry = (root..root + CLUSTER).step_by(32).find(|at| bytes[*at] == 0x81).unwrap();
    let mut without = bytes.clone();
    without[entry] = 0x01;
    let map = map_of(without);
    assert_eq!(map.allocation.unknown.runs(), [ClusterRun::new(2, 5632)]);
    assert_eq!(codes(&map.findings), ["exfat-bitmap-lost"]);
    let mut short = bytes;
    short[entry + 24..entry + 28].copy_from_slice(&100u32.to_le_bytes());
    let map = map_of(short);
    assert_eq!(map.allocation.unknown.runs(), [ClusterRun::new(802, 5632 - 800)]);
    assert_eq!(codes(&map.findings), ["exfat-bitmap-partly", "exfat-bitmap-short"]);
}

/// The up-case table takes two clusters there; its chain ends behind the first.
#[test]
fn a_file_of_the_file_system_that_is_too_short_is_not_whole() {
    let table = "/<up-case table>";
    let mut bytes = fixture(NAME);
    let before = clusters(&map_of(bytes.clone()), table);
    assert!(before.len() > 1, "{before:?}");
    set_entry(&mut bytes, before[0], u32::MAX);
    let map = map_of(bytes);
    assert_eq!((clusters(&map, table), is_incomplete(&map, table)), (before[..1].to_vec(), true));
}

/// A FAT sector holds the chain entries of 128 clusters. It says nothing about files in one piece, nor about what is in
/// use: 4.1 and 6.3.4.2 of the specification.
#[test]
fn an_unreadable_fat_sector_costs_the_chains_through_it() {
    let sound = map_of(fixture(NAME));
    let stripe = "/Photos/Stripes/stripe 1.raw";
    let before = clusters(&sound, stripe);
    let sector = before[50] / 128;
    let map = unreadable(fixture(NAME), &[(FAT as u64 + sector * 512, 512)]);
    assert_eq!(map.allocation, sound.allocation);
    let lost = sector * 128..sector * 128 + 128;
    let kept = before.iter().take_while(|n| !lost.contains(n)).count() + 1;
    assert!(kept < before.len());
    assert_eq!((clusters(&map, stripe), is_incomplete(&map, stripe)), (before[..kept].to_vec(), true));
    let told = codes(&map.findings);
    assert!(told.contains(&"exfat-fat-lost") && told.contains(&"exfat-chain-broken"), "{told:?}");
    let loss = map.findings.kept().iter().find(|finding| finding.code.id == "exfat-fat-lost").unwrap();
    assert_eq!(loss.place.map(|at| at.0), Some(FAT as u64 + sector * 512));
    assert!(loss.sentence.contains(&format!("of 128 clusters from cluster {} ", sector * 128)), "{}", loss.sentence);
    let piece = "/Photos/2019/orchid 0001.jpg";
    assert_eq!((find(&map, piece), is_incomplete(&map, piece)), (find(&sound, piece), false));
}

#[test]
fn two_fats_two_bitmaps_and_which_is_in_use() {
    // The volume made into one with two FATs: the second behind the first, the second bitmap in a free cluster.
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    let fat_bytes = usize::try_from(sound.fixed[1].0.bytes).unwrap();
    bytes.copy_within(FAT..FAT + fat_bytes, FAT + fat_bytes);
    bytes[0x6E] = 2;
    bytes[0x6A] = 1;
    reseal_boot(&mut bytes);
    let free = 5000;
    let root = cluster_byte(5);
    let entry = (root..root + CLUSTER).step_by(32).find(|at| bytes[*at] == 0x81).unwrap();
    let end = (root..root + CLUSTER).step_by(32).find(|at| bytes[*at] == 0).unwrap();
    bytes.copy_within(entry..entry + 32, end);
    bytes[end + 1] = 1;
    bytes[end + 20..end + 24].copy_from_slice(&5000u32.to_le_bytes());
    bytes.copy_within(HEAP..HEAP + CLUSTER, cluster_byte(free));
    bytes[cluster_byte(free) + (5000 - 2) / 8] |= 1 << ((5000 - 2) % 8);
    bytes[FAT + fat_bytes + 5000 * 4..][..4].fill(0xFF);
    // What the first FAT and bitmap say must not matter.
    bytes[FAT + 8..FAT + fat_bytes].fill(0x55);
    bytes[HEAP..HEAP + 16].fill(0);
    let map = map_of(bytes.clone());
    let more: ClusterSet = [ClusterRun::new(5000, 1)].into_iter().collect();
    assert_eq!(map.allocation.allocated, sound.allocation.allocated.union(&more));
    assert_eq!(codes(&map.findings), ["exfat-active-copy"]);
    let stripe = "/Photos/Stripes/stripe 1.raw";
    assert_eq!(find(&map, stripe), find(&sound, stripe));
    // What cannot be read of the FAT in use comes from the other.
    let mut both = fixture(NAME);
    both.copy_within(FAT..FAT + fat_bytes, FAT + fat_bytes);
    both[0x6E] = 2;
    reseal_boot(&mut both);
    let map = unreadable(both, &[(FAT as u64 + 512, 1024)]);
    assert_eq!(codes(&map.findings), ["exfat-active-copy", "exfat-fat-other-copy"]);
    assert_same(&files(&map, false), &files(&sound, false), "all files");
}

/// Writes the checksum into both regions, after copying the main boot sector into the backup (3.4, figure 1).
fn reseal_boot(bytes: &mut [u8]) {
    bytes.copy_within(0..512, 12 * 512);
    for region in [0, 12 * 512] {
        let counted =
            bytes[region..region + 11 * 512].iter().enumerate().filter(|(at, _)| ![106, 107, 112].contains(at));
        let sum = counted.fold(0u32, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)));
        for at in (region + 11 * 512..region + 12 * 512).step_by(4) {
            bytes[at..at + 4].copy_from_slice(&sum.to_le_bytes());
        }
    }
}

/// FFFFFFF7 (4.1.3) where the bitmap agrees (7.1.5).
#[test]
fn clusters_marked_bad() {
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    assert!(!sound.allocation.allocated.contains(Lcn(4000)) && !sound.allocation.allocated.contains(Lcn(4001)));
    set_entry(&mut bytes, 4000, 0xFFFF_FFF7);
    set_entry(&mut bytes, 4001, 0xFFFF_FFF7);
    bytes[HEAP + (4000 - 2) / 8] |= 1 << ((4000 - 2) % 8);
    let map = map_of(bytes);
    assert_eq!(map.allocation.bad.runs(), [ClusterRun::new(4000, 1)]);
    assert!(map.allocation.allocated.contains(Lcn(4000)) && !map.allocation.allocated.contains(Lcn(4001)));
}

#[test]
fn loops_broken_chains_and_cross_links_cost_their_own_files() {
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    let stripe = |n: u32| format!("/Photos/Stripes/stripe {n}.raw");
    let [a, b, c] = [0, 1, 2].map(|n| clusters(&sound, &stripe(n)));
    set_entry(&mut bytes, a[99], u32::try_from(a[1]).unwrap());
    set_entry(&mut bytes, b[10], 0);
    set_entry(&mut bytes, c[20], 0x7000_0000);
    // A file in one piece laid over another.
    let at = set_of(&bytes, "sedge 0001.jpg");
    let orchid = clusters(&sound, "/Photos/2019/orchid 0001.jpg");
    bytes[at + 52..at + 56].copy_from_slice(&u32::try_from(orchid[19]).unwrap().to_le_bytes());
    reseal(&mut bytes, at);
    let map = map_of(bytes);
    assert_eq!((clusters(&map, &stripe(0)), is_incomplete(&map, &stripe(0))), (a, true));
    assert_eq!((clusters(&map, &stripe(1)), is_incomplete(&map, &stripe(1))), (b[..11].to_vec(), true));
    assert_eq!((clusters(&map, &stripe(2)), is_incomplete(&map, &stripe(2))), (c[..21].to_vec(), true));
    assert_eq!(codes(&map.findings), ["exfat-chain-broken", "exfat-chain-loop", "exfat-cross-link"]);
    let cross: Vec<&str> =
        map.findings.kept().iter().filter(|f| f.code.id == "exfat-cross-link").map(|f| &*f.sentence).collect();
    assert!(cross[0].contains("orchid 0001.jpg") && cross[0].contains("sedge 0001.jpg"), "{cross:?}");
    assert_eq!(map.allocation, sound.allocation);
    let hurt = |f: &&super::File| f.path.contains("stripe") || f.path.contains("sedge");
    let rest = |map: &VolumeMap| files(map, false).into_iter().filter(|f| !hurt(&f)).collect::<Vec<_>>();
    assert_same(&rest(&map), &rest(&sound), "all other files");
}

#[test]
fn wrong_sizes_and_places_are_noticed() {
    let bytes = fixture(NAME);
    let damage = |name: &str, at: usize, value: &[u8]| {
        let mut bytes = bytes.clone();
        let set = set_of(&bytes, name);
        bytes[set + at..set + at + value.len()].copy_from_slice(value);
        reseal(&mut bytes, set);
        map_of(bytes)
    };
    let (stripe, whole) = ("stripe 1.raw", "orchid 0001.jpg");
    assert_eq!(
        codes(&damage(stripe, 56, &900_000u64.to_le_bytes()).findings),
        ["exfat-chain-short", "exfat-valid-length"][..1]
    );
    let long = damage(stripe, 56, &4096u64.to_le_bytes());
    assert_eq!(codes(&long.findings), ["exfat-chain-long", "exfat-valid-length"]);
    assert_eq!(find(&long, "/Photos/Stripes/stripe 1.raw").valid, 4096);
    assert_eq!(codes(&damage(stripe, 52, &1u32.to_le_bytes()).findings), ["exfat-first-cluster"]);
    assert_eq!(codes(&damage(whole, 52, &5634u32.to_le_bytes()).findings), ["exfat-first-cluster"]);
    let outside = damage(whole, 52, &5620u32.to_le_bytes());
    assert_eq!(codes(&outside.findings), ["exfat-run-outside"]);
    assert_eq!(clusters(&outside, "/Photos/2019/orchid 0001.jpg"), (5620..5634).collect::<Vec<_>>());
    assert!(is_incomplete(&outside, "/Photos/2019/orchid 0001.jpg"));
    // Hostile sizes: nothing overflows.
    assert_eq!(codes(&damage(whole, 56, &u64::MAX.to_le_bytes()).findings), ["exfat-cross-link", "exfat-run-outside"]);
}

#[test]
fn damaged_sets_are_listed_and_marked() {
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    let at = set_of(&bytes, "plot list.csv");
    bytes[at + 8] ^= 1; // in the time of creation
    let map = map_of(bytes.clone());
    assert_eq!(codes(&map.findings), ["exfat-set-checksum"]);
    assert_same(&files(&map, false), &files(&sound, false), "all files");
    // Its stream entry gone, nothing is left to go by; and a zero there reads as the end of the folder.
    bytes[at + 32] = 0;
    let map = map_of(bytes);
    assert!(map.catalog_incomplete);
    assert_eq!(codes(&map.findings), ["exfat-behind-end", "exfat-entry-implausible"]);
}

#[test]
fn a_folder_inside_itself_is_read_once() {
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    let first = clusters(&sound, "/Surveys")[0];
    let at = set_of(&bytes, "Nothing yet");
    bytes[at + 52..at + 56].copy_from_slice(&u32::try_from(first).unwrap().to_le_bytes());
    reseal(&mut bytes, at);
    let (outcome, totals, _) = open(MemorySource::new(bytes, SectorSize::S512));
    let map = outcome.unwrap();
    assert!(codes(&map.findings).contains(&"exfat-folder-twice"), "{:?}", codes(&map.findings));
    assert_eq!((map.catalog.len(), totals.repeated_bytes), (sound.catalog.len(), 0));
}

#[test]
fn an_unreadable_folder_sector_costs_its_entries_only() {
    let sound = map_of(fixture(NAME));
    let folder = find(&sound, "/Specimens");
    // Its third sector: 16 entries, sets of three of one thousand files.
    let map = unreadable(fixture(NAME), &[(folder.extents[0].0 + 1024, 512)]);
    assert!(map.catalog_incomplete);
    let lost = sound.catalog.nodes().count() - map.catalog.nodes().count();
    assert!((4..=6).contains(&lost), "{lost}");
    assert_eq!(map.allocation, sound.allocation);
    let told = codes(&map.findings);
    assert!(told.contains(&"exfat-folder-unreadable"), "{told:?}");
    let elsewhere = |map: &VolumeMap| {
        files(map, false).into_iter().filter(|f| !f.path.starts_with("/Specimens/")).collect::<Vec<_>>()
    };
    assert_same(&elsewhere(&map), &elsewhere(&sound), "all other files");
}

#[test]
fn a_lost_root_folder_leaves_everything_to_be_planned() {
    let bytes = fixture(NAME);
    let root = find(&map_of(bytes.clone()), "/");
    let map = unreadable(bytes, &root.extents);
    assert!(map.catalog_incomplete);
    assert_eq!(map.allocation.unknown.runs(), [ClusterRun::new(2, 5632)]);
    assert_eq!(map.catalog.nodes().map(|node| file(&map, &node).path).collect::<Vec<_>>(), ["/"]);
    assert_eq!(codes(&map.findings), ["exfat-bitmap-lost", "exfat-folder-unreadable", "exfat-up-case"]);
}

#[test]
fn a_damaged_up_case_table_is_told() {
    let mut bytes = fixture(NAME);
    let table = find(&map_of(bytes.clone()), "/<up-case table>").extents[0].0;
    bytes[usize::try_from(table).unwrap() + 9] ^= 1;
    assert_eq!(codes(&map_of(bytes.clone()).findings), ["exfat-up-case"]);
    assert_eq!(codes(&unreadable(bytes, &[(table + 512, 512)]).findings), ["exfat-up-case"]);
}

#[test]
fn a_cut_volume_keeps_its_geometry_and_says_what_is_missing() {
    let mut bytes = fixture(NAME);
    let sound = map_of(bytes.clone());
    bytes.truncate(HEAP + CLUSTER * 2000);
    let map = map_of(bytes.clone());
    assert_eq!((map.geometry, &map.allocation), (sound.geometry, &sound.allocation));
    assert_same(&files(&map, false), &files(&sound, false), "all files");
    let found = &map.findings.kept()[0];
    assert_eq!(found.code.id, "exfat-volume-truncated");
    assert!(found.sentence.contains("3632 of its 5632 clusters lie beyond"), "{}", found.sentence);
    // Down to nothing but the first sectors: whatever is cut, no panic.
    for clusters in [1, 3, 10, 100, 500] {
        let mut cut = bytes.clone();
        cut.truncate(HEAP + CLUSTER * clusters);
        assert!(codes(&map_of(cut).findings).contains(&"exfat-volume-truncated"));
    }
    for end in [13 * 512, 24 * 512, FAT + 600, HEAP - 1, HEAP + 100] {
        let mut cut = bytes.clone();
        cut.truncate(end);
        assert!(codes(&map_of(cut).findings).contains(&"exfat-volume-truncated"));
    }
}
