//! Handing a case over: images that other programs read, drives that are what the case holds, and drives that must not be written. Needs
//! root and loop devices.

use crate::cases;
use crate::common;
use crate::witness;
mod files;
mod onto;
mod refusals;
mod trouble;

use cases::{copy, gleaner, survey_and_plan};
use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use witness::run;

/// A drive and its case, in a new folder.
struct Bench {
    folder: tempfile::TempDir,
    drive: Vec<u8>,
}

impl Bench {
    /// All that is planned is copied.
    fn copied(fixture: &str) -> Bench {
        Bench::of(common::fixture(fixture))
    }

    fn of(drive: Vec<u8>) -> Bench {
        let bench = Bench::planned(drive);
        copy(0, &bench.at("drive.img"), &bench.case(), &[]);
        bench
    }

    /// Surveyed and planned.
    fn planned(drive: Vec<u8>) -> Bench {
        let folder = tempfile::tempdir().expect("a temporary folder");
        write_sparse(&folder.path().join("drive.img"), &drive);
        let bench = Bench { folder, drive };
        survey_and_plan(&bench.at("drive.img"), &bench.case(), &[]);
        bench
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn case(&self) -> PathBuf {
        self.at("case")
    }

    fn hand_over(&self) -> Command {
        let mut program = gleaner("hand-over", &self.case());
        program.current_dir(self.folder.path());
        program
    }

    /// A blank drive of so many bytes more than the case's.
    fn blank(&self, more: u64) -> Target {
        let target = Target::new(self.drive.len() as u64 + more, &[]);
        // What stood there before must not shine through.
        let old: Vec<u8> = (0..1 << 20).map(|at: u32| at.to_le_bytes()[0] | 1).collect();
        File::options().write(true).open(target.image()).and_then(|file| file.write_all_at(&old, 7 << 20)).unwrap();
        target
    }

    /// Onto a target, by the number that stands for a loop device's serial number.
    fn onto(&self, target: &Target) -> Command {
        self.onto_device(&target.device, &target.image())
    }

    fn onto_device(&self, device: &Path, serial: &Path) -> Command {
        let mut program = self.hand_over();
        program.arg("--onto").arg(device).arg("--serial").arg(serial);
        program
    }

    fn has_list(&self) -> bool {
        self.at("hand-over.sha256").exists()
    }

    /// What was handed over must be: the drive where the case holds it, zeros elsewhere.
    fn expected(&self) -> Vec<u8> {
        let held = cases::check_claims(&self.case(), &self.drive);
        let all = gleaner::base::extent::Extent::between(0, self.drive.len() as u64);
        let mut bytes = vec![0; self.drive.len()];
        for place in held.held(all) {
            let range = usize::try_from(place.start.0).unwrap()..usize::try_from(place.end()).unwrap();
            bytes[range.clone()].copy_from_slice(&self.drive[range]);
        }
        bytes
    }
}

/// An image on a loop device; detached when dropped.
struct Target {
    folder: tempfile::TempDir,
    device: PathBuf,
}

impl Target {
    fn new(bytes: u64, options: &[&str]) -> Target {
        Target::made(bytes, options, |_| {})
    }

    /// `make` fills the image before it becomes a device.
    fn made(bytes: u64, options: &[&str], make: impl FnOnce(&Path)) -> Target {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let image = folder.path().join("target.img");
        File::create_new(&image).and_then(|file| file.set_len(bytes)).expect("a sparse file");
        make(&image);
        let mut losetup = Command::new("losetup");
        let device = PathBuf::from(run(losetup.args(["--find", "--show"]).args(options).arg(&image)).trim());
        Target { folder, device }
    }

    fn image(&self) -> PathBuf {
        self.folder.path().join("target.img")
    }

    fn bytes(&self) -> Vec<u8> {
        fs::read(self.image()).expect("the image")
    }

    /// What libblkid recognises on it (blkid(8), low-level probing); nothing where it ends with 2.
    fn recognised(&self) -> String {
        recognised(&self.device)
    }
}

fn recognised(path: &Path) -> String {
    let Output { status, stdout, .. } = Command::new("blkid").args(["--probe"]).arg(path).output().expect("blkid");
    assert!(matches!(status.code(), Some(0 | 2)), "{status}");
    String::from_utf8_lossy(&stdout).into_owned()
}

impl Drop for Target {
    fn drop(&mut self) {
        let _ = Command::new("losetup").arg("--detach").arg(&self.device).status();
    }
}

/// Divides an image, by sfdisk(8).
fn divide(image: &Path, script: &str) {
    use std::io::Write;
    use std::process::Stdio;
    let mut sfdisk = Command::new("sfdisk");
    let child = sfdisk.args(["--quiet", "--no-reread", "--no-tell-kernel"]).arg(image).stdin(Stdio::piped()).spawn();
    let mut child = child.expect("sfdisk");
    child.stdin.take().unwrap().write_all(script.as_bytes()).expect("a reader");
    assert!(child.wait().expect("sfdisk").success());
}

fn write_sparse(path: &Path, bytes: &[u8]) {
    let file = File::create_new(path).expect("a new file");
    file.set_len(bytes.len() as u64).expect("room");
    for (number, block) in bytes.chunks(64 << 10).enumerate().filter(|(_, block)| block.iter().any(|byte| *byte != 0)) {
        file.write_all_at(block, (number as u64) << 16).expect("room");
    }
}
