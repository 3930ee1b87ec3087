//! Volumes that Windows and others made, from public repositories. None of them is in this one: `testdata/README.md` names
//! where each comes from, and the tests run wherever they are (see [`unpack::folder`]).

use super::{Survey, answers, common, unpack};
use gleaner::base::finding::Severity;
use gleaner::filesystem::volume_encryption::Protector;
use gleaner::filesystem::{Content, FsKind};
use gleaner::partition::signature::Sign;
use gleaner::survey::coherence::Verdict;
use std::path::{Path, PathBuf};

/// A complete, healthy volume or drive: file, the answers of the reference parsers in `testdata`, what it holds.
pub const HEALTHY: [(&str, &str, FsKind); 10] = [
    ("msuhanov-ntfs-lastaccess.raw.gz", "windows-10-18348", FsKind::Ntfs),
    ("msuhanov-ntfs-ramslack.raw.gz", "windows-10-14393", FsKind::Ntfs),
    ("go-ntfs-charlie.dd.bz2", "windows-8-streams", FsKind::Ntfs),
    ("util-linux-ntfs.img.xz", "ntfs-small", FsKind::Ntfs),
    ("picrap-exFAT.vhdx.gz", "windows-exfat", FsKind::ExFat),
    ("util-linux-exfat.img.xz", "exfat-small", FsKind::ExFat),
    ("util-linux-fat32_label_64MB.img.xz", "fat32-64m", FsKind::Fat32),
    ("util-linux-fat32_xp_label1.img.xz", "windows-xp-fat32-label", FsKind::Fat32),
    ("util-linux-fat32_xp_none.img.xz", "windows-xp-fat32", FsKind::Fat32),
    ("disktype-fat12-floppy.image.gz", "windows-xp-floppy", FsKind::Fat12),
];

/// A diskette whose boot sector is older than most fields, so that only one parser reads it: its clusters in use by
/// dissect.fat 3.13.
const OLD_DISKETTE: (&str, [(u64, u64); 3]) = ("msdos4-DRDOS1.img", [(2, 145), (151, 89), (244, 16)]);

/// exFAT volumes with one named fault each (their names are exfatprogs' own), and the findings that name it here.
const DAMAGED: [(&str, &[&str]); 19] = [
    ("2tb_disk", &["exfat-set-checksum"]),
    ("bad_bitmap", &["clusters-marked-free"]),
    ("bad_bitmap_size", &["exfat-bitmap-short"]),
    ("bad_dentries", &["exfat-entry-implausible", "exfat-set-checksum", "exfat-stray-entries"]),
    ("bad_dentries2", &["exfat-set-checksum", "exfat-stray-entries"]),
    ("bad_file_size", &["exfat-chain-short", "exfat-chain-long"]),
    ("bad_first_clu", &["exfat-first-cluster"]),
    ("bad_num_chain", &["exfat-chain-broken"]),
    ("bad_root", &["exfat-chain-broken"]),
    ("bs_bad_csum", &["exfat-boot-from-backup"]),
    ("de_bad_csum", &["exfat-set-checksum"]),
    ("duplicate_clu", &["exfat-cross-link"]),
    ("duplicated_name", &["name-twice-in-a-folder"]),
    ("file_invalid_clus", &["exfat-chain-broken", "exfat-cross-link", "exfat-first-cluster"]),
    ("invalid_name", &["names-garbled"]),
    ("large_file_invalid_clus", &["exfat-chain-broken"]),
    ("loop_chain", &["exfat-chain-loop"]),
    ("rename_dot_entry", &["names-garbled"]),
    ("unused-dentries", &["exfat-behind-end"]),
];

/// Volumes of kinds that are recognised and not read, or of which a part is missing: file, what it is recognised as, and the
/// finding that says so.
const OTHERS: [(&str, Option<Sign>, &str); 7] = [
    ("cryptsetup-fvault2-images.tar.xz", Some(Sign::CoreStorage), "volume-is-member"),
    ("disktype-hfs.image.gz", Some(Sign::Hfs), "volume-taken-whole"),
    ("disktype-hfs-plus.image.gz", Some(Sign::HfsPlus), "volume-read-by-map"),
    ("disktype-hfs-plus-wrapped.image.gz", Some(Sign::HfsPlus), "volume-read-by-map"),
    ("hfsplus-rs-hfsp-many2.img.xz", Some(Sign::HfsPlus), "volume-read-by-map"),
    ("util-linux-bitlocker-win7.img.xz", Some(Sign::VolumeEncryption), "volume-header-damaged"),
    ("util-linux-fat16_noheads.img.xz", None, "fat-volume-truncated"),
];

const ENCRYPTED: &str = "cryptsetup-bitlk-images.tar.xz";

/// Unpacks a sample and surveys each of its images.
fn surveyed(file: &Path) -> Vec<(String, Survey)> {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a temporary folder");
    let images = unpack::unpack(file, folder.path());
    assert!(!images.is_empty(), "{}: no image in it", file.display());
    let survey = |(name, path): (String, PathBuf)| {
        let survey = surveyed_at(&name, &path);
        (name, survey)
    };
    images.into_iter().map(survey).collect()
}

pub fn surveyed_at(name: &str, path: &Path) -> Survey {
    Survey::of(gleaner::source::open(path, None).unwrap_or_else(|error| panic!("{name}: {error}")))
}

fn told(survey: &Survey) -> String {
    format!("{:?}: {}\n{:#?}", survey.coherence.verdict, survey.coherence.sentence, survey.findings(Severity::Note))
}

#[test]
fn healthy_volumes_are_sound_and_read_as_the_reference_parsers_do() {
    let Some(folder) = unpack::folder("healthy volumes of others") else { return };
    for (file, answers, kind) in HEALTHY {
        let expected = common::answers(&format!("sample-{answers}"));
        for (name, survey) in surveyed(&folder.join(file)) {
            assert_eq!(survey.coherence.verdict, Verdict::Sound, "{name}: {}", told(&survey));
            assert_eq!(survey.findings(Severity::Caution), [], "{name}");
            let volumes: Vec<_> = survey.drive.volumes().collect();
            assert!(matches!(volumes.as_slice(), [(_, map)] if map.kind == kind), "{name}: {}", told(&survey));
            assert_eq!(volumes[0].1.extent.start.0, expected["volume_start"].as_u64().unwrap(), "{name}");
            answers::assert_same(&name, volumes[0].1, &expected);
            assert_eq!((survey.totals.repeated_bytes, survey.totals.failed_requests), (0, 0), "{name}");
        }
    }
    let (file, allocated) = OLD_DISKETTE;
    for (name, survey) in surveyed(&folder.join(file)) {
        assert_eq!(survey.coherence.verdict, Verdict::Sound, "{name}: {}", told(&survey));
        assert_eq!(survey.findings(Severity::Caution), [], "{name}");
        let runs: Vec<(u64, u64)> = survey
            .drive
            .volumes()
            .flat_map(|(_, map)| map.allocation.allocated.runs().iter().map(|run| (run.first.0, run.count)))
            .collect();
        assert_eq!(runs, allocated, "{name}");
    }
}

#[test]
fn the_fault_of_each_damaged_volume_is_named() {
    let Some(folder) = unpack::folder("damaged volumes of others") else { return };
    for (name, expected) in DAMAGED {
        let file = folder.join("exfatprogs-damaged").join(format!("{name}.tar.xz"));
        for (_, survey) in surveyed(&file) {
            let found: Vec<&str> = survey.findings(Severity::Note).iter().map(|finding| finding.0).collect();
            let missing: Vec<&&str> = expected.iter().filter(|code| !found.contains(*code)).collect();
            assert!(missing.is_empty(), "{name}: {missing:?} not said: {}", told(&survey));
            assert!(!survey.coherence.verdict.says_stop(), "{name}: {}", told(&survey));
            assert_eq!(survey.drive.volumes().count(), 1, "{name}: it is read all the same");
        }
    }
}

#[test]
fn other_volumes_are_recognised_as_what_they_are() {
    let Some(folder) = unpack::folder("volumes of other kinds") else { return };
    for (file, sign, code) in OTHERS {
        for (name, survey) in surveyed(&folder.join(file)) {
            let content = survey.drive.areas.iter().find_map(|area| area.content.as_ref()).expect("something is there");
            assert_eq!(content.recognised().map(|found| found.kind), sign, "{name}: {}", told(&survey));
            let codes: Vec<&str> = survey.findings(Severity::Note).iter().map(|finding| finding.0).collect();
            assert!(codes.contains(&code), "{name}: {}", told(&survey));
            assert!(!survey.coherence.verdict.says_stop(), "{name}: {}", told(&survey));
        }
    }
    let mut count = 0;
    for (name, survey) in surveyed(&folder.join(ENCRYPTED)) {
        let contents: Vec<&Content> = survey.drive.areas.iter().filter_map(|area| area.content.as_ref()).collect();
        let [content] = contents.as_slice() else { panic!("{name}: {}", told(&survey)) };
        count += 1;
        if let Content::Volume(volume) = content {
            // Its key is on it in the clear, so it is read; what is inside is thinned away.
            let opened = volume.encryption.as_ref().map(|encryption| encryption.opened_by);
            assert_eq!((name.as_str(), opened), ("bitlk-aes-xts-128-clearkey-only.img", Some(Protector::ClearKey)));
            continue;
        }
        let found = content.recognised().unwrap_or_else(|| panic!("{name}: {}", told(&survey)));
        assert_eq!((found.kind, found.encrypted), (Sign::VolumeEncryption, true), "{name}");
        assert_eq!(survey.coherence.verdict, Verdict::Encrypted, "{name}: {}", told(&survey));
        // Nothing is wrong with an encrypted volume; that it is one is more than a note. The maps of two are thinned away, which shows where
        // the key is on the volume in the clear.
        let mut damage = survey.findings(Severity::Damage);
        damage.retain(|finding| finding.0 != "encryption-layout-lost");
        assert_eq!(damage, [], "{name}");
    }
    assert_eq!(count, 21);
}

/// Whoever wants to run these tests must find every sample, and what is known of it, in the list.
#[test]
fn the_list_of_samples_is_complete() {
    let list = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/README.md")).unwrap();
    let whole = HEALTHY.iter().map(|sample| sample.0).chain(OTHERS.iter().map(|sample| sample.0));
    for file in whole.chain([OLD_DISKETTE.0, ENCRYPTED, "exfatprogs-damaged/*.tar.xz"]) {
        let row = list.lines().find(|line| line.contains(&format!("| `{file}` |")));
        let row = row.unwrap_or_else(|| panic!("{file} is not in testdata/README.md"));
        // Repository, commit and path.
        let commit = row.split([' ', '|']).any(|word| word.len() == 40 && word.chars().all(|c| c.is_ascii_hexdigit()));
        assert!(commit, "{file}: no commit in {row}");
    }
    assert!(list.contains(unpack::VARIABLE));
}
