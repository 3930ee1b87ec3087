//! What is refused before anything is read or written: another drive, a changed one, a case on its own drive, a mounted
//! drive.

use crate::cases::{
    check_claims, check_image, complains_with, copy, ends_with, gleaner, identity_places, planned, survey_and_plan,
};
use crate::common::fixture;
use crate::mounted::Mounted;
use crate::witness::{Behaviour, WitnessedDevice, run};
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Everything in a case's folder.
fn content(case: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files: Vec<_> =
        fs::read_dir(case).expect("the case").map(|entry| entry.expect("an entry").path()).collect();
    files.sort();
    files.into_iter().map(|path| (path.clone(), fs::read(path).expect("a file"))).collect()
}

fn refused(case: &Path, drive: &Path, why: &[&str]) {
    let before = content(case);
    for command in ["survey", "plan", "copy", "audit"] {
        let complaint = complains_with(8, gleaner(command, case).arg(drive));
        for part in why {
            assert!(complaint.contains(part), "{command}: no {part:?} in {complaint:?}");
        }
    }
    assert!(content(case) == before, "the case was changed by what was refused");
}

#[test]
fn another_drive_is_refused_with_the_difference_named() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name);
    let bytes = fixture("drive-gpt");
    let (drive, case) = (at("drive.img"), at("case"));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(&drive, &case, &[]);

    // Another size.
    let longer = at("longer.img");
    fs::copy(&drive, &longer).expect("room");
    let file = File::options().write(true).open(&longer).expect("a file");
    file.set_len(bytes.len() as u64 + 512).expect("room");
    drop(file);
    refused(&case, &longer, &["another drive", "100663808", "100663296"]);

    // The same size, another serial number in the boot sector of the second volume (FAT32: byte 67; Microsoft FAT
    // specification, from memory).
    let twin = at("twin.img");
    let place = 67_584 * 512 + 67;
    let mut other = bytes.clone();
    other[place] ^= 0x40;
    fs::write(&twin, &other).expect("room");
    refused(&case, &twin, &[&format!("byte {place}"), "LBA 67584"]);

    // The very same file, changed: in a table.
    let table = 2 * 512 + 40;
    let change = |bytes: &[u8]| {
        // Closed again: a drive that is open for writing elsewhere would be refused for that.
        let file = File::options().write(true).open(&drive).expect("a file");
        file.write_all_at(bytes, table as u64).expect("written");
    };
    change(&[bytes[table] ^ 1]);
    refused(&case, &drive, &[&format!("byte {table}"), "LBA 2", "changed since"]);
    // Changed back: its tables are what they were, but nothing tells what else was changed. Somebody must.
    change(&bytes[table..=table]);
    refused(&case, &drive, &["was changed since this case read it last", "--source-changed"]);
    copy(0, &drive, &case, &["--source-changed"]);
    let record = fs::read_to_string(case.join("record.jsonl")).expect("the record");
    assert!(record.contains("accepted by the technician's word"), "{record}");
    // Told once is enough; and so for a copy of it elsewhere.
    copy(0, &drive, &case, &[]);
    let moved = at("moved.img");
    fs::copy(&drive, &moved).expect("room");
    refused(&case, &moved, &["was changed since this case read it last"]);
    copy(0, &moved, &case, &["--source-changed"]);
    check_claims(&case, &bytes);
    check_image(&case, &bytes, &planned(&case));
}

/// A survey that was cut short has left something of its drive in the case, but not yet what identifies it.
#[test]
fn another_drive_is_refused_after_a_survey_that_was_cut_short() {
    let bytes = fixture("ntfs-rich");
    let delay = Some(Duration::from_millis(80));
    let slow = WitnessedDevice::behaving(&bytes, &Behaviour { delay, ..Behaviour::default() });
    let case = slow.file("case");
    let mut survey = gleaner("survey", &case);
    let mut running = survey.arg(slow.path()).stdout(Stdio::null()).spawn().expect("gleaner");
    // Something is made durable every five seconds (docs/durability.md).
    let began = Instant::now();
    while !fs::metadata(case.join("journal")).is_ok_and(|about| about.len() > 128) {
        assert!(running.try_wait().expect("its state").is_none(), "the survey ended too early");
        assert!(began.elapsed() < Duration::from_secs(60), "nothing was made durable");
        std::thread::sleep(Duration::from_millis(20));
    }
    running.kill().expect("SIGKILL");
    running.wait().expect("its end");
    assert!(check_claims(&case, &bytes).copied_bytes() > 0);
    assert_eq!(identity_places(&case).bytes(), 0);

    // Byte 72 of an NTFS boot sector is the volume's serial number (Linux fs/ntfs/layout.h, from memory).
    let folder = tempfile::tempdir().expect("a temporary folder");
    let twin = folder.path().join("twin.img");
    let mut other = bytes.clone();
    other[72] ^= 1;
    fs::write(&twin, &other).expect("room");
    let complaint = complains_with(8, gleaner("survey", &case).arg(&twin));
    assert!(complaint.contains("byte 72 "), "{complaint}");
    let same = folder.path().join("same.img");
    fs::write(&same, &bytes).expect("room");
    ends_with(0, gleaner("survey", &case).arg(&same));
    check_claims(&case, &bytes);
}

/// A drive as a loop device, with a partition that the kernel knows.
struct Partitioned {
    folder: tempfile::TempDir,
    device: PathBuf,
}

impl Partitioned {
    /// One Linux partition, with ext4 on it.
    fn new() -> Partitioned {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let image = folder.path().join("drive.img");
        File::create_new(&image).and_then(|file| file.set_len(64 << 20)).expect("a sparse file");
        let table = folder.path().join("table");
        fs::write(&table, "label: dos\n2048,,83\n").expect("room");
        run(Command::new("sfdisk").args(["--quiet", "--no-reread"]).arg(&image).stdin(File::open(table).unwrap()));
        let attach = ["--find", "--show", "--partscan"];
        let device = PathBuf::from(run(Command::new("losetup").args(attach).arg(&image)).trim());
        let drive = Partitioned { folder, device };
        if !drive.partition().exists() {
            // A kernel without its own partition parsers is told.
            run(Command::new("partx").arg("--add").arg(&drive.device));
        }
        run(Command::new("mkfs.ext4").arg("-q").arg(drive.partition()));
        drive
    }

    fn partition(&self) -> PathBuf {
        PathBuf::from(format!("{}p1", self.device.display()))
    }
}

impl Drop for Partitioned {
    fn drop(&mut self) {
        let _ = Command::new("partx").arg("--delete").arg(&self.device).status();
        let _ = Command::new("losetup").arg("--detach").arg(&self.device).status();
    }
}

fn lies_on_the_drive(drive: &Path, case: &Path) {
    // The explicit word does not help: it is about the source, not about the case.
    for words in [&[][..], &["--mounted"]] {
        let complaint = complains_with(8, gleaner("survey", case).arg(drive).args(words));
        assert!(complaint.contains("lies on the drive that is to be read"), "{complaint}");
    }
    assert!(!case.exists(), "nothing was made");
}

#[test]
fn a_case_on_its_own_drive_is_refused() {
    let drive = Partitioned::new();
    let mounted = Mounted::device(&drive.partition());
    lies_on_the_drive(&drive.device, &mounted.path().join("case"));
    lies_on_the_drive(&drive.partition(), &mounted.path().join("case"));
    // By another way: a file on the drive, with a file system in it that is mounted.
    let nested = mounted.path().join("nested.img");
    File::create_new(&nested).and_then(|file| file.set_len(8 << 20)).expect("a sparse file");
    run(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&nested));
    let inner = Mounted::image(&nested);
    lies_on_the_drive(&drive.device, &inner.path().join("case"));
}

/// A loop device can stand on a device instead of a file.
#[test]
fn a_case_on_a_device_that_stands_on_the_drive_is_refused() {
    let drive = Partitioned::new();
    let mounted = Mounted::image(&drive.device.with_file_name(drive.partition().file_name().unwrap()));
    lies_on_the_drive(&drive.device, &mounted.path().join("case"));
    let complaint = complains_with(8, gleaner("survey", &drive.folder.path().join("case")).arg(&drive.device));
    assert!(complaint.contains("is mounted at"), "{complaint}");
}

/// A drive that is an image file can be mounted, and written to, as well.
#[test]
fn a_case_inside_its_own_image_file_is_refused() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let image = folder.path().join("drive.img");
    File::create_new(&image).and_then(|file| file.set_len(16 << 20)).expect("a sparse file");
    run(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&image));
    let mounted = Mounted::image(&image);
    lies_on_the_drive(&image, &mounted.path().join("case"));
    let complaint = complains_with(8, gleaner("survey", &folder.path().join("case")).arg(&image));
    assert!(complaint.contains("is mounted at"), "{complaint}");
}

#[test]
fn a_mounted_drive_needs_an_explicit_word() {
    let drive = Partitioned::new();
    let case = drive.folder.path().join("case");
    let mounted = Mounted::read_only(&drive.partition());
    for source in [&drive.device, &drive.partition()] {
        let complaint = complains_with(8, gleaner("survey", &case).arg(source));
        let place = mounted.path().to_str().expect("UTF-8");
        assert!(complaint.contains(place) && complaint.contains("--mounted"), "{complaint}");
        assert!(!case.join("case.json").exists(), "nothing was made");
    }
    ends_with(0, gleaner("survey", &case).arg(&drive.device).arg("--mounted"));
    complains_with(8, gleaner("plan", &case).arg(&drive.device));
    drop(mounted);
    ends_with(0, gleaner("plan", &case).arg(&drive.device));
    // Mounted for writing, a file system notes that in its superblock: the drive is no longer what the case knows.
    drop(Mounted::device(&drive.partition()));
    let complaint = complains_with(8, gleaner("plan", &case).arg(&drive.device));
    assert!(complaint.contains("was changed since"), "{complaint}");
}

/// Without a case too: neither a plan nor a trace is written to the drive that is read, explicit word or not.
#[test]
fn no_file_is_written_to_the_drive_that_is_read() {
    let drive = Partitioned::new();
    let mounted = Mounted::device(&drive.partition());
    let (plan, trace) = (mounted.path().join("plan.jsonl"), mounted.path().join("trace.csv"));
    let program = || Command::new(env!("CARGO_BIN_EXE_gleaner"));
    for words in [&[][..], &["--mounted"]] {
        let complaint = complains_with(8, program().arg("plan").arg(&drive.device).arg("-o").arg(&plan).args(words));
        assert!(complaint.contains("lies on the drive that is to be read"), "{complaint}");
        let complaint =
            complains_with(8, program().arg("survey").arg(&drive.device).arg("--trace").arg(&trace).args(words));
        assert!(complaint.contains("lies on the drive that is to be read"), "{complaint}");
    }
    assert!(!plan.exists() && !trace.exists(), "nothing was made");
    let complaint = complains_with(8, program().arg("survey").arg(&drive.device));
    assert!(complaint.contains("is mounted at"), "{complaint}");
    ends_with(0, program().arg("survey").arg(&drive.device).arg("--mounted"));
}

/// A command that needs no drive writes nothing to the one that the case saw, where that is still there.
#[test]
fn without_the_drive_no_file_is_written_to_it() {
    let drive = Partitioned::new();
    let case = drive.folder.path().join("case");
    survey_and_plan(&drive.device, &case, &[]);
    let mounted = Mounted::device(&drive.partition());
    let page = mounted.path().join("report.html");
    let complaint = complains_with(8, gleaner("report", &case).arg("--output").arg(&page));
    assert!(complaint.contains("lies on the drive that is to be read") && !page.exists(), "{complaint}");
    ends_with(0, gleaner("report", &case).arg("--output").arg(drive.folder.path().join("report.html")));
}

/// The drive itself is no place for a case.
#[test]
fn the_drive_is_no_case_folder() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("fat12-floppy");
    let drive = folder.path().join("drive.img");
    fs::write(&drive, &bytes).expect("room");
    complains_with(8, gleaner("survey", &drive).arg(&drive));
    complains_with(8, gleaner("survey", folder.path()).arg(&drive));
    assert!(fs::read(&drive).expect("the drive") == bytes);
}
