//! Volumes damaged in one place: what is lost is what stood there.

use super::common::fixture;
use super::{File, assert_same, codes, files, map_of, open};
use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::filesystem::{ClusterRun, NodeKind, VolumeMap, VolumeState};
use gleaner::source::MemorySource;
use std::collections::BTreeSet;

// What follows damages `fat16`: 512-byte sectors, FATs at 2048 and 26624 of 24576 bytes, root at 51200, clusters of
// 2048 bytes from 67584, 12255 of them (its answers file).
const FAT_1: usize = 2048;
const FAT_2: usize = 26624;

fn set_entry(bytes: &mut [u8], cluster: usize, value: u16) {
    for fat in [FAT_1, FAT_2] {
        bytes[fat + cluster * 2..][..2].copy_from_slice(&value.to_le_bytes());
    }
}

fn entry(bytes: &[u8], cluster: usize) -> u16 {
    u16::from_le_bytes(bytes[FAT_1 + cluster * 2..][..2].try_into().unwrap())
}

/// The byte of the root folder's entry with this short name.
fn root_entry(bytes: &[u8], short: &[u8; 11]) -> usize {
    (51200..67584).step_by(32).find(|at| bytes[*at..].starts_with(short)).unwrap()
}

fn unreadable(bytes: Vec<u8>, places: &[(u64, u64)]) -> Box<VolumeMap> {
    let source = MemorySource::new(bytes, SectorSize::S512);
    let source = places.iter().fold(source, |s, (start, len)| s.with_unreadable(Extent::new(*start, *len).unwrap()));
    open(source).0.unwrap_or_else(|f| panic!("{f:?}"))
}

#[test]
fn unreadable_sectors_of_one_fat_come_from_the_other() {
    let sound = map_of(fixture("fat16"));
    let map = unreadable(fixture("fat16"), &[(FAT_1 as u64 + 512, 1024), (FAT_2 as u64 + 4096, 512)]);
    assert_eq!(map.allocation, sound.allocation);
    assert_same(&files(&map, false), &files(&sound, false), "all files");
    assert_eq!(codes(&map.findings), ["fat-copy-unreadable"]);
    assert_eq!(map.findings.kept().len(), 2);
}

#[test]
fn where_both_fats_are_unreadable_clusters_are_unknown_not_free() {
    let sound = map_of(fixture("fat16"));
    // Sector 1 holds the entries of clusters 256 to 511.
    let map = unreadable(fixture("fat16"), &[(FAT_1 as u64 + 512, 512), (FAT_2 as u64 + 512, 512)]);
    assert_eq!(map.allocation.unknown.runs(), [ClusterRun::new(256, 256)]);
    assert_eq!(map.allocation.allocated, sound.allocation.allocated.without(&map.allocation.unknown));
    assert!(codes(&map.findings).contains(&"fat-table-lost"));
    // A file wholly outside is as before; one that starts inside keeps its first cluster.
    let (before, after) = (files(&sound, false), files(&map, false));
    let find = |list: &[File], path: &str| list.iter().find(|f| f.path == path).unwrap().clone();
    assert_eq!(find(&before, "/PLOT0001.TXT"), find(&after, "/PLOT0001.TXT"));
    assert!(map.catalog.len() > 100);
}

#[test]
fn copies_that_differ_widen_the_allocation() {
    let mut bytes = fixture("fat16");
    let sound = map_of(bytes.clone());
    assert_eq!((entry(&bytes, 9000), entry(&bytes, 99)), (0, 0xFFFF));
    bytes[FAT_2 + 9000 * 2] = 0xFF; // in use only in copy 2
    bytes[FAT_2 + 99 * 2..][..2].fill(0); // in use only in copy 1: the file PLOT0001.TXT
    let map = map_of(bytes);
    let found = map.findings.kept().iter().find(|f| f.code.id == "fat-copies-differ").unwrap();
    assert_eq!(found.place, Some(ByteOffset(FAT_1 as u64 + 99 * 2)));
    assert!(found.sentence.starts_with("2 entries differ between the copies of the FAT, first that of cluster 99; 1 "));
    let more = [ClusterRun::new(9000, 1)].into_iter().collect();
    assert_eq!(map.allocation.allocated, sound.allocation.allocated.union(&more));
    assert_same(&files(&map, false), &files(&sound, false), "all files");
}

#[test]
fn loops_broken_chains_and_cross_links_cost_their_own_files() {
    let mut bytes = fixture("fat16");
    let sound = map_of(bytes.clone());
    let chains: Vec<(String, Vec<usize>)> = sound
        .catalog
        .nodes()
        .filter(|n| n.kind() == NodeKind::File && !n.is_deleted())
        .filter_map(|n| {
            let runs = n.streams().next()?.runs().flat_map(|r| r.first.0..r.end());
            Some((n.path(), runs.map(|c| usize::try_from(c).unwrap()).collect::<Vec<_>>()))
        })
        .filter(|(_, chain)| chain.len() >= 4)
        .collect();
    let [looping, broken, crossing, outside, target, ..] = &chains[..] else { panic!("five long files") };
    let number = |n: usize| u16::try_from(n).unwrap();
    let last = |chain: &[usize]| chain[chain.len() - 1];
    set_entry(&mut bytes, last(&looping.1), number(looping.1[1]));
    set_entry(&mut bytes, broken.1[2], 0);
    set_entry(&mut bytes, crossing.1[1], number(target.1[target.1.len() - 2]));
    set_entry(&mut bytes, outside.1[0], 0xFFF0);
    let map = map_of(bytes);
    let runs = |path: &str| {
        let node = map.catalog.nodes().find(|n| n.path() == path).unwrap();
        let stream = node.streams().next().unwrap();
        let clusters: Vec<_> = stream.runs().flat_map(|r| r.first.0..r.end()).collect();
        (clusters.into_iter().map(|c| usize::try_from(c).unwrap()).collect::<Vec<_>>(), stream.is_incomplete())
    };
    assert_eq!(runs(&looping.0), (looping.1.clone(), true));
    assert_eq!(runs(&broken.0), (broken.1[..3].to_vec(), true));
    assert_eq!(runs(&outside.0), (outside.1[..1].to_vec(), true));
    assert_eq!(runs(&crossing.0).0[..2], crossing.1[..2]);
    let shared: BTreeSet<usize> = runs(&crossing.0).0.into_iter().collect();
    let others: BTreeSet<usize> = runs(&target.0).0.into_iter().collect();
    assert!(shared.intersection(&others).count() > 0);
    for code in ["fat-chain-loop", "fat-chain-broken", "fat-cross-link"] {
        assert!(codes(&map.findings).contains(&code), "{code}: {:?}", codes(&map.findings));
    }
    // All other files are as they were.
    let hurt = [&looping.0, &broken.0, &crossing.0, &outside.0, &target.0];
    let rest = |list: Vec<File>| list.into_iter().filter(|f| !hurt.contains(&&f.path)).collect::<Vec<_>>();
    assert_same(&rest(files(&map, false)), &rest(files(&sound, false)), "all other files");
}

#[test]
fn wrong_sizes_are_noticed() {
    let mut bytes = fixture("fat16");
    let (long, short) = (root_entry(&bytes, b"PLOT0001TXT"), root_entry(&bytes, b"PLOT0002TXT"));
    bytes[long + 28..long + 32].fill(0);
    bytes[short + 28..short + 32].copy_from_slice(&5000u32.to_le_bytes());
    let map = map_of(bytes);
    assert_eq!(codes(&map.findings), ["fat-chain-long", "fat-chain-short"]);
    let places: Vec<_> = map.findings.kept().iter().map(|f| f.place.unwrap().0).collect();
    assert_eq!(places, [long as u64, short as u64]);
}

#[test]
fn a_folder_inside_itself_is_read_once() {
    let mut bytes = fixture("fat16");
    let sound = map_of(bytes.clone());
    let at = root_entry(&bytes, b"SURVEYS    ");
    let first = bytes[at + 26..at + 28].to_vec();
    // The second root entry with this name leads to the same folder, as do folders below it.
    let plot = root_entry(&bytes, b"PLOT0001TXT");
    bytes[plot + 11] = 0x10;
    bytes[plot + 26..plot + 28].copy_from_slice(&first);
    let (outcome, totals, _) = open(MemorySource::new(bytes, SectorSize::S512));
    let map = outcome.unwrap();
    assert!(codes(&map.findings).contains(&"fat-folder-twice"), "{:?}", codes(&map.findings));
    assert_eq!((map.catalog.len(), totals.repeated_bytes), (sound.catalog.len(), 0));
}

#[test]
fn an_unreadable_folder_sector_costs_its_entries_only() {
    let bytes = fixture("fat16");
    let sound = map_of(bytes.clone());
    // The third sector of the root folder: 16 entries, none of them the end.
    let sector = 51200 + 2 * 512;
    let here = (0..16).map(|n| sector + n * 32).filter(|at| bytes[*at] != 0xE5 && bytes[at + 11] & 0x0F != 0x0F);
    let lost = here.count();
    assert!(lost > 8);
    let map = unreadable(bytes, &[(sector as u64, 512)]);
    assert!(map.catalog_incomplete);
    assert_eq!(codes(&map.findings), ["fat-folder-unreadable"]);
    assert_eq!(map.catalog.len(), sound.catalog.len() - lost);
    assert_eq!(map.allocation, sound.allocation);
}

#[test]
fn a_lost_fat32_boot_sector_is_replaced_by_its_backup() {
    let name = "fat32-clusters-512";
    let bytes = fixture(name);
    let sound = map_of(bytes.clone());
    let mut zeroed = bytes.clone();
    zeroed[..512].fill(0);
    for map in [map_of(zeroed), unreadable(bytes.clone(), &[(0, 512)])] {
        assert_eq!(codes(&map.findings), ["fat-boot-from-backup", "fat-fsinfo-free-count"]);
        assert_eq!((&map.allocation, map.geometry), (&sound.allocation, sound.geometry));
        assert_same(&files(&map, false), &files(&sound, false), "all files");
    }
    let sectors_4096 = unreadable(fixture("fat32-sector-4096"), &[(0, 4096)]);
    assert!(codes(&sectors_4096.findings).contains(&"fat-boot-from-backup"));
    // Both gone: said so, and nothing invented.
    let source = MemorySource::new(bytes, SectorSize::S512);
    let gone = source.with_unreadable(Extent::between(0, 512)).with_unreadable(Extent::between(6 * 512, 7 * 512));
    assert_eq!(codes(&open(gone).0.unwrap_err()), ["fat-not-understood"]);
}

#[test]
fn boot_backup_fs_info_and_marks_are_compared() {
    let mut bytes = fixture("fat32-clusters-512");
    bytes[6 * 512 + 0x0E] ^= 1; // the backup's reserved sectors
    bytes[512] = 0; // FSInfo's signature
    let fat = usize::from(u16::from_le_bytes([bytes[0x0E], bytes[0x0F]])) * 512;
    bytes[fat + 7] &= !0x08; // "cleanly unmounted" of entry 1, in the first copy
    let map = map_of(bytes.clone());
    assert_eq!(codes(&map.findings), ["fat-boot-backup-differs", "fat-fsinfo-damaged", "volume-dirty"]);
    assert_eq!(map.state.dirty, Some(true));
    bytes[6 * 512 + 0x0D] = 3;
    assert!(codes(&map_of(bytes).findings).contains(&"fat-boot-backup-unusable"));
}

/// Byte 25 marks an unclean unmount only where byte 26 announces the fields there; older boot sectors have code in both
/// (Linux fs/fat/inode.c, fat_set_state; from memory).
#[test]
fn code_in_an_old_boot_sector_is_no_mark_of_an_unclean_unmount() {
    let mut bytes = fixture("fat12-floppy");
    bytes[0x25] |= 1;
    let map = map_of(bytes.clone());
    assert_eq!((map.state.dirty, codes(&map.findings)), (Some(true), vec!["volume-dirty"]));
    bytes[0x26] = 0x2A;
    let map = map_of(bytes);
    assert_eq!((map.state.dirty, codes(&map.findings)), (None, vec![]));
}

/// The boot sector's mark is told where no FAT can be read, also on a drive that ends before the FATs do.
#[test]
fn the_boot_sectors_mark_is_told_without_a_table() {
    let mut bytes = fixture("fat16");
    bytes[0x25] |= 1;
    let start = usize::from(u16::from_le_bytes([bytes[0x0E], bytes[0x0F]])) * 512;
    let fats = 2 * usize::from(u16::from_le_bytes([bytes[0x16], bytes[0x17]])) * 512;
    let source = MemorySource::new(bytes.clone(), SectorSize::S512)
        .with_unreadable(Extent::new(start as u64, fats as u64).unwrap());
    let lost = open(source).0.unwrap();
    assert_eq!(lost.state, VolumeState { dirty: Some(true), errors_noted: None });
    assert!(codes(&lost.findings).contains(&"volume-dirty"), "{:?}", lost.findings);
    for length in [start, start + 512] {
        let cut = MemorySource::new(bytes[..length].to_vec(), SectorSize::S512);
        if let Ok(map) = open(cut).0 {
            assert_eq!(map.state.dirty, Some(true), "{length}");
        }
    }
}

/// "FAT: General Overview of On-Disk Format" 1.03, BPB_ExtFlags: bit 7 set, bits 0-3 name the active FAT (from
/// memory).
#[test]
fn without_mirroring_only_the_active_fat_is_read() {
    let mut bytes = fixture("fat32-clusters-512");
    let sound = map_of(bytes.clone());
    let (fat_1, fat_bytes) = (sound.fixed[1].0.start.0, sound.fixed[1].0.bytes);
    bytes[usize::try_from(fat_1).unwrap()..][..usize::try_from(fat_bytes).unwrap()].fill(0x55);
    for boot in [0, 6 * 512] {
        bytes[boot + 0x28] = 0x81;
    }
    let (outcome, _, asked) = open(MemorySource::new(bytes, SectorSize::S512));
    let map = outcome.unwrap();
    assert_eq!(map.allocation, sound.allocation);
    assert_same(&files(&map, false), &files(&sound, false), "all files");
    assert!(codes(&map.findings).contains(&"fat-one-active-copy"));
    assert_eq!(asked.bytes_within(Extent::new(fat_1, fat_bytes).unwrap()), 0);
}

/// An issue thread of diskfs/go-diskfs (number 418): volumes whose FAT is some entries too small are about.
#[test]
fn clusters_without_an_entry_are_unknown() {
    // A FAT of 47 sectors has 12032 entries, for clusters up to 12031; the volume has 12257 with two FATs of 48.
    let mut bytes = fixture("fat16");
    bytes[0x16] = 47;
    let map = map_of(bytes);
    assert_eq!(map.geometry.cluster_count, 12255, "two sectors more are half a cluster");
    assert_eq!(map.allocation.unknown.runs(), [ClusterRun::new(12032, 12257 - 12032)]);
    assert!(codes(&map.findings).contains(&"fat-table-too-small"));
}

#[test]
fn a_cut_volume_keeps_its_geometry_and_says_what_is_missing() {
    let mut bytes = fixture("fat16");
    let sound = map_of(bytes.clone());
    bytes.truncate(67584 + 2048 * 1600);
    let map = map_of(bytes.clone());
    assert_eq!(map.geometry, sound.geometry);
    assert_eq!(map.extent.bytes, 67584 + 2048 * 1600);
    assert_same(&files(&map, false), &files(&sound, false), "all files");
    let found = &map.findings.kept()[0];
    assert_eq!(found.code.id, "fat-volume-truncated");
    assert!(found.sentence.contains("10655 of its 12255 clusters lie beyond"), "{}", found.sentence);
    // Now part of a folder lies beyond as well (/Pads goes up to cluster 1527).
    bytes.truncate(67584 + 2048 * 1500);
    let shorter = map_of(bytes);
    assert_eq!(codes(&shorter.findings), ["fat-folder-unreadable", "fat-volume-truncated"]);
    assert!(shorter.catalog_incomplete && shorter.catalog.len() < sound.catalog.len());
    assert_eq!(shorter.allocation, sound.allocation);
    for bytes in [0, 100, 511] {
        let refused = open(MemorySource::new(vec![0xEB; bytes], SectorSize::S512)).0.unwrap_err();
        assert_eq!(codes(&refused), ["fat-not-understood"]);
    }
}
