//! Structure that could not be read is not structure at a wrong place: the verdict says so, with a next step of its own.

use super::{Judged, extent};
use crate::common::{answers, fixture};
use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::source::{MemorySource, ReadError, Source, SourceIdentity};
use gleaner::survey::coherence::{Check, Outcome, Verdict};
use serde_json::Value;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};

/// Places of a file of the answers, on a drive that is one volume.
fn places(answers: &Value, path: &str) -> Vec<Extent> {
    let files = answers["files"].as_array().unwrap();
    let file =
        files.iter().find(|file| file["path"] == path && file["stream"].is_null() && file["attribute"].is_null());
    let extents = file.unwrap()["extents"].as_array().unwrap().iter();
    extents.map(|pair| extent(pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap())).collect()
}

fn judged(name: &str, unreadable: &[Extent]) -> Judged {
    let sector = if name.contains("4096") { SectorSize::S4096 } else { SectorSize::S512 };
    let source = MemorySource::new(fixture(name), sector);
    Judged::of(unreadable.iter().fold(source, |source, place| source.with_unreadable(*place)))
}

fn assert_unreadable(name: &str, judged: &Judged) {
    assert_eq!(judged.verdict(), Verdict::Unreadable, "{name}: {}", judged.told());
    let advice = judged.coherence.advice;
    for step in ["rest", "cool", "off and on", "answers easily"] {
        assert!(advice.contains(step), "{advice}");
    }
    assert!(!advice.contains("not the client's data") && !advice.contains("adaptive data"), "{advice}");
    let codes: Vec<&str> = judged.coherence.findings.kept().iter().map(|finding| finding.code.id).collect();
    assert!(codes.contains(&"drive-structure-unreadable"), "{name}: {codes:?}");
}

#[test]
fn a_file_table_that_does_not_answer() {
    for name in ["ntfs-rich", "ntfs-mft-list", "ntfs-sector-4096", "ntfs-cluster-64k"] {
        let table = places(&answers(name), "/$MFT");
        let judged = judged(name, &table);
        assert_unreadable(name, &judged);
        assert!(judged.drive.volumes().count() == 1, "{name}: the mirror leads to all of $MFT");
        assert!(matches!(judged.outcome(Check::FileRecords), Outcome::Fails | Outcome::NotRead), "{}", judged.told());
        let counts = judged.drive.volumes().next().unwrap().1.records.unwrap();
        assert_eq!((counts.damaged, counts.misnumbered), (0, 0), "{name}");
    }
}

/// The first record and the mirror: not even the place of the rest is known.
#[test]
fn neither_the_first_record_nor_the_mirror_answers() {
    let answers = answers("ntfs-rich");
    let mut lost = places(&answers, "/$MFTMirr");
    lost.extend(places(&answers, "/$MFT"));
    let judged = judged("ntfs-rich", &lost);
    assert_unreadable("ntfs-rich", &judged);
    assert_eq!(judged.drive.volumes().count(), 0, "{}", judged.told());
    assert_eq!(judged.drive.all_findings().count(&gleaner::filesystem::ntfs::TABLE_UNREADABLE), 1);
}

#[test]
fn folders_or_fats_that_do_not_answer() {
    for name in ["fat16", "fat32-clusters-512", "fat12-clusters-4k", "exfat-clusters-4k", "exfat-sector-4096"] {
        let answers = answers(name);
        assert_unreadable(name, &judged(name, &places(&answers, "/")));
        if name.starts_with("fat") {
            let fats = answers["fats"].as_array().unwrap().iter();
            let fats: Vec<Extent> = fats.map(|f| extent(f[0].as_u64().unwrap(), f[1].as_u64().unwrap())).collect();
            assert_unreadable(name, &judged(name, &fats));
            assert_eq!(judged(name, &fats[..1]).verdict(), Verdict::PartlyDamaged, "{name}: the second FAT serves");
        }
    }
}

/// A part of the file table is damage, and no more.
#[test]
fn a_quarter_of_the_file_table_that_does_not_answer_is_damage() {
    let table = places(&answers("ntfs-rich"), "/$MFT");
    let quarter = table.iter().map(|e| e.bytes).sum::<u64>() / 4;
    let mut left = quarter;
    let lost: Vec<Extent> = table
        .iter()
        .rev()
        .map_while(|place| {
            let part = Extent { bytes: place.bytes.min(left), ..*place };
            left -= part.bytes;
            Some(part).filter(|part| part.bytes > 0)
        })
        .collect();
    let judged = judged("ntfs-rich", &lost);
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
    assert_eq!(judged.outcome(Check::FileRecords), Outcome::InPart, "{}", judged.told());
}

/// One volume of five: the drive as a whole is damaged, not silent.
#[test]
fn one_of_several_volumes_does_not_answer() {
    let answers = answers("drive-mbr-extended");
    let volume = answers["volumes"].as_array().unwrap().iter().find(|volume| volume["kind"] == "ntfs").unwrap();
    let base = volume["volume_start"].as_u64().unwrap();
    let lost: Vec<Extent> =
        places(volume, "/$MFT").into_iter().map(|place| extent(base + place.start.0, place.bytes)).collect();
    let judged = judged("drive-mbr-extended", &lost);
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
}

/// Beyond a number of failed requests the rest is not tried any more: that is not read yet, and no damage of its own.
#[test]
fn records_that_were_not_tried_are_not_read_yet() {
    let judged = judged("ntfs-rich", &places(&answers("ntfs-rich"), "/$MFT"));
    let counts = judged.drive.volumes().next().unwrap().1.records.unwrap();
    assert!(counts.unreadable == 0 && counts.not_read_yet > 5000, "{counts:?}");
    let findings = judged.drive.all_findings();
    assert!(findings.count(&gleaner::filesystem::ntfs::RECORDS_NOT_READ) > 0);
    assert!(findings.count(&gleaner::survey::allocation::NOT_READ_YET) > 0);
    assert!(judged.figures(Check::FileRecords).contains("not read yet"), "{}", judged.told());
}

/// A drive that answers for a while and then no more, without going away.
struct Dying {
    drive: MemorySource,
    left: AtomicU64,
}

impl Source for Dying {
    fn identity(&self) -> &SourceIdentity {
        self.drive.identity()
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let alive = self.left.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| left.checked_sub(1)).is_ok();
        if alive { self.drive.read_at(start, buffer) } else { Err(ReadError::Unreadable(io::Error::other("silence"))) }
    }
}

/// Whenever it dies during the survey, the answer is never to go on.
#[test]
fn a_drive_that_dies_during_the_survey_is_not_called_consistent() {
    for name in ["drive-gpt", "ntfs-rich", "fat32-clusters-512", "exfat-clusters-4k"] {
        let image = fixture(name);
        let sound = Judged::image(image.clone());
        assert_eq!(sound.verdict(), Verdict::Sound);
        let requests = sound.requests;
        for left in 0..requests {
            let drive = MemorySource::new(image.clone(), SectorSize::S512);
            let judged = Judged::of_source(Box::new(Dying { drive, left: AtomicU64::new(left) }));
            assert!(judged.verdict().says_stop(), "{name}, dies after {left} of {requests}: {}", judged.told());
            assert_eq!(judged.verdict(), Verdict::Unreadable, "{name}, {left} of {requests}: {}", judged.told());
        }
    }
}

/// An MBR and the boot sectors of its two volumes, one sector each: the copies serve, so this is damage and no more.
#[test]
fn first_sectors_that_do_not_answer_are_damage_when_copies_serve() {
    let (ntfs, fat) = (fixture("ntfs-cluster-8k"), fixture("fat32-clusters-512"));
    let (first, second) = (1 << 20, (1 << 20) + ntfs.len());
    let mut drive = vec![0; second + fat.len() + (1 << 20)];
    drive[first..second].copy_from_slice(&ntfs);
    drive[second..second + fat.len()].copy_from_slice(&fat);
    for (index, (at, bytes, kind)) in [(first, ntfs.len(), 0x07), (second, fat.len(), 0x0C)].into_iter().enumerate() {
        // UEFI Specification 2.x, 5.2.1: type at byte 4, first sector at 8, number at 12.
        let entry = 446 + 16 * index;
        drive[entry + 4] = kind;
        drive[entry + 8..entry + 12].copy_from_slice(&u32::try_from(at / 512).unwrap().to_le_bytes());
        drive[entry + 12..entry + 16].copy_from_slice(&u32::try_from(bytes / 512).unwrap().to_le_bytes());
    }
    drive[510..512].copy_from_slice(&[0x55, 0xAA]);
    assert_eq!(Judged::image(drive.clone()).verdict(), Verdict::Sound);
    let lost = [0, first, second];
    for count in 1..=3 {
        let source = MemorySource::new(drive.clone(), SectorSize::S512);
        let source = lost[..count].iter().fold(source, |source, at| source.with_unreadable(extent(*at as u64, 512)));
        let judged = Judged::of(source);
        assert_eq!(judged.drive.volumes().count(), 2, "{count}: {}", judged.told());
        assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{count}: {}", judged.told());
    }
}
