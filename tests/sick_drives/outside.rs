//! The drive of docs/sick-drives.md, "From outside": a volume that Linux's driver filled, as a block device of which one head is dead,
//! read by the program, with the requests counted at the device. And the same bytes in the simulation.
//! `scripts/sick-drives --from-outside` runs it.

use crate::layouts::{to_f64, whole};
use crate::mounted::Mounted;
use crate::named::Numbers;
use crate::score::{self, Belongings};
use crate::witness::{WitnessedDevice, run};
use crate::{named, survey};
use gleaner::base::clock::Moment;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::drive::sick::{Ailment, Content, Outcome, Request, SickDrive};
use std::fs::{self, File};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

const BYTES: u64 = 4_300_000_256;
const FILES: u32 = 4016;
const FOLDER: u32 = 40;
/// Of what is healthy 95 % are safe after so many failed reads.
const PROMISED: u64 = 150;
/// One folder in so many is wanted.
const WANTED_ONE_IN: u32 = 10;
const SECTOR: usize = 512;
/// Each sector of a client's file begins with it, then comes the file's number.
const MAGIC: &[u8; 8] = b"\x91sheet\r\n";

/// A drive that nbdkit-python-plugin(3) serves: a request that touches a dead band fails after a while.
const PLUGIN: &str = r#"
import bisect, errno, os, time, nbdkit
API_VERSION = 2
settings = {}
def config(key, value):
    settings[key] = value
def config_complete():
    global starts, ends
    bands = [[int(word) for word in line.split()] for line in open_file(settings["dead"])]
    starts, ends = [band[0] for band in bands], [band[1] for band in bands]
open_file = open
def open(readonly):
    return os.open(settings["image"], os.O_RDONLY)
def get_size(handle):
    return os.fstat(handle).st_size
def pread(handle, buffer, offset, flags):
    last = bisect.bisect_left(starts, offset + len(buffer)) - 1
    if last >= 0 and ends[last] > offset:
        time.sleep(float(settings["seconds"]))
        nbdkit.set_error(errno.EIO)
        raise RuntimeError("under the dead head")
    os.preadv(handle, [buffer], offset)
"#;

/// Around a mean, as often far below as a little above it.
fn bytes_around(mean: f64, numbers: &mut Numbers) -> usize {
    usize::try_from(whole(-mean * (1.0 - numbers.share()).ln())).unwrap().max(1024)
}

/// The volume: `mkntfs` lays it out and Linux's FUSE driver writes 4,016 files on it, with holes between them. It is made once; later
/// runs find it.
fn image() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let (done, path) = (folder.join("outside.img"), folder.join(format!("outside-{}.img", std::process::id())));
    if done.exists() {
        return done;
    }
    File::create_new(&path).unwrap().set_len(BYTES).unwrap();
    run(Command::new("mkntfs").args(["--force", "--quick", "--quiet"]).arg(&path));
    let volume = Mounted::with(Command::new("ntfs-3g").arg(&path));
    let mut numbers = Numbers(7);
    let mean = to_f64(BYTES) * 0.5 / f64::from(FILES);
    let mut holes = Vec::new();
    for number in 0..FILES {
        let folder = number / FOLDER;
        let above = if folder.is_multiple_of(WANTED_ONE_IN) { "Documents" } else { "Archive" };
        let folder = volume.path().join(above).join(format!("Station {folder:03}"));
        fs::create_dir_all(&folder).unwrap();
        let mut bytes = vec![0; bytes_around(mean, &mut numbers)];
        for sector in bytes.chunks_mut(SECTOR).filter(|sector| sector.len() >= 12) {
            sector[..8].copy_from_slice(MAGIC);
            sector[8..12].copy_from_slice(&number.to_le_bytes());
        }
        File::create_new(folder.join(format!("Sheet {number:06}.dat"))).unwrap().write_all(&bytes).unwrap();
        let hole = folder.join(format!("Left {number:06}.tmp"));
        File::create_new(&hole).unwrap().write_all(&vec![0; bytes_around(mean * 0.6, &mut numbers)]).unwrap();
        holes.push(hole);
    }
    holes.iter().for_each(|hole| fs::remove_file(hole).unwrap());
    drop(volume);
    // A link replaces nothing, if another run was quicker.
    match fs::hard_link(&path, &done) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => panic!("{}: {error}", done.display()),
        _ => fs::remove_file(path).unwrap(),
    }
    done
}

/// What the client has, found by the marks in the sectors alone, without the bands of a dead head: all else is lost.
fn readable(image: &Path, dead: &ExtentSet) -> Belongings {
    let mut file = File::open(image).unwrap();
    let mut chunk = vec![0; 1 << 20];
    let mut pieces: Vec<(Extent, u32)> = Vec::new();
    let mut at = 0;
    loop {
        let count = file.read(&mut chunk).unwrap();
        if count == 0 {
            break;
        }
        for sector in chunk[..count].chunks(SECTOR) {
            let extent = Extent::between(at, at + sector.len() as u64);
            at = extent.end();
            if !sector.starts_with(MAGIC) || !dead.intersection(extent).is_empty() {
                continue;
            }
            let number = u32::from_le_bytes(sector[8..12].try_into().unwrap());
            match pieces.last_mut() {
                Some((last, file)) if *file == number && last.end() == extent.start.0 => {
                    *last = Extent::between(last.start.0, extent.end());
                }
                _ => pieces.push((extent, number)),
            }
        }
    }
    let bytes: ExtentSet = pieces.iter().map(|(extent, _)| *extent).collect();
    Belongings { bytes: bytes.extents().to_vec(), pieces, files: FILES }
}

/// Failed reads until a part in a hundred of all that can be read is safe.
fn failures(log: &[Request], own: &Belongings, part: u64) -> Option<u64> {
    let all: u64 = own.bytes.iter().map(|extent| extent.bytes).sum();
    score::when_safe(log, own, all * part / 100).map(|(_, failed)| failed)
}

/// Says how it went, and holds it against what is promised: 95 % within 150 failed reads, survey included.
fn judge(name: &str, log: &[Request], own: &Belongings) {
    let part = |part: u64| {
        let failed = failures(log, own, part);
        format!("{part} %: {}", failed.map_or("never".to_owned(), |failed| failed.to_string()))
    };
    println!("{name}: {}", [1, 25, 50, 75, 90, 95].map(part).join(", "));
    keep_log(name, log);
    assert!(
        failures(log, own, 95).is_some_and(|failed| failed <= PROMISED),
        "{name}: more than {PROMISED} failed reads"
    );
}

fn setting(name: &str, usual: &str) -> String {
    std::env::var(name).unwrap_or_else(|_| usual.to_owned())
}

/// The head of four that is dead.
fn dead_head() -> usize {
    setting("GLEANER_HEAD", "2").parse().expect("a head's number")
}

/// The dead head's bands.
fn dead_bands() -> ExtentSet {
    let drive = SickDrive::new(named::shrinking_bands(BYTES, dead_head()));
    let bands = drive.geometry().bands(Extent::between(0, BYTES));
    bands.filter(|band| band.head == dead_head()).map(|band| band.extent).collect()
}

/// The image as a device with the dead bands, on which a failed read takes so many seconds. `folder` takes what the server needs.
fn serve(image: &Path, dead: &ExtentSet, seconds: f64, folder: &Path) -> WitnessedDevice {
    let (plugin, bands) = (folder.join("plugin.py"), folder.join("dead"));
    fs::write(&plugin, PLUGIN).unwrap();
    let lines: String = dead.extents().iter().map(|band| format!("{} {}\n", band.start.0, band.end())).collect();
    fs::write(&bands, lines).unwrap();
    let words = [
        "python".to_owned(),
        plugin.display().to_string(),
        format!("image={}", image.display()),
        format!("dead={}", bands.display()),
        format!("seconds={seconds}"),
    ];
    WitnessedDevice::of_plugin(BYTES, &words)
}

#[test]
#[ignore = "a measurement through nbdkit, FUSE and a loop device: scripts/sick-drives --from-outside"]
fn the_program_reads_what_is_healthy() {
    let image = image();
    let dead = dead_bands();
    let own = readable(&image, &dead);
    let speed: f64 = setting("GLEANER_SPEED", "8").parse().expect("how many times faster the clock goes");
    let folder = tempfile::tempdir().unwrap();
    let device = serve(&image, &dead, 7.0 / speed, folder.path());
    let (path, case) = (device.path().to_str().unwrap(), folder.path().join("case"));
    let steps: [&[&str]; 3] = [
        &["survey", path],
        &["plan", "--want", "/Documents"],
        // Somewhat more than is promised, so that the whole curve is seen.
        &["copy", path, "--stop-after-errors", "190", "--quiet"],
    ];
    for words in steps {
        let mut program = Command::new("faketime");
        program.args(["-f", &format!("+0 x{speed}"), env!("CARGO_BIN_EXE_gleaner")]);
        let ended = program.args(words).arg("--case").arg(&case).output().unwrap();
        println!("{}\n{words:?}: {}", String::from_utf8_lossy(&ended.stdout), ended.status);
    }
    judge("from outside", &requests(&device), &own);
}

/// What was asked of the device, in the form of a simulated drive's log; each request is a moment of its own.
fn requests(device: &WitnessedDevice) -> Vec<Request> {
    let request = |(number, (extent, arrived)): (u64, (Extent, bool))| Request {
        extent,
        began: Moment(Duration::from_nanos(number)),
        took: Duration::from_nanos(1),
        outcome: if arrived { Outcome::Delivered } else { Outcome::Failed },
    };
    (0..).zip(device.answers()).map(request).collect()
}

#[test]
#[ignore = "a measurement, beside that from outside: scripts/sick-drives --from-outside"]
fn the_same_bytes_in_the_simulation() {
    let image = image();
    let own = readable(&image, &dead_bands());
    for uneven in [0, 1, 3, 10] {
        for request_kib in [512, 1024] {
            let mut spec = named::shrinking_bands(BYTES, dead_head());
            spec.ailments.push(Ailment::Uneven { mean: Duration::from_millis(uneven) });
            spec.content = Content::Of(gleaner::source::open(&image, None).unwrap().into());
            let log = survey::product(&spec, Duration::from_secs(2 * 3600), request_kib << 10);
            judge(&format!("simulated, {request_kib} KiB a request, {uneven} ms more on average"), &log, &own);
        }
    }
}

/// Writes a log into a folder, a request a line, where that is wanted.
fn keep_log(name: &str, log: &[Request]) {
    let Some(folder) = std::env::var_os("GLEANER_LOGS") else { return };
    let mut out = File::create_new(Path::new(&folder).join(format!("{name}.log"))).unwrap();
    for request in log {
        let Request { extent, outcome, .. } = request;
        writeln!(out, "{} {} {outcome:?}", extent.start.0, extent.bytes).unwrap();
    }
}
