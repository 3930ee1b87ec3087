//! Microsoft's reserved partition has no file system by definition: nothing is wrong with it, and nothing in it is planned.

use super::{Survey, answers, common};
use gleaner::base::extent::Extent;
use gleaner::base::finding::Severity;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::Content;
use gleaner::partition::AreaKind;
use gleaner::source::MemorySource;
use gleaner::survey::allocation::Class;
use gleaner::survey::coherence::Verdict;

const FIXTURE: &str = "drive-windows-gpt";

/// Where the fixture's maker puts the reserved partition: from sector 34, 16 MiB.
fn reserved() -> Extent {
    Extent::new(34 * 512, 16 << 20).unwrap()
}

fn image() -> Vec<u8> {
    common::fixture(FIXTURE)
}

fn position(at: u64) -> usize {
    usize::try_from(at).unwrap()
}

/// CRC-32 as GPT has it (UEFI Specification 2.x, 5.3.2), by the crc crate.
fn crc(bytes: &[u8]) -> u32 {
    crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(bytes)
}

/// Changes an entry of both arrays and makes the CRCs fit: array at byte 88 of the header, header at byte 16 over 92 bytes.
fn edit_entry(image: &mut [u8], number: usize, edit: impl Fn(&mut [u8])) {
    let end = image.len();
    for (header, array) in [(512, 1024), (end - 512, end - 33 * 512)] {
        edit(&mut image[array + 128 * (number - 1)..array + 128 * number]);
        let sum = crc(&image[array..array + 128 * 128]);
        image[header + 88..header + 92].copy_from_slice(&sum.to_le_bytes());
        image[header + 16..header + 20].fill(0);
        let sum = crc(&image[header..header + 92]);
        image[header + 16..header + 20].copy_from_slice(&sum.to_le_bytes());
    }
}

#[test]
fn a_drive_as_windows_sets_it_up_is_sound() {
    let survey = Survey::image(image());
    assert_eq!(survey.coherence.verdict, Verdict::Sound, "{}", survey.coherence.sentence);
    assert_eq!(survey.findings(Severity::Note), []);
    let answers = common::answers(FIXTURE);
    let expected = answers["volumes"].as_array().unwrap();
    let volumes: Vec<_> = survey.drive.volumes().collect();
    assert_eq!(volumes.len(), expected.len());
    for ((_, map), answers) in volumes.iter().zip(expected) {
        assert_eq!(map.extent.start.0, answers["volume_start"].as_u64().unwrap());
        answers::assert_same(FIXTURE, map, answers);
    }
    assert_eq!(survey.totals.repeated_bytes, 0);
}

#[test]
fn the_reserved_partition_is_outside_and_hardly_read() {
    let survey = Survey::image(image());
    let area = survey.drive.areas.iter().find(|area| area.area.extent == reserved()).expect("the partition is listed");
    assert!(matches!(&area.area.kind, AreaKind::Partition(entry) if entry.type_name == "Windows reserved"));
    assert!(area.content.is_none());
    assert_eq!(survey.bytes_of(Class::Outside, reserved()), reserved().bytes);
    // What a signature could stand in, and no more: the same drive costs so much less without the partition.
    let mut without = image();
    edit_entry(&mut without, 1, |entry| entry[..16].fill(0));
    // A gap of 16 MiB is too short to be searched behind a sound table.
    let less = Survey::image(without).totals.bytes;
    assert_eq!(survey.totals.bytes - less, 68 << 10);
}

/// Its first sector costs one failed read, and stays what it was: outside.
#[test]
fn a_reserved_partition_that_does_not_answer_costs_one_failed_read() {
    let source = MemorySource::new(image(), SectorSize::S512).with_unreadable(reserved());
    let survey = Survey::of(Box::new(source));
    assert_eq!(survey.totals.failed_requests, 1);
    let area = survey.drive.areas.iter().find(|area| area.area.extent == reserved()).expect("the partition is listed");
    assert!(area.content.is_none());
    assert_eq!(survey.drive.volumes().count(), 3);
}

/// What is recognised in it all the same is read and planned: the table's word ends there.
#[test]
fn a_volume_in_a_reserved_partition_is_not_passed_over() {
    let mut drive = image();
    let volume = common::fixture("fat12-clusters-4k");
    let at = position(reserved().start.0);
    drive[at..at + volume.len()].copy_from_slice(&volume);
    let survey = Survey::image(drive);
    let found = survey.drive.volumes().find(|(_, map)| map.extent.start == reserved().start).expect("it is read");
    assert_eq!(found.1.kind.name(), "FAT12");

    let mut drive = image();
    let superblock = common::fixture("foreign-ext4");
    drive[at..at + (1 << 20)].copy_from_slice(&superblock[..1 << 20]);
    let survey = Survey::image(drive);
    let area = survey.drive.areas.iter().find(|area| area.area.extent == reserved()).unwrap();
    assert_eq!(area.content.as_ref().and_then(Content::name), Some("ext4"));
    assert_eq!(survey.bytes_of(Class::Outside, reserved()), 0);
}

/// A table that no CRC proves may have the wrong type: then all of it is planned, as of any partition.
#[test]
fn an_unproven_table_is_not_believed_about_it() {
    let mut drive = image();
    let end = drive.len();
    for array in [1024, end - 33 * 512] {
        // A name's letter: the array no longer fits its CRC.
        drive[array + 60] ^= 1;
    }
    let survey = Survey::image(drive);
    let codes: Vec<&str> = survey.findings(Severity::Damage).iter().map(|finding| finding.0).collect();
    assert!(codes.contains(&"gpt-unverified") && codes.contains(&"volume-not-recognised"), "{codes:?}");
    assert_eq!(survey.bytes_of(Class::Outside, reserved()), 0);
}

/// Code that starts the drive from a BIOS has no file system either; it is copied, and nothing is wrong with it.
#[test]
fn a_partition_of_boot_code_is_planned_without_a_finding() {
    let mut drive = image();
    // 21686148-6449-6E6F-744E-656564454649, as it is stored (GNU GRUB manual, from memory).
    edit_entry(&mut drive, 1, |entry| entry[..16].copy_from_slice(b"Hah!IdontNeedEFI"));
    let at = position(reserved().start.0);
    drive[at..at + 4096].copy_from_slice(&[0x90; 4096]);
    let survey = Survey::image(drive);
    assert_eq!(survey.findings(Severity::Note), []);
    assert_eq!(survey.coherence.verdict, Verdict::Sound, "{}", survey.coherence.sentence);
    assert_eq!(survey.bytes_of(Class::Unclaimed, reserved()), reserved().bytes);
}
