//! ext2, ext3 and ext4, made by `mke2fs`, filled by `mke2fs -d` and the kernel, grown by `resize2fs`; what is free by `dumpe2fs`
//! (e2fsprogs, which shares no code with ours).

use super::{Surveyed, all_but};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::filesystem::VolumeState;
use gleaner::source::{self, MemorySource};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

fn run(program: &str, words: &[&str]) -> String {
    let mut command = Command::new(program);
    command.args(words).env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").env("LC_ALL", "C");
    let output = command.output().unwrap_or_else(|error| panic!("{program}: {error}"));
    assert!(output.status.success(), "{program} {words:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// A folder with files of many sizes, `bytes` in all.
fn files(folder: &Path, bytes: u64) -> String {
    let root = folder.join("files");
    let mut left = bytes;
    for number in 0u64.. {
        let size = (number * 7919 % 61 + 1) * 4093 % 200_000;
        if left < size {
            break;
        }
        left -= size;
        let inner = root.join(format!("room {}", number % 7));
        fs::create_dir_all(&inner).unwrap();
        fs::write(inner.join(format!("letter {number}")), vec![u8::try_from(number % 251).unwrap(); size as usize])
            .unwrap();
    }
    root.to_string_lossy().into_owned()
}

struct Volume {
    _folder: TempDir,
    path: PathBuf,
}

impl Volume {
    fn make(megabytes: u64, words: &str, file_bytes: u64) -> Volume {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("volume.img");
        fs::File::create(&path).unwrap().set_len(megabytes << 20).unwrap();
        let mut all: Vec<String> = ["-q", "-F"].map(str::to_owned).into();
        all.extend(words.split_whitespace().map(str::to_owned));
        if file_bytes > 0 {
            all.extend(["-d".to_owned(), files(folder.path(), file_bytes)]);
        }
        all.push(path.to_string_lossy().into_owned());
        run("mke2fs", &all.iter().map(String::as_str).collect::<Vec<_>>());
        Volume { _folder: folder, path }
    }

    fn name(&self) -> &str {
        self.path.to_str().unwrap()
    }

    fn bytes(&self) -> u64 {
        fs::metadata(&self.path).unwrap().len()
    }

    /// What `dumpe2fs` calls in use. With clusters it gives a range's last cluster as its first block only.
    fn used(&self) -> ExtentSet {
        let text = run("dumpe2fs", &[self.name()]);
        let field = |name: &str| {
            let line =
                text.lines().find_map(|line| line.strip_prefix(name)).map(|rest| rest.trim().parse::<u64>().unwrap());
            line.unwrap_or(0)
        };
        let block = field("Block size:");
        let cluster = field("Cluster size:").max(block);
        let mut free = ExtentSet::new();
        let mut count = 0;
        for ranges in text.lines().filter_map(|line| line.strip_prefix("  Free blocks: ")) {
            for range in ranges.split(", ").filter(|range| !range.is_empty()) {
                let (first, last) = range.split_once('-').unwrap_or((range, range));
                let [first, last] = [first, last].map(|number| number.parse::<u64>().unwrap());
                let bytes = ((last - first + 1) * block).next_multiple_of(cluster);
                let end = (first * block + bytes).min(field("Block count:") * block);
                free.insert(Extent::between(first * block, end));
                count += (end - first * block) / block;
            }
        }
        // Both of its own answers; the superblock's count is old while a volume is mounted.
        let is_mounted = text.contains("needs_recovery");
        assert!(is_mounted || (0..cluster / block).contains(&(count - field("Free blocks:"))), "{count}");
        all_but(self.bytes(), &free)
    }

    fn survey(&self) -> Surveyed {
        Surveyed::of(source::open(&self.path, None).unwrap())
    }

    /// Exactly what is in use is planned, and the reading is as small as the metadata.
    fn check(&self, what: &str) -> Surveyed {
        let used = self.used();
        let surveyed = self.survey();
        surveyed.space();
        assert_eq!((surveyed.missing(&used), surveyed.beyond(&used)), (0, 0), "{what}: {:?}", surveyed.codes());
        surveyed.check_reading(what);
        assert_eq!(surveyed.codes(), ["volume-read-by-map"], "{what}");
        surveyed
    }
}

#[test]
fn what_is_in_use_is_planned_and_nothing_that_is_free() {
    for (megabytes, words, files) in [
        (300, "-t ext4", 20 << 20),
        (40, "-t ext4 -b 1024", 5 << 20),
        (100, "-t ext4 -b 2048", 0),
        (300, "-t ext2 -b 4096", 9 << 20),
        (40, "-t ext2 -b 1024", 3 << 20),
        (40, "-t ext2 -b 1024 -O ^sparse_super,^resize_inode", 0),
        (40, "-t ext2 -r 0 -b 1024", 0),
        (300, "-t ext3", 30 << 20),
        (90, "-t ext3 -b 1024", 30 << 20),
        (900, "-t ext4 -O ^metadata_csum,uninit_bg,^64bit", 8 << 20),
        (900, "-t ext4 -O ^metadata_csum,uninit_bg,64bit,^flex_bg", 8 << 20),
        (900, "-t ext4 -O ^64bit", 8 << 20),
        (500, "-t ext4 -O metadata_csum_seed", 8 << 20),
        (500, "-t ext4 -O sparse_super2,^resize_inode", 8 << 20),
        (700, "-t ext4 -O meta_bg,^resize_inode -b 1024", 8 << 20),
        (700, "-t ext4 -O meta_bg,^resize_inode,^flex_bg -b 1024", 8 << 20),
        (900, "-t ext4 -O bigalloc -C 65536", 8 << 20),
        (500, "-t ext4 -O bigalloc -b 1024 -C 16384", 8 << 20),
        (200, "-t ext4 -g 8192", 8 << 20),
        (64, "-t ext4 -O ^has_journal", 8 << 20),
        (64, "-t ext4 -O orphan_file,project,quota,inline_data,large_dir", 8 << 20),
    ] {
        Volume::make(megabytes, words, files).check(words);
    }
}

#[test]
fn a_nearly_full_volume_and_one_that_was_grown() {
    let full = Volume::make(64, "-t ext4 -m 0", 50 << 20);
    let surveyed = full.check("nearly full");
    let used = surveyed.space().used.count() as f64 / surveyed.space().geometry.cluster_count as f64;
    assert!(used > 0.9, "{used}");
    for words in ["-t ext4", "-t ext3 -b 1024", "-t ext4 -O ^resize_inode,meta_bg"] {
        let grown = Volume::make(100, words, 20 << 20);
        fs::File::options().write(true).open(&grown.path).unwrap().set_len(1500 << 20).unwrap();
        run("resize2fs", &["-f", grown.name()]);
        grown.check("grown");
    }
}

/// A volume of 1 KiB blocks in memory, with what is in use on it.
struct Held {
    bytes: Vec<u8>,
    used: ExtentSet,
    /// Of each group: bitmap, descriptor (as bytes of the volume), and the group's own place.
    groups: Vec<(Extent, Extent, Extent)>,
}

impl Held {
    fn of(words: &str) -> Held {
        let volume = Volume::make(60, words, 25 << 20);
        let text = run("dumpe2fs", &[volume.name()]);
        let size = if text.contains(" 64bit ") { 64 } else { 32 };
        let number =
            |text: &str| text.chars().take_while(char::is_ascii_digit).collect::<String>().parse::<u64>().unwrap();
        let mut groups = Vec::new();
        for line in text.lines() {
            if let Some((_, range)) = line.split_once(": (Blocks ") {
                let (first, last) = range.split_once('-').unwrap();
                let (first, last) = (number(first), number(last));
                let descriptor = Extent::new(2048 + groups.len() as u64 * size, size).unwrap();
                groups.push((Extent::between(0, 0), descriptor, Extent::between(first * 1024, (last + 1) * 1024)));
            } else if let Some(rest) = line.strip_prefix("  Block bitmap at ") {
                groups.last_mut().unwrap().0 = Extent::new(number(rest) * 1024, 1024).unwrap();
            }
        }
        assert_eq!(groups.len(), 8);
        Held { bytes: fs::read(&volume.path).unwrap(), used: volume.used(), groups }
    }

    /// The volume with places lost: unreadable, or overwritten with a byte.
    fn without(&self, places: &[Extent], content: Option<u8>) -> Surveyed {
        let mut bytes = self.bytes.clone();
        for place in places {
            let range = usize::try_from(place.start.0).unwrap()..usize::try_from(place.end()).unwrap();
            bytes[range].fill(content.unwrap_or(0));
        }
        let mut source = MemorySource::new(bytes, SectorSize::S512);
        for place in places.iter().filter(|_| content.is_none()) {
            source = source.with_unreadable(*place);
        }
        Surveyed::of(Box::new(source))
    }

    /// That nothing in use is missing, and that besides it at most `beyond` is planned.
    fn check(&self, surveyed: &Surveyed, beyond: u64, code: &str, what: &str) {
        assert_eq!(surveyed.missing(&self.used), 0, "{what}");
        assert!(surveyed.beyond(&self.used) <= beyond, "{what}: {} beyond", surveyed.beyond(&self.used));
        assert!(surveyed.beyond(&self.used) == 0 || surveyed.codes().contains(&code), "{what}: {:?}", surveyed.codes());
    }

    /// Free bytes of a group.
    fn free_of(&self, group: usize) -> u64 {
        let place = self.groups[group].2;
        place.bytes - self.used.bytes_within(place)
    }
}

const LOSSES: [Option<u8>; 4] = [None, Some(0), Some(0xFF), Some(0x5A)];
const MAIN: Extent = Extent { start: ByteOffset(1024), bytes: 1024 };

#[test]
fn a_lost_bitmap_costs_its_group() {
    for words in
        ["-t ext4 -b 1024", "-t ext3 -b 1024", "-t ext2 -b 1024", "-t ext4 -O ^metadata_csum,uninit_bg -b 1024"]
    {
        let held = Held::of(words);
        for (group, (bitmap, _, _)) in held.groups.iter().enumerate().filter(|(group, _)| *group < 6) {
            for loss in LOSSES {
                let surveyed = held.without(&[*bitmap], loss);
                let code = if loss.is_none() { "map-part-unread" } else { "map-part-doubted" };
                // Bitmaps side by side are skipped with the one that does not answer, to spare the drive.
                let side_by_side = loss.is_none() && words.contains("ext4");
                let cost = if side_by_side { held.bytes.len() as u64 } else { held.free_of(group) };
                held.check(&surveyed, cost, code, &format!("{words}, group {group}, {loss:?}"));
            }
        }
    }
}

#[test]
fn copies_stand_in_for_descriptors_and_superblock() {
    for words in ["-t ext4 -b 1024", "-t ext3 -b 1024", "-t ext4 -O ^metadata_csum,uninit_bg -b 1024"] {
        let held = Held::of(words);
        let descriptors = Extent::between(2048, 3072);
        for loss in [None, Some(0)] {
            let surveyed = held.without(&[descriptors], loss);
            assert!(surveyed.codes().contains(&"map-from-copy"), "{words}: {:?}", surveyed.codes());
            held.check(&surveyed, 0, "map-from-copy", &format!("{words}, descriptors {loss:?}"));
            let surveyed = held.without(&[MAIN], loss);
            held.check(&surveyed, 1024, "map-from-copy", &format!("{words}, superblock {loss:?}"));
        }
        // Copies of descriptors do not know what is free, and a copy of the superblock does not know how much.
        let surveyed = held.without(&[MAIN, descriptors], Some(0));
        held.check(&surveyed, held.bytes.len() as u64, "map-part-doubted", words);
    }
}

/// Unless groups share places (`flex_bg`), a bitmap lies in its group. Source: ext4 documentation of the kernel, "Flexible Block Groups";
/// the descriptors of such a volume as `mke2fs` writes them are sealed by nothing.
#[test]
fn a_descriptor_that_leads_out_of_its_group_is_not_believed() {
    let mut held = Held::of("-t ext3 -b 1024");
    for group in 1..6 {
        let (other, own) = (held.groups[group + 1].0.start.0, held.groups[group].1);
        let at = usize::try_from(own.start.0).unwrap();
        let before: [u8; 4] = held.bytes[at..at + 4].try_into().unwrap();
        held.bytes[at..at + 4].copy_from_slice(&u32::try_from(other / 1024).unwrap().to_le_bytes());
        let surveyed = held.without(&[], None);
        assert!(surveyed.codes().contains(&"map-from-copy"), "group {group}: {:?}", surveyed.codes());
        held.check(&surveyed, 0, "map-from-copy", &format!("group {group}"));
        held.bytes[at..at + 4].copy_from_slice(&before);
    }
}

/// A partition that ends in the middle of a group of its volume: the map ends where the partition does.
#[test]
fn a_volume_that_is_cut_short_is_planned_up_to_its_end() {
    const START: u64 = 1 << 20;
    let held = Held::of("-t ext4 -b 1024");
    let length = held.groups[held.groups.len() / 2].2.start.0 + START + 512;
    // One partition of Linux in an MBR (UEFI specification 2.10, 5.2.1).
    let mut bytes = vec![0; usize::try_from(START).unwrap()];
    bytes[446 + 4] = 0x83;
    let sectors = |place: u64| u32::try_from(place / 512).unwrap().to_le_bytes();
    bytes[446 + 8..446 + 12].copy_from_slice(&sectors(START));
    bytes[446 + 12..446 + 16].copy_from_slice(&sectors(length));
    bytes[510..512].copy_from_slice(&[0x55, 0xAA]);
    bytes.extend_from_slice(&held.bytes[..usize::try_from(length).unwrap()]);

    let surveyed = Surveyed::of(Box::new(MemorySource::new(bytes, SectorSize::S512)));
    let map = surveyed.space();
    let mut runs = map.used.runs().iter().chain(map.unknown.runs());
    assert!(runs.all(|run| map.geometry.holds(*run)), "{:?}", map.geometry);
    let free: u64 = map.free_extents().map(|extent| extent.bytes).sum();
    let in_use: u64 = map.in_use().iter().map(|extent| extent.bytes).sum();
    assert_eq!(free + in_use, length);
    let used = held.used.intersection(Extent::between(0, length));
    let used = used.iter().map(|extent| Extent::between(START + extent.start.0, START + extent.end())).collect();
    assert_eq!(surveyed.missing(&used), 0, "{:?}", surveyed.codes());
}

/// Without a journal nothing tells whether the map is newer than the files.
#[test]
fn without_a_journal_a_volume_in_use_is_planned_in_full() {
    let mut held = Held::of("-t ext2 -b 1024");
    let surveyed = held.without(&[MAIN], Some(0));
    assert!(surveyed.codes().contains(&"map-unusable"), "{:?}", surveyed.codes());
    assert_eq!(surveyed.planned.bytes(), held.bytes.len() as u64);
    // The state: not cleanly unmounted.
    held.bytes[1024 + 0x3A] = 0;
    let surveyed = held.without(&[], None);
    assert!(surveyed.codes().contains(&"map-unusable"), "{:?}", surveyed.codes());
    assert_eq!(surveyed.planned.bytes(), held.bytes.len() as u64);
}

/// Source: ext4 documentation of the kernel, "Super Block", `s_state`: 1 cleanly unmounted, 2 errors detected.
#[test]
fn the_mark_of_errors_is_told() {
    let mut held = Held::of("-t ext3 -b 1024");
    assert_eq!(held.without(&[], None).space().state, VolumeState { dirty: Some(false), errors_noted: Some(false) });
    held.bytes[1024 + 0x3A] |= 2;
    let surveyed = held.without(&[], None);
    assert_eq!(surveyed.space().state, VolumeState { dirty: Some(false), errors_noted: Some(true) });
    assert_eq!(surveyed.codes(), ["volume-errors-noted", "volume-read-by-map"]);
}

/// Fields of a superblock that nothing seals are believed only where a copy says the same.
#[test]
fn a_superblock_that_contradicts_its_copy_is_not_believed() {
    let held = Held::of("-t ext2 -b 1024");
    for at in [0x4, 0x18, 0x1C, 0x20, 0x21, 0x28, 0x58] {
        let mut bytes = held.bytes.clone();
        bytes[1024 + at] ^= 8;
        let surveyed = Surveyed::of(Box::new(MemorySource::new(bytes, SectorSize::S512)));
        let fewer = surveyed.missing(&held.used);
        assert_eq!(fewer, 0, "byte {at:#x}: {:?}", surveyed.codes());
        // Inodes in a group: nothing else contradicts it.
        assert!(at != 0x28 || surveyed.codes().contains(&"map-unusable"), "{:?}", surveyed.codes());
    }
}

/// A volume as it stands on its drive while Linux has it mounted: what the journal holds is what a mount would replay, and so does
/// `e2fsck`.
#[test]
fn the_journal_of_a_mounted_volume_is_followed() {
    for (words, is_short) in [("-t ext4", false), ("-t ext3", false), ("-t ext4 -J size=4 -b 1024", true)] {
        let volume = Volume::make(200, words, 10 << 20);
        let at = tempfile::tempdir().unwrap();
        let place = at.path().to_str().unwrap();
        run("mount", &["-o", "loop", volume.name(), place]);
        let mounted = Mounted(place.to_owned());
        // fsync commits to the journal and leaves the bitmaps in memory; sync would write them out.
        let write = |name: &str, bytes: usize| {
            let mut file = fs::File::create(at.path().join(name)).unwrap();
            file.write_all(&vec![7; bytes]).unwrap();
            file.sync_all().unwrap();
        };
        let mut caught = 0;
        for round in 0..if is_short { 6 } else { 2 } {
            for number in 0..40 {
                write(&format!("{round} {number}"), 90_000 + number * 1000);
            }
            for number in (0..40).step_by(3) {
                fs::remove_file(at.path().join(format!("{round} {number}"))).unwrap();
            }
            write(&format!("{round} last"), 1);
            // The drive goes away in this moment: no write back to it may lie between the first byte of the copy and the last.
            let folder = tempfile::tempdir().unwrap();
            let lost = Volume { path: folder.path().join("lost.img"), _folder: folder };
            let is_of_one_moment = || {
                run("cp", &["--sparse=always", volume.name(), lost.name()]);
                Command::new("cmp").args(["--silent", volume.name(), lost.name()]).status().unwrap().success()
            };
            assert!((0..20).any(|_| is_of_one_moment()), "{words}: it is written to all the time");
            let surveyed = lost.survey();
            caught += usize::from(surveyed.codes().contains(&"map-old"));
            assert_eq!(surveyed.space().state, VolumeState { dirty: Some(true), errors_noted: Some(false) });
            assert!(surveyed.codes().contains(&"volume-dirty"), "{:?}", surveyed.codes());
            let before = lost.used();
            let code = Command::new("/usr/sbin/e2fsck").args(["-fy", lost.name()]).output().unwrap().status.code();
            assert!(matches!(code, Some(0 | 1)), "{code:?}");
            let used = lost.used();
            assert_ne!(before, used, "{words}: nothing was in the journal");
            let (missing, beyond) = (surveyed.missing(&used), surveyed.beyond(&used));
            assert_eq!((missing, beyond), (0, 0), "{words}, round {round}: {:?}", surveyed.drive.all_findings().kept());
            surveyed.check_reading(words);
        }
        assert!(caught > 0, "{words}");
        drop(mounted);
    }
}

/// Unmounts when it goes.
struct Mounted(String);

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

/// What a survey reads of a large volume: at most half as much again as superblock, descriptors and written bitmaps have.
#[test]
fn a_large_volume_is_surveyed_by_little_more_than_its_map() {
    for (megabytes, words) in [(60_000, "-t ext3 -i 67108864"), (200_000, "-t ext4 -E lazy_itable_init=1,nodiscard")] {
        let volume = Volume::make(megabytes, words, 0);
        let text = run("dumpe2fs", &[volume.name()]);
        let written =
            text.lines().filter(|line| line.contains(": (Blocks ") && !line.contains("BLOCK_UNINIT")).count() as u64;
        let groups = text.lines().filter(|line| line.contains(": (Blocks ")).count() as u64;
        let needed = 1024 + groups * if words.contains("ext4") { 64 } else { 32 } + written * 4096;
        let surveyed = volume.check(words);
        let read = surveyed.totals.bytes;
        println!(
            "{words}: {groups} groups, {written} bitmaps, {needed} bytes needed, {read} read in {} requests",
            surveyed.totals.requests
        );
        // Every kind of volume is looked for in the first 68 KiB, and tables at the end.
        assert!(read <= needed * 3 / 2 + (68 << 10) + (8 << 10), "{words}: {read} of {needed}");
    }
}
