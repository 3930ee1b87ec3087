//! The plan of an encrypted volume is that of the same volume decrypted.

use super::encrypted::{Conversion, Form, Lock, Recipe, recovery_password, startup_key_file};
use super::{PASSWORD, common, free_places, plain_bytes, prepared, reader, sector_of, volume};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::filesystem::volume_encryption::Protector;
use gleaner::survey::allocation::{Choices, Class, ClassMap, Patterns, classify, read_drive};

/// The classes of every range outside of `apart`.
fn classes(map: &ClassMap, apart: &ExtentSet) -> Vec<(u64, u64, Class, u16)> {
    let mut list: Vec<(u64, u64, Class, u16)> = Vec::new();
    for run in map.runs() {
        for part in apart.missing_from(run.extent) {
            match list.last_mut() {
                Some(last) if last.1 == part.start.0 && (last.2, last.3) == (run.class, run.lane) => {
                    last.1 = part.end()
                }
                _ => list.push((part.start.0, part.end(), run.class, run.lane)),
            }
        }
    }
    list
}

fn choices() -> Choices {
    let patterns = |texts: &[&str]| Patterns::new(texts).unwrap();
    Choices { wanted: patterns(&["/Users/**", "*.txt"]), bulk: patterns(&["*.raw"]), ..Choices::default() }
}

/// Encrypts a fixture, opens it, and compares bytes, findings, files and classes with those of the plain volume.
fn assert_same(fixture: &str, plain: &[u8], recipe: &Recipe, key: &[u8]) -> Protector {
    let sector = sector_of(fixture);
    let as_read = recipe.plain_of(plain);
    let reference = reader(as_read.clone(), sector, &[]);
    let expected = read_drive(&reference).unwrap();
    let encrypted = reader(recipe.encrypt(plain), sector, &[key]);
    let drive = read_drive(&encrypted).unwrap();
    let (own, theirs) = (volume(&drive), volume(&expected));
    assert_eq!(encrypted.totals().repeated_bytes, 0);
    if recipe.never_written.is_empty() {
        assert!(plain_bytes(&encrypted, own) == as_read, "{fixture}: the plain bytes are others");
    }
    assert_eq!(own.serial, theirs.serial);
    assert_eq!(own.allocation, theirs.allocation);
    assert_eq!(own.catalog.len(), theirs.catalog.len());
    let told = |findings: &gleaner::base::finding::Findings| {
        let kept = findings.kept().iter();
        let kept =
            kept.filter(|finding| !finding.code.id.starts_with("volume-") && finding.code.id != "encryption-partly");
        kept.map(|finding| finding.sentence.clone()).collect::<Vec<_>>()
    };
    assert_eq!(told(&own.findings), told(&theirs.findings));

    // What is apart: the places that have another meaning on the drive than inside the volume.
    let mut apart: ExtentSet = recipe.zeros(plain).iter().map(|(from, to)| Extent::between(*from, *to)).collect();
    apart.insert(Extent::between(0, recipe.relocated.0));
    let map = classify(&drive, &choices());
    assert_eq!(classes(&map, &apart), classes(&classify(&expected, &choices()), &apart), "{fixture}");
    // Without these no system opens the copy: all of them come first.
    for run in map.runs().iter().filter(|run| apart.bytes_within(run.extent) > 0) {
        let is_log = matches!(recipe.conversion, Conversion::Maps { .. });
        assert!(run.class <= Class::Structure || is_log, "{fixture}: {run:?}");
    }
    own.encryption.as_ref().unwrap().opened_by
}

#[test]
fn each_method_gives_the_plan_of_the_plain_volume() {
    for method in [0x8000, 0x8001, 0x8002, 0x8003, 0x8004, 0x8005] {
        let (plain, recipe) = prepared("ntfs-cluster-1k", method);
        let opened = assert_same("ntfs-cluster-1k", &plain, &recipe, PASSWORD.as_bytes());
        assert_eq!(opened, Protector::Password, "{method:#x}");
    }
}

#[test]
fn sectors_of_4096_bytes_are_one_unit() {
    for method in [0x8000, 0x8003, 0x8004] {
        let (plain, recipe) = prepared("ntfs-sector-4096", method);
        assert_same("ntfs-sector-4096", &plain, &recipe, PASSWORD.as_bytes());
    }
}

#[test]
fn each_kind_of_key_opens_it() {
    let (plain, mut recipe) = prepared("ntfs-cluster-512", 0x8004);
    let key: [u8; 16] = std::array::from_fn(|n| u8::try_from(n * 17).unwrap());
    recipe.locks = vec![Lock::SecurityChip, Lock::Recovery([9; 16]), Lock::StartupKey([0x31; 32]), Lock::Recovery(key)];
    let digits = format!("{}\n", recovery_password(key));
    assert_eq!(assert_same("ntfs-cluster-512", &plain, &recipe, digits.as_bytes()), Protector::RecoveryPassword);
    let file = startup_key_file([0x31; 32]);
    assert_eq!(assert_same("ntfs-cluster-512", &plain, &recipe, &file), Protector::StartupKey);
    recipe.locks = vec![Lock::InTheClear, Lock::Password(PASSWORD)];
    assert_eq!(assert_same("ntfs-cluster-512", &plain, &recipe, b"another"), Protector::ClearKey);
    assert_eq!(assert_same("ntfs-cluster-512", &plain, &recipe, PASSWORD.as_bytes()), Protector::Password);
}

#[test]
fn sectors_that_were_never_written_are_no_matter() {
    let (plain, mut recipe) = prepared("ntfs-rich", 0x8004);
    let sound = reader(plain.clone(), sector_of("ntfs-rich"), &[]);
    let drive = read_drive(&sound).unwrap();
    let map = volume(&drive);
    let used: ExtentSet = gleaner::survey::allocation::extents_of(map, &map.allocation.allocated).collect();
    let free = used.missing_from(Extent::between(8192, map.geometry.extent(map.geometry.all()).unwrap().end()));
    recipe.never_written = free.iter().map(|extent| (extent.start.0, extent.end())).collect();
    assert_same("ntfs-rich", &plain, &recipe, PASSWORD.as_bytes());
}

#[test]
fn a_part_that_is_not_converted_yet_is_read_as_it_is() {
    for limit_after in [0_usize, 1, 2] {
        let (plain, mut recipe) = prepared("ntfs-cluster-1k", 0x8002);
        // The limit lies below and above the place of the first sectors, and in the middle of a request.
        let limit = [recipe.relocated.1 - 65536, recipe.relocated.1 + 65536 + 1024, 4096 + 512][limit_after];
        recipe.conversion = Conversion::Below(limit);
        assert_same("ntfs-cluster-1k", &plain, &recipe, PASSWORD.as_bytes());
    }
}

#[test]
fn maps_tell_what_is_converted() {
    let fixture = "ntfs-cluster-1k";
    let (plain, mut recipe) = prepared(fixture, 0x8004);
    let places = free_places(fixture, &plain, 65536, 8);
    recipe.conversion = Conversion::Maps {
        chunk: 32768,
        clear: vec![1, 2, 3, 100, 101, 200, recipe.relocated.1 / 32768],
        descriptors: [places[4], places[5]],
        map: places[6],
        log: places[7],
    };
    assert_same(fixture, &plain, &recipe, PASSWORD.as_bytes());
}

#[test]
fn removable_volumes_have_another_file_system_in_front() {
    let fixture = "exfat-clusters-4k";
    let plain = common::fixture(fixture);
    // More than boot regions and FAT: files lie among what is moved.
    let moved = 2 << 20;
    let places = free_places(fixture, &plain, moved, 4);
    let recipe = Recipe {
        method: 0x8002,
        sector: 512,
        form: Form::Removable,
        locks: vec![Lock::Password(PASSWORD)],
        metadata: [places[0], places[1], places[2]],
        relocated: (moved, places[3]),
        conversion: Conversion::Finished,
        never_written: Vec::new(),
    };
    assert_same(fixture, &plain, &recipe, PASSWORD.as_bytes());
}

#[test]
fn the_first_version_keeps_its_boot_code_in_the_clear() {
    let fixture = "ntfs-cluster-8k";
    let (plain, mut recipe) = prepared(fixture, 0x8000);
    recipe.form = Form::First;
    recipe.relocated = (0, 0);
    assert_same(fixture, &plain, &recipe, PASSWORD.as_bytes());
}

#[test]
fn little_is_read_beside_what_the_plain_volume_needs() {
    for fixture in ["ntfs-rich", "ntfs-mft-list", "ntfs-cluster-512"] {
        let (plain, recipe) = prepared(fixture, 0x8004);
        let sound = reader(plain.clone(), sector_of(fixture), &[]);
        read_drive(&sound).unwrap();
        let encrypted = reader(recipe.encrypt(&plain), sector_of(fixture), &[PASSWORD.as_bytes()]);
        read_drive(&encrypted).unwrap();
        let (plain, own) = (sound.totals(), encrypted.totals());
        assert_eq!(own.repeated_bytes, 0);
        // The boot sector with what follows it, and the first 4 KiB of one block of metadata.
        assert!(own.bytes <= plain.bytes + (6 << 10) + 512, "{fixture}: {} against {}", own.bytes, plain.bytes);
        assert!(own.bytes * 2 <= plain.bytes * 3, "{fixture}: {} against {}", own.bytes, plain.bytes);
    }
}
