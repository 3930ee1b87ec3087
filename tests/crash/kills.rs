//! kill -9 at random moments, 200 times, and on until done.

use crate::cases::{Claims, audit, check_image, copy, crashes, ends_with, gleaner, image_bytes, planned, set};
use crate::common::fixture;
use crate::witness::WitnessedDevice;
use gleaner::base::extent::{Extent, ExtentSet};
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// SplitMix64 (Steele, Lea, Flood, OOPSLA 2014, from memory): random moments that can be had again.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }
}

/// A job that is killed again and again.
struct Victim<'v> {
    /// The drive's bytes, and where it can be opened.
    bytes: &'v [u8],
    drive: &'v Path,
    /// What is given to `plan` and to `copy`.
    plan: &'v [&'v str],
    copy: &'v [&'v str],
    /// How the survey ends.
    survey_ending: i32,
    /// How an uninterrupted copy and its audit end.
    ending: i32,
    /// What cannot be read.
    unreadable: ExtentSet,
}

/// A case folder copied, holes as holes: cheaper than surveying anew.
fn duplicate(case: &Path, to: &Path) {
    let copied = Command::new("cp").args(["-r", "--sparse=always"]).arg(case).arg(to).status().expect("cp");
    assert!(copied.success());
}

impl Victim<'_> {
    /// Kills `kills` copies, each at a random moment of about the time that an uninterrupted one takes. Whenever one is allowed
    /// to end, the case must be as if it had never been interrupted, and the next begins.
    fn kill(&self, kills: u32, seed: u64) {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let fresh = folder.path().join("fresh");
        ends_with(self.survey_ending, gleaner("survey", &fresh).arg(self.drive));
        ends_with(self.survey_ending, gleaner("plan", &fresh).args(self.plan));
        let whole = folder.path().join("whole");
        duplicate(&fresh, &whole);
        let began = Instant::now();
        copy(self.ending, self.drive, &whole, self.copy);
        let mut time = began.elapsed();
        let expected = Expected::of(self, &whole);

        let mut random = Random(seed);
        let (mut killed, mut finished, mut progressed) = (0, 0, 0);
        while killed < kills {
            let case = folder.path().join(format!("case-{finished}"));
            duplicate(&fresh, &case);
            let mut claims = Claims::default();
            let mut held = claims.check(&case, self.bytes).copied_bytes();
            let before = killed;
            while killed < kills {
                let moment = Duration::from_micros(random.below(u64::try_from(time.as_micros()).unwrap()));
                if !self.killed_after(moment, &case) {
                    break;
                }
                killed += 1;
                let now = claims.check(&case, self.bytes).copied_bytes();
                progressed += u32::from(now > held);
                held = now;
            }
            // The machine may be busier now, or less busy, than when it was measured.
            match killed - before {
                0..4 => time = time * 4 / 5,
                13.. => time = time * 5 / 4,
                _ => {}
            }
            // At the latest after the last kill it is let to its end.
            copy(self.ending, self.drive, &case, self.copy);
            claims.check(&case, self.bytes);
            expected.holds_for(self, &case);
            fs::remove_dir_all(&case).expect("removed");
            finished += 1;
        }
        println!(
            "{killed} kills within about {time:?}; after {progressed} of them more was safe; {finished} copies ended"
        );
        assert!(progressed >= kills / 20, "too few kills came between two commits: {progressed} of {killed}");
    }

    /// Whether a copy that is killed at `moment` was still running then.
    fn killed_after(&self, moment: Duration, case: &Path) -> bool {
        let mut program = gleaner("copy", case);
        program.arg(self.drive).args(self.copy).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut copy = program.spawn().expect("gleaner");
        std::thread::sleep(moment);
        copy.kill().expect("SIGKILL");
        let ended = copy.wait_with_output().expect("its end");
        match ended.status.code() {
            None => {
                assert_eq!(ended.status.signal(), Some(9));
                true
            }
            code => {
                let complaint = String::from_utf8_lossy(&ended.stderr);
                assert_eq!(code, Some(self.ending), "not killed at {moment:?}, but: {complaint}");
                false
            }
        }
    }
}

/// What an uninterrupted copy leaves.
struct Expected {
    image: Vec<u8>,
    audit: String,
    planned: ExtentSet,
}

impl Expected {
    fn of(victim: &Victim<'_>, case: &Path) -> Expected {
        let planned = planned(case);
        let readable = set(planned.extents().iter().flat_map(|extent| victim.unreadable.missing_from(*extent)));
        check_image(case, victim.bytes, &readable);
        Expected { image: image_bytes(case, victim.bytes.len()), audit: audit(victim.ending, case), planned }
    }

    fn holds_for(&self, victim: &Victim<'_>, case: &Path) {
        assert!(image_bytes(case, victim.bytes.len()) == self.image, "the image differs from an uninterrupted run's");
        assert!(audit(victim.ending, case) == self.audit, "the audit differs from an uninterrupted run's");
        let ranges = Claims::default().check(case, victim.bytes);
        let unreadable: ExtentSet = set(ranges.iter_unreadable());
        let expected = set(self.planned.extents().iter().flat_map(|e| victim.unreadable.intersection(*e)));
        assert_eq!(unreadable, expected, "given up (left), unreadable (right)");
        let copied: ExtentSet = set(ranges.iter_copied());
        let readable = set(self.planned.extents().iter().flat_map(|e| victim.unreadable.missing_from(*e)));
        assert_eq!(copied, readable, "claimed (left), planned and readable (right)");
        assert_eq!(ranges.skipped_bytes(), 0);
    }
}

fn stored(folder: &tempfile::TempDir, bytes: &[u8]) -> PathBuf {
    let path = folder.path().join("drive.img");
    fs::write(&path, bytes).expect("room");
    path
}

/// Many passes, so that much is made durable in little time; requests of 4 KiB, so that much happens in between.
const MANY_PASSES: [&str; 14] = [
    "--bridge",
    "0",
    "--want",
    "/Photos/Stripes/**",
    "--want",
    "/Photos/**",
    "--want",
    "/Surveys/Compressed/**",
    "--want",
    "/Surveys/Sparse/**",
    "--want",
    "/Surveys/**",
    "--want",
    "/Users/**",
];

#[test]
fn killed_90_times_while_copying_to_a_raw_image() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("ntfs-rich");
    let drive = stored(&folder, &bytes);
    let victim = Victim {
        bytes: &bytes,
        drive: &drive,
        plan: &MANY_PASSES,
        copy: &["--request", "4"],
        survey_ending: 0,
        ending: 0,
        unreadable: ExtentSet::new(),
    };
    victim.kill(90 * crashes(), 0x5EED_0001);
}

#[test]
fn killed_60_times_while_copying_to_a_vhdx() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("ntfs-rich");
    let drive = stored(&folder, &bytes);
    let victim = Victim {
        bytes: &bytes,
        drive: &drive,
        plan: &MANY_PASSES,
        copy: &["--request", "4", "--as", "vhdx"],
        survey_ending: 0,
        ending: 0,
        unreadable: ExtentSet::new(),
    };
    victim.kill(60 * crashes(), 0x5EED_0002);
}

/// One pass of 288 MiB: what is safe in between comes from the commits after 64 MiB each (docs/durability.md).
#[test]
fn killed_25_times_within_one_long_pass() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut random = Random(0x5EED_0003);
    let bytes: Vec<u8> = (0..288 << 17).flat_map(|_| random.next().to_le_bytes()).collect();
    let drive = stored(&folder, &bytes);
    let victim = Victim {
        bytes: &bytes,
        drive: &drive,
        plan: &["--scope", "whole"],
        copy: &[],
        // Nothing is recognised on it.
        survey_ending: 7,
        ending: 0,
        unreadable: ExtentSet::new(),
    };
    victim.kill(25 * crashes(), 0x5EED_0004);
}

/// Also while it is on its way into bad places and out of them.
#[test]
fn killed_25_times_on_a_drive_with_bad_sectors() {
    let bytes = fixture("fat32-clusters-512");
    let answers = crate::common::answers("fat32-clusters-512");
    let files = answers["files"].as_array().expect("files");
    let live = files.iter().filter(|file| file["kind"] == "file" && file["deleted"] == false);
    let places = live.filter_map(|file| file["extents"].get(0)).map(|run| run[0].as_u64().unwrap());
    let bad: Vec<Extent> = places.step_by(60).map(|start| Extent::new(start, 512).unwrap()).collect();
    assert!(bad.len() > 15);
    let drive = WitnessedDevice::with_unreadable(&bytes, &bad);
    let victim = Victim {
        bytes: &bytes,
        drive: drive.path(),
        plan: &[],
        copy: &["--request", "64"],
        survey_ending: 0,
        ending: 10,
        unreadable: set(bad.iter().copied()),
    };
    victim.kill(25 * crashes(), 0x5EED_0005);
}

/// A survey is killed as well, from the moment that it makes the case.
#[test]
fn killed_30_times_while_surveying() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bytes = fixture("ntfs-rich");
    let drive = stored(&folder, &bytes);
    let whole = folder.path().join("whole");
    let began = Instant::now();
    let expected = ends_with(0, gleaner("survey", &whole).arg(&drive).args(["--json", "--rate", "100"]));
    let time = u64::try_from(began.elapsed().as_micros()).unwrap();
    let drop_cost = |text: &str| {
        let mut value: serde_json::Value = serde_json::from_str(text).expect("JSON");
        // What was requested in this run differs by nature.
        value.as_object_mut().expect("an object").remove("reading");
        // The next command names the case's folder.
        value["advice"].as_object_mut().expect("advice").remove("next");
        value
    };
    let mut random = Random(0x5EED_0006);
    let wanted = 30 * crashes();
    let mut killed = 0;
    for number in 0.. {
        let case = folder.path().join(format!("case-{number}"));
        while killed < wanted {
            let mut program = gleaner("survey", &case);
            let mut survey = program.arg(&drive).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("gleaner");
            std::thread::sleep(Duration::from_micros(random.below(time)));
            survey.kill().expect("SIGKILL");
            if survey.wait().expect("its end").signal() != Some(9) {
                break;
            }
            killed += 1;
            // The image is made last; before that nothing can be claimed.
            if case.join("image.raw").exists() {
                Claims::default().check(&case, &bytes);
            }
        }
        let survey = ends_with(0, gleaner("survey", &case).arg(&drive).args(["--json", "--rate", "100"]));
        assert_eq!(drop_cost(&survey), drop_cost(&expected), "the survey differs from an uninterrupted one");
        let ranges = Claims::default().check(&case, &bytes);
        assert!(ranges == Claims::default().check(&whole, &bytes), "held differs from an uninterrupted survey's");
        if killed >= wanted {
            return;
        }
    }
}
