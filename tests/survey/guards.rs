//! A drive that this machine uses is refused, and so is a place to write at that lies on the drive, however the kernel hides it: file
//! systems with device numbers of their own, drivers in user space, swap, other mount namespaces, programs that hold the device. On
//! real mounts of this machine's kernel. Needs root, FUSE and loop devices.

use crate::cases;
use crate::mounted;
use crate::witness;

use cases::{complains_with, ends_with, gleaner};
use mounted::Mounted;
use serde_json::Value;
use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use witness::run;

/// An image on a loop device.
struct Drive {
    folder: tempfile::TempDir,
    device: PathBuf,
}

impl Drive {
    /// Made by a formatter, whose words end before the image's path.
    fn new(megabytes: u64, formatter: &[&str]) -> Drive {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let image = folder.path().join("drive.img");
        File::create_new(&image).and_then(|file| file.set_len(megabytes << 20)).expect("a sparse file");
        if let Some((program, words)) = formatter.split_first() {
            run(Command::new(program).args(words).arg(&image));
        }
        let device = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(&image)).trim());
        Drive { folder, device }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn image(&self) -> PathBuf {
        self.at("drive.img")
    }
}

impl Drop for Drive {
    fn drop(&mut self) {
        let _ = Command::new("losetup").arg("--detach").arg(&self.device).status();
    }
}

/// A case there is refused, from the device and from its image, whatever is said; nothing is written.
fn no_place_for_a_case(drive: &Drive, folder: &Path) {
    let case = folder.join("case");
    for source in [&drive.device, &drive.image()] {
        for words in [&[][..], &["--mounted"], &["--mounted", "--case-is-elsewhere"]] {
            let complaint = complains_with(8, gleaner("survey", &case).arg(source).args(words));
            assert!(complaint.contains("lies on the drive that is to be read"), "{}: {complaint}", source.display());
        }
    }
    assert!(!case.exists(), "nothing was made");
}

/// The drive is refused as in use, from the device and from its image; with the explicit word it is read.
fn is_in_use(drive: &Drive, how: &str) {
    let case = drive.at("case");
    for source in [&drive.device, &drive.image()] {
        let complaint = complains_with(8, gleaner("survey", &case).arg(source));
        assert!(complaint.contains(how) && complaint.contains("--mounted"), "{}: {complaint}", source.display());
        assert!(!case.exists(), "nothing was made");
    }
    let mut survey = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    survey.args(["survey", "--quiet", "--mounted"]).arg(&drive.device);
    let ended = survey.output().expect("gleaner");
    assert!(matches!(ended.status.code(), Some(0 | 7)), "{}", String::from_utf8_lossy(&ended.stderr));
}

/// Btrfs shows device numbers of major 0 in its files and in the mount table, and not the same ones.
#[test]
fn btrfs() {
    let drive = Drive::new(256, &["mkfs.btrfs", "--quiet"]);
    let mounted = Mounted::device(&drive.device);
    run(Command::new("btrfs").args(["subvolume", "create"]).arg(mounted.path().join("inner")));
    no_place_for_a_case(&drive, mounted.path());
    no_place_for_a_case(&drive, &mounted.path().join("inner"));
    is_in_use(&drive, &format!("is mounted at {}", mounted.path().display()));
}

/// Of a file system on two drives the mount table names only one.
#[test]
fn btrfs_on_two_drives() {
    let (first, second) = (Drive::new(256, &[]), Drive::new(256, &[]));
    run(Command::new("mkfs.btrfs").args(["--quiet", "--data", "raid1"]).arg(&first.device).arg(&second.device));
    run(Command::new("btrfs").args(["device", "scan"]).arg(&first.device).arg(&second.device));
    let mounted = Mounted::device(&first.device);
    for drive in [&first, &second] {
        no_place_for_a_case(drive, mounted.path());
        is_in_use(drive, "is mounted at");
    }
    drop(mounted);
    run(Command::new("btrfs").args(["device", "scan", "--forget"]));
}

/// What is written to an overlay goes to its upper folder.
#[test]
fn an_overlay() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let below = Mounted::device(&drive.device);
    let lower = tempfile::tempdir().expect("a temporary folder");
    let upper = ["upper, one", "work"].map(|name| below.path().join(name));
    upper.iter().for_each(|folder| fs::create_dir(folder).expect("a folder"));
    let escaped = upper[0].to_str().unwrap().replace(',', "\\,");
    let options = format!("lowerdir={},upperdir={escaped},workdir={}", lower.path().display(), upper[1].display());
    let mounted = Mounted::with(Command::new("mount").args(["-t", "overlay", "overlay", "-o", &options]));
    no_place_for_a_case(&drive, mounted.path());
    is_in_use(&drive, "is mounted at");
}

/// Where nobody can tell, one must say; the case keeps that it was said.
#[test]
fn what_cannot_be_told_must_be_said() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    // Relative names in the options mean something only to who mounted it.
    let folder = tempfile::tempdir().expect("a temporary folder");
    ["lower", "upper", "work"].iter().for_each(|name| fs::create_dir(folder.path().join(name)).expect("a folder"));
    let mut mount = Command::new("mount");
    mount.current_dir(folder.path()).args([
        "-t",
        "overlay",
        "overlay",
        "-o",
        "lowerdir=lower,upperdir=upper,workdir=work",
    ]);
    let mounted = Mounted::with(&mut mount);
    let case = mounted.path().join("case");
    for source in [&drive.device, &drive.image()] {
        let complaint = complains_with(8, gleaner("survey", &case).arg(source));
        assert!(complaint.contains("it cannot be told") && complaint.contains("--case-is-elsewhere"), "{complaint}");
        assert!(!case.exists(), "nothing was made");
    }
    let trace = mounted.path().join("trace.csv");
    let complaint =
        complains_with(8, gleaner("survey", &drive.at("case")).arg(&drive.device).arg("--trace").arg(&trace));
    assert!(complaint.contains("it cannot be told"), "{complaint}");
    ends_with(0, gleaner("survey", &case).arg(&drive.device).arg("--case-is-elsewhere"));
    let record = fs::read_to_string(case.join("record.jsonl")).expect("a record");
    let line: Value = serde_json::from_str(record.lines().last().expect("a line")).expect("JSON");
    assert!(line["arguments"].as_array().unwrap().iter().any(|word| word == "--case-is-elsewhere"), "{line}");
    // An image beside the case lies on the same file system, which cannot stand on it.
    let (beside, its_case) = (mounted.path().join("beside.img"), mounted.path().join("its case"));
    fs::copy(drive.image(), &beside).expect("room");
    ends_with(0, gleaner("survey", &its_case).arg(&beside));
}

/// Network and memory pass by their type.
#[test]
fn memory() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let mounted = Mounted::tmpfs("64M");
    ends_with(0, gleaner("survey", &mounted.path().join("case")).arg(&drive.device));
}

/// A driver in user space on the image: no block device is named anywhere.
#[test]
fn a_fuse_driver_on_the_image() {
    let drive = Drive::new(64, &["mkntfs", "--quick", "--quiet", "--force"]);
    let mounted = Mounted::with(Command::new("ntfs-3g").arg(drive.image()));
    no_place_for_a_case(&drive, mounted.path());
    is_in_use(&drive, "is mounted at");
    drop(mounted);
    // And on the device, read-only at that.
    let mounted = Mounted::with(Command::new("ntfs-3g").args(["-o", "ro"]).arg(&drive.device));
    is_in_use(&drive, "is mounted at");
    no_place_for_a_case(&drive, mounted.path());
}

/// A driver may call its source by any name; it still has the image open, and the device by which it serves the kernel. The program here
/// has both open and serves nothing.
#[test]
fn a_driver_that_does_not_name_its_image() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let script = "import os, sys\nos.open('/dev/fuse', os.O_RDWR)\nos.open(sys.argv[1], os.O_RDONLY)\nprint('ready', flush=True)\nsys.stdin.read()";
    let driver = Running::new(Command::new("python3").args(["-c", script]).arg(drive.image()));
    is_in_use(&drive, "is a file system driver and has it open");
    drop(driver);
    ends_with(0, gleaner("survey", &drive.at("case")).arg(drive.image()));
}

#[test]
fn swap() {
    let drive = Drive::new(16, &["mkswap", "--quiet"]);
    run(Command::new("swapon").arg(&drive.device));
    let swap = Swap(&drive.device);
    is_in_use(&drive, "the system swaps to");
    drop(swap);
    let ended = gleaner("survey", &drive.at("case")).arg(&drive.device).output().expect("gleaner");
    assert!(matches!(ended.status.code(), Some(0 | 7)), "{}", String::from_utf8_lossy(&ended.stderr));
}

struct Swap<'d>(&'d Path);

impl Drop for Swap<'_> {
    fn drop(&mut self) {
        run(Command::new("swapoff").arg(self.0));
    }
}

/// A program that has told that it is ready, and ends when it is dropped.
struct Running(Child);

impl Running {
    fn new(program: &mut Command) -> Running {
        let mut running = Running(program.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("a program"));
        let mut line = String::new();
        BufReader::new(running.0.stdout.take().unwrap()).read_line(&mut line).expect("a line");
        assert_eq!(line.trim(), "ready");
        running
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        let _ = self.0.wait();
    }
}

/// Mounted where this process does not see it.
#[test]
fn another_mount_namespace() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let at = drive.at("only there");
    fs::create_dir(&at).expect("a folder");
    let script = "mount \"$0\" \"$1\" && echo ready && cat";
    let mut shell = Command::new("unshare");
    shell.args(["--mount", "sh", "-c", script]).arg(&drive.device).arg(&at);
    let there = Running::new(&mut shell);
    is_in_use(&drive, &format!("is mounted at {} as process {} sees it", at.display(), there.0.id()));
    drop(there);
    ends_with(0, gleaner("survey", &drive.at("case")).arg(&drive.device));
}

/// Whatever holds the device, where no table tells: the kernel refuses to open it exclusively.
#[test]
fn a_device_that_somebody_keeps_for_himself() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let script =
        "import os, sys\nos.open(sys.argv[1], os.O_RDONLY | os.O_EXCL)\nprint('ready', flush=True)\nsys.stdin.read()";
    let holder = Running::new(Command::new("python3").args(["-c", script]).arg(&drive.device));
    let complaint = complains_with(8, gleaner("survey", &drive.at("case")).arg(&drive.device));
    assert!(complaint.contains("is in use: the kernel keeps it"), "{complaint}");
    ends_with(0, gleaner("survey", &drive.at("case")).arg(&drive.device).arg("--mounted"));
    drop(holder);
    ends_with(0, gleaner("survey", &drive.at("case")).arg(&drive.device));
}

#[test]
fn a_drive_that_is_open_for_writing() {
    let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
    let script =
        "import os, sys\nos.open(sys.argv[1], getattr(os, sys.argv[2]))\nprint('ready', flush=True)\nsys.stdin.read()";
    let open = |path: &Path, how: &str| Running::new(Command::new("python3").args(["-c", script]).arg(path).arg(how));
    for path in [&drive.device, &drive.image()] {
        let writer = open(path, "O_RDWR");
        let complaint = complains_with(8, gleaner("survey", &drive.at("case")).arg(path));
        assert!(complaint.contains("the process python3") && complaint.contains("open for writing"), "{complaint}");
        drop(writer);
        let _reader = open(path, "O_RDONLY");
        let mut survey = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        ends_with(0, survey.args(["survey", "--quiet"]).arg(path));
    }
}

/// As long as it is read, nobody can mount it.
#[test]
fn nothing_is_mounted_while_it_is_read() {
    let bytes = {
        let drive = Drive::new(64, &["mkfs.ext4", "-q", "-F"]);
        fs::read(drive.image()).expect("the image")
    };
    let delay = Some(Duration::from_millis(100));
    let slow = witness::WitnessedDevice::behaving(&bytes, &witness::Behaviour { delay, ..Default::default() });
    let mut survey = gleaner("survey", &slow.file("case"));
    let mut running = survey.arg(slow.path()).stdout(Stdio::null()).spawn().expect("gleaner");
    let began = Instant::now();
    while !slow.file("case/journal").exists() {
        assert!(began.elapsed() < Duration::from_secs(30), "the survey does not begin");
        std::thread::sleep(Duration::from_millis(5));
    }
    let at = tempfile::tempdir().expect("a temporary folder");
    let mounting = Command::new("mount")
        .args(["-t", "ext4", "-o", "ro,noload"])
        .arg(slow.path())
        .arg(at.path())
        .output()
        .expect("mount");
    if mounting.status.success() {
        run(Command::new("umount").arg(at.path()));
    }
    assert!(running.try_wait().expect("its state").is_none(), "the survey was over before");
    assert!(!mounting.status.success(), "it was mounted while it was read");
    assert_eq!(running.wait().expect("its end").code(), Some(0));
    drop(Mounted::read_only(slow.path()));
}

/// The files of a case may be links, and what is taken out of a case may go to the drive as well.
#[test]
fn ways_round_the_case() {
    let drive = Drive::new(64, &["mkntfs", "--quick", "--quiet", "--force"]);
    let mounted = Mounted::with(Command::new("ntfs-3g").arg(drive.image()));
    let case = drive.at("case");
    fs::create_dir(&case).expect("a folder");
    let target = mounted.path().join("image.raw");
    File::create_new(&target).expect("a file");
    std::os::unix::fs::symlink(&target, case.join("image.raw")).expect("a link");
    let complaint = complains_with(8, gleaner("survey", &case).arg(drive.image()).arg("--mounted"));
    assert!(complaint.contains("lies on the drive that is to be read"), "{complaint}");
    fs::remove_file(case.join("image.raw")).expect("removed");
    fs::remove_file(&target).expect("removed");
    fs::write(mounted.path().join("letter.txt"), "text").expect("room");
    drop(mounted);

    ends_with(0, gleaner("survey", &case).arg(drive.image()));
    ends_with(0, &mut gleaner("plan", &case));
    ends_with(0, gleaner("copy", &case).arg(drive.image()));
    let mounted = Mounted::with(Command::new("ntfs-3g").arg(drive.image()));
    let mut take = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    take.args(["take", "/letter.txt", "--case"]).arg(&case).arg("--to").arg(mounted.path().join("taken"));
    let complaint = complains_with(8, &mut take);
    assert!(complaint.contains("lies on the drive"), "{complaint}");
    let mut report = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    report.args(["report", "--case"]).arg(&case).arg("--output").arg(mounted.path().join("report.html"));
    complains_with(8, &mut report);
    assert_eq!(fs::read_dir(mounted.path()).expect("the folder").count(), 1, "nothing was written");
    drop(mounted);
    let mut take = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    ends_with(0, take.args(["take", "/letter.txt", "--case"]).arg(&case).arg("--to").arg(drive.at("taken")));
}
