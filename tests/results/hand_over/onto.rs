//! Drives that are written.

use crate::cases::{complains_with, ends_with};
use crate::hand_over::{Bench, Target, common, copy, survey_and_plan, write_sparse};
use crate::witness::run;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

/// The table as sfdisk(8) dumps it, without the names of files and devices.
fn table(path: &Path) -> Vec<String> {
    let dump = run(Command::new("sfdisk").arg("--dump").arg(path));
    let lines = dump.lines().filter(|line| !line.starts_with("device:"));
    lines.map(|line| line.split_once(" : ").map_or(line, |(_, rest)| rest).to_owned()).collect()
}

/// The drive holds what the case holds and zeros elsewhere. Sources: cmp by the standard library, sha256sum(1), sfdisk(8), qemu-img(1).
#[test]
fn a_drive_of_the_same_size() {
    let bench = Bench::copied("drive-gpt");
    let target = bench.blank(0);
    let text = ends_with(0, &mut bench.onto(&target));
    assert!(text.contains("the same") && text.contains("all files are complete"), "{text}");
    assert!(target.bytes() == bench.expected());
    assert_eq!(table(&target.image()), table(&bench.at("drive.img")));
    // The list is for the drive's bytes on standard input, as the text says.
    let drive = fs::File::open(&target.device).unwrap();
    let mut check = Command::new("sha256sum");
    let checked = check.arg("--check").arg(bench.at("hand-over.sha256")).stdin(Stdio::from(drive)).status();
    assert!(checked.unwrap().success());
    ends_with(0, bench.hand_over().arg("--check").arg(&target.device));
    // Finished, it could be the client's drive; erased, it is nobody's.
    let mut again = bench.onto(&target);
    let complaint = complains_with(5, again.args(["--overwrite", "--checksums", "again"]));
    assert!(complaint.contains("disk GUID"), "{complaint}");
    ends_with(0, bench.hand_over().args(["--as", "vhdx", "--to", "out.vhdx"]));
    run(Command::new("qemu-img")
        .args(["compare", "-f", "raw", "-F", "vhdx"])
        .arg(&target.device)
        .arg(bench.at("out.vhdx")));
    run(Command::new("blkdiscard").arg("--zeroout").arg(&target.device));
    ends_with(0, &mut again);
}

/// What lies behind the copy on a larger drive stays, but for the drive's own tables: the former backup of a GPT would contradict the new
/// table.
#[test]
fn a_larger_drive_that_held_something_else() {
    let bench = Bench::copied("fat16");
    let bytes = bench.drive.len() as u64 + (24 << 20);
    let target = Target::made(bytes, &[], |image| {
        crate::hand_over::divide(image, "label: gpt\nsize=30M\n");
        run(Command::new("mkfs.ext4").args(["-q", "-F", "-E", "offset=1048576"]).arg(image).arg("28000"));
    });
    let complaint = complains_with(5, &mut bench.onto(&target));
    assert!(complaint.contains("GUID partition table") && complaint.contains("--overwrite"), "{complaint}");
    assert!(target.recognised().contains("gpt") && !bench.has_list(), "nothing was changed");
    let text = ends_with(0, bench.onto(&target).arg("--overwrite"));
    assert!(text.contains("larger than the client's"), "{text}");
    let after = target.bytes();
    assert!(after[..bench.drive.len()] == bench.expected());
    assert!(after[after.len() - 512..].iter().all(|byte| *byte == 0), "the former backup header");
    assert!(!after.windows(8).skip(bench.drive.len()).any(|bytes| bytes == b"EFI PART"));
}

/// A drive with sectors of 4096 bytes, on one with such, as the kernel then sees it.
#[test]
fn sectors_of_4096_bytes() {
    let drive = common::fixture("drive-gpt-4kn");
    let source = Target::made(drive.len() as u64, &["--sector-size", "4096"], |image| {
        fs::remove_file(image).unwrap();
        write_sparse(image, &drive);
    });
    let bench = Bench { folder: tempfile::tempdir().unwrap(), drive };
    survey_and_plan(&source.device, &bench.case(), &[]);
    copy(0, &source.device, &bench.case(), &[]);
    let target = Target::new(bench.drive.len() as u64, &["--sector-size", "4096"]);
    ends_with(0, &mut bench.onto(&target));
    assert!(target.bytes() == bench.expected());
    let on_device =
        |path: &Path| run(Command::new("sfdisk").args(["--list", "--output", "START,SECTORS,UUID"]).arg(path));
    let partitions =
        |path: &Path| -> Vec<String> { on_device(path).lines().rev().take(2).map(str::to_owned).collect() };
    assert_eq!(partitions(&target.device), partitions(&source.device));
    let text = ends_with(0, bench.hand_over().args(["--as", "raw", "--to", "out.raw"]));
    assert!(text.contains("--sector-size 4096"), "{text}");
    ends_with(0, bench.hand_over().args(["--as", "vhdx", "--to", "out.vhdx"]));
    // qemu-img opens no VHDX with such sectors, so here our own reader alone tells.
    ends_with(0, bench.hand_over().args(["--check", "out.vhdx"]));
    let other = bench.blank(0);
    let complaint = complains_with(5, bench.onto(&other).args(["--checksums", "other"]));
    assert!(complaint.contains("logical sectors have 512 bytes") && complaint.contains("4096"), "{complaint}");
}

/// An image file as source need not end with a sector: the drive's last sector is filled with zeros.
#[test]
fn a_source_that_ends_within_a_sector() {
    let mut drive = common::fixture("fat12-clusters-4k");
    drive.extend([0xC3; 100]);
    let bench = Bench::planned(drive);
    ends_with(0, crate::hand_over::gleaner("plan", &bench.case()).args(["--scope", "whole"]));
    copy(0, &bench.at("drive.img"), &bench.case(), &[]);
    let target = bench.blank(512 - 100);
    ends_with(0, &mut bench.onto(&target));
    assert!(target.bytes() == [&bench.drive[..], &[0; 512 - 100]].concat());
    ends_with(0, bench.hand_over().arg("--check").arg(&target.device));
}
