//! Drives that must not be written. Each is left as it was.

use crate::cases::{complains_with, ends_with};
use crate::hand_over::{Bench, Target, divide, write_sparse};
use crate::mounted::Mounted;
use crate::witness::{Behaviour, WitnessedDevice, Writes, run};
use gleaner::base::extent::Extent;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;

/// A case that all of these share: it is only looked at. The volume fills the drive.
static BENCH: LazyLock<Bench> = LazyLock::new(|| Bench::copied("fat16"));

/// Refused, with and without `--overwrite`, for this reason; nothing is written.
fn refused(bench: &Bench, device: &Path, serial: &Path, content: &Path, why: &str) {
    let before = fs::read(content).expect("the target");
    for word in [None, Some("--overwrite")] {
        let mut program = bench.onto_device(device, serial);
        let output = program.args(word).output().expect("gleaner");
        let complaint = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(matches!(output.status.code(), Some(5 | 8)), "{}: {complaint}", output.status);
        assert!(complaint.contains(why), "{complaint}");
    }
    assert!(fs::read(content).expect("the target") == before, "it was written to");
    assert!(!bench.has_list());
}

fn target_refused(bench: &Bench, target: &Target, why: &str) {
    refused(bench, &target.device, &target.image(), &target.image(), why);
}

#[test]
fn another_serial_number() {
    let target = BENCH.blank(0);
    for typed in ["", "FH-0042"] {
        refused(&BENCH, &target.device, Path::new(typed), &target.image(), "its serial number is");
    }
}

#[test]
fn a_serial_number_that_two_drives_have() {
    let target = BENCH.blank(0);
    let twin = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(target.image())).trim());
    target_refused(&BENCH, &target, "too; detach it");
    run(Command::new("losetup").arg("--detach").arg(twin));
}

#[test]
fn a_file_a_partition_and_nothing() {
    let target =
        Target::made(BENCH.drive.len() as u64, &["--partscan"], |image| divide(image, "label: dos\nsize=8M\n"));
    refused(&BENCH, &target.image(), &target.image(), &target.image(), "not a whole drive");
    let partition = PathBuf::from(format!("{}p1", target.device.display()));
    if partition.exists() {
        refused(&BENCH, &partition, &target.image(), &target.image(), "not a whole drive");
    }
    let complaint = complains_with(5, &mut BENCH.onto_device(Path::new("/dev/no-such-drive"), Path::new("x")));
    assert!(complaint.contains("/dev/no-such-drive"), "{complaint}");
}

#[test]
fn a_read_only_drive() {
    let target = Target::new(BENCH.drive.len() as u64, &["--read-only"]);
    target_refused(&BENCH, &target, "it is read-only");
}

#[test]
fn a_mounted_drive() {
    let target = Target::made(64 << 20, &[], |image| {
        run(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(image));
    });
    let mounted = Mounted::read_only(&target.device);
    target_refused(&BENCH, &target, "exclusively");
    drop(mounted);
}

/// A partition of it is mounted, through a loop device on a part of it.
#[test]
fn a_drive_below_a_loop_device() {
    let target = BENCH.blank(0);
    let above = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(&target.device)).trim());
    target_refused(&BENCH, &target, "the loop device");
    run(Command::new("losetup").arg("--detach").arg(above));
}

#[test]
fn a_drive_that_is_swapped_to() {
    let target = BENCH.blank(0);
    run(Command::new("mkswap").arg("--quiet").arg(&target.device));
    run(Command::new("swapon").arg(&target.device));
    let outcome = std::panic::catch_unwind(|| target_refused(&BENCH, &target, "exclusively"));
    run(Command::new("swapoff").arg(&target.device));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}

/// Another program has it open for writing, itself or its image.
#[test]
fn a_drive_that_is_open_for_writing() {
    let target = BENCH.blank(0);
    let script = "import os, sys\nos.open(sys.argv[1], os.O_RDWR)\nprint('ready', flush=True)\nsys.stdin.read()";
    for path in [&target.device, &target.image()] {
        let mut writer = Command::new("python3");
        writer.args(["-c", script]).arg(path).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut writer = writer.spawn().expect("python3");
        let mut line = String::new();
        BufReader::new(writer.stdout.take().unwrap()).read_line(&mut line).expect("a line");
        let outcome = std::panic::catch_unwind(|| target_refused(&BENCH, &target, "open for writing"));
        drop(writer.stdin.take());
        writer.wait().unwrap();
        outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
    }
}

#[test]
fn a_drive_that_is_too_small() {
    let target = Target::new(BENCH.drive.len() as u64 - 4096, &[]);
    target_refused(&BENCH, &target, "the case's drive 25165824");
}

/// The same disk GUID: in a whole table, in its backup alone, and where a bridge has moved everything by some sectors.
#[test]
fn the_same_disk_guid() {
    const GUID: &str = "0F3E12A4-1111-4000-8000-0000000000AA";
    let table = format!("label: gpt\nlabel-id: {GUID}\nsize=8M\n");
    let folder = tempfile::tempdir().unwrap();
    let drive = folder.path().join("drive.img");
    fs::File::create_new(&drive).and_then(|file| file.set_len(32 << 20)).unwrap();
    divide(&drive, &table);
    run(Command::new("mkfs.vfat").args(["--offset=2048", "-i", "1A2B3C4D"]).arg(&drive).arg("8192"));
    let bench = Bench::of(fs::read(&drive).unwrap());
    let bytes = 40 << 20;
    // Other partitions, so that the GUID alone tells.
    let other = format!("label: gpt\nlabel-id: {GUID}\nstart=6144, size=4M\n");
    let whole = Target::made(bytes, &[], |image| divide(image, &other));
    target_refused(&bench, &whole, GUID);
    let backup = Target::made(bytes, &[], |image| {
        divide(image, &other);
        run(Command::new("dd")
            .args(["if=/dev/zero", "bs=1M", "count=1", "conv=notrunc", "status=none"])
            .arg(format!("of={}", image.display())));
    });
    target_refused(&bench, &backup, GUID);
    let moved = Target::made(bytes, &[], |image| {
        divide(image, &other);
        let content = fs::read(image).unwrap();
        fs::remove_file(image).unwrap();
        let shifted = [&[0; 7 * 512][..], &content[..content.len() - (2 << 20)], &[0; (2 << 20) - 7 * 512]].concat();
        write_sparse(image, &shifted);
    });
    target_refused(&bench, &moved, GUID);
}

#[test]
fn the_same_mbr_disk_signature() {
    let table = |rest: &str| format!("label: dos\nlabel-id: 0xFE12AB34\n{rest}\n");
    let folder = tempfile::tempdir().unwrap();
    let drive = folder.path().join("drive.img");
    fs::File::create_new(&drive).and_then(|file| file.set_len(16 << 20)).unwrap();
    divide(&drive, &table("size=8M, type=c"));
    run(Command::new("mkfs.vfat").args(["--offset=2048", "-i", "1A2B3C4D"]).arg(&drive).arg("8192"));
    let bench = Bench::of(fs::read(&drive).unwrap());
    let target = Target::made(16 << 20, &[], |image| divide(image, &table("start=4096, size=4M, type=83")));
    target_refused(&bench, &target, "MBR disk signature FE12AB34");
}

/// A volume with the serial number of the case's, in a table of its own. Source of the number: blkid(8).
#[test]
fn the_same_volume_serial_number() {
    let serial = run(Command::new("blkid")
        .args(["--probe", "--match-tag", "UUID", "--output", "value"])
        .arg(BENCH.at("drive.img")));
    let serial = serial.trim();
    let target = Target::made(40 << 20, &[], |image| {
        divide(image, "label: dos\nstart=2048, size=16M, type=c\n");
        let mut format = Command::new("mkfs.vfat");
        run(format.args(["--offset=2048", "-i", &serial.replace('-', "")]).arg(image).arg("16384"));
    });
    target_refused(&BENCH, &target, &format!("volume serial number {serial}"));
}

/// The case's own drive, as it was attached, whatever its content says.
#[test]
fn the_drive_that_the_case_was_read_from() {
    let source = Target::made(BENCH.drive.len() as u64, &[], |image| {
        fs::remove_file(image).unwrap();
        write_sparse(image, &BENCH.drive);
    });
    let bench = Bench { folder: tempfile::tempdir().unwrap(), drive: Vec::new() };
    crate::hand_over::survey_and_plan(&source.device, &bench.case(), &[]);
    run(Command::new("dd")
        .args(["if=/dev/zero", "bs=1M", "count=2", "conv=notrunc", "status=none"])
        .arg(format!("of={}", source.image().display())));
    target_refused(&bench, &source, "the case's own drive");
    // The same file on another device.
    let bench = Bench::planned(BENCH.drive.clone());
    let device =
        PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(bench.at("drive.img"))).trim());
    refused(&bench, &device, &bench.at("drive.img"), &bench.at("drive.img"), "the case's own drive");
    run(Command::new("losetup").arg("--detach").arg(device));
}

/// The case's own image, as a drive.
#[test]
fn the_image_of_the_case() {
    let image = BENCH.case().join("image.raw");
    let device = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(&image)).trim());
    let outcome = std::panic::catch_unwind(|| refused(&BENCH, &device, &image, &image, "the case's own file"));
    run(Command::new("losetup").arg("--detach").arg(device));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}

/// A drive that says nothing of itself: no table, no volume that is known. What it holds tells.
#[test]
fn the_same_content() {
    let surveyed = |drive: Vec<u8>| {
        let bench = Bench { folder: tempfile::tempdir().unwrap(), drive };
        write_sparse(&bench.at("drive.img"), &bench.drive);
        ends_with(7, crate::hand_over::gleaner("survey", &bench.case()).arg(bench.at("drive.img")));
        bench
    };
    let mut drive = vec![0; 8 << 20];
    let blank = surveyed(drive.clone());
    target_refused(&blank, &Target::new(9 << 20, &[]), "nothing but zeros was copied");
    drive[(5 << 20) + (60 << 10)..][..512].fill(0x11);
    let bench = surveyed(drive);
    let same = Target::made(9 << 20, &[], |image| {
        fs::remove_file(image).unwrap();
        write_sparse(image, &[&bench.drive[..], &[0; 1 << 20]].concat());
    });
    target_refused(&bench, &same, "the same bytes as the case's drive");
    let other = bench.blank(0);
    let ended = bench.onto(&other).output().expect("gleaner");
    assert!(matches!(ended.status.code(), Some(0 | 10)), "{}", String::from_utf8_lossy(&ended.stderr));
}

/// Its first or last MiB, or structure on it, cannot be read: then nobody can tell that it is not the client's drive.
#[test]
fn ends_that_cannot_be_read() {
    let bytes = vec![0; BENCH.drive.len()];
    for bad in [700 << 10, bytes.len() as u64 - 4096] {
        let unreadable = vec![Extent::new(bad, 512).unwrap()];
        let behaviour = Behaviour { unreadable, writes: Some(Writes::Kept), ..Behaviour::default() };
        let target = WitnessedDevice::behaving(&bytes, &behaviour);
        refused(&BENCH, target.path(), &target.file("shown.img"), &target.file("stored.img"), "cannot be read");
        assert_eq!(target.writes(), 0);
    }
}
