//! A block device whose every read is written down by a program that is not ours.
//!
//! nbdkit serves an image and its log filter records each request with its position and length; nbdfuse shows the
//! served bytes as a file; a loop device with direct I/O makes a block device of that file. Neither part reads ahead:
//! the control test in `witness.rs` shows it.

#![allow(dead_code, reason = "each test program uses its own part of this")]

use gleaner::base::extent::{Extent, ExtentSet};
use std::collections::HashMap;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output};
use std::time::{Duration, Instant};

/// How long setting up or taking down a part may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);

/// How the served drive answers.
#[derive(Default)]
pub struct Behaviour {
    /// A request that touches one of these fails whole, as a drive's does.
    pub unreadable: Vec<Extent>,
    /// A request that touches one of these takes this many seconds.
    pub sluggish: Vec<(Extent, f64)>,
    /// Every read takes this much longer (nbdkit-delay-filter(1)).
    pub delay: Option<Duration>,
    /// Reads give no more than so many bytes a second, averaged over a tenth of a second (nbdkit-rate-filter(1)).
    /// Its allowance grows while a delay is waited out, so of the two only the longer is felt.
    pub rate: Option<u64>,
    /// Whether it can be written, and how it takes that; read-only where `None`.
    pub writes: Option<Writes>,
}

/// How the served drive takes writes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Writes {
    /// It keeps them, until [`WitnessedDevice::refuse_writes`].
    Kept,
    /// It keeps them, each after so long (nbdkit-delay-filter(1)).
    After(Duration),
    /// It says that it does, and keeps none.
    Forgotten,
}

/// The device; taken down when dropped.
pub struct WitnessedDevice {
    folder: tempfile::TempDir,
    server: Child,
    device: Option<PathBuf>,
    is_read_only: bool,
}

impl WitnessedDevice {
    /// Serves `image`, all of it readable.
    pub fn new(image: &[u8]) -> WitnessedDevice {
        WitnessedDevice::behaving(image, &Behaviour::default())
    }

    /// Serves `image`; a request that touches one of `bad` fails whole.
    pub fn with_unreadable(image: &[u8], bad: &[Extent]) -> WitnessedDevice {
        WitnessedDevice::behaving(image, &Behaviour { unreadable: bad.to_vec(), ..Behaviour::default() })
    }

    /// Serves `image` with the troubles of `behaviour`.
    pub fn behaving(image: &[u8], behaviour: &Behaviour) -> WitnessedDevice {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let stored = folder.path().join("stored.img");
        write_sparse(&stored, image);
        let mut words: Vec<String> = Vec::new();
        let write_delay = if let Some(Writes::After(delay)) = behaviour.writes { Some(delay) } else { None };
        if behaviour.delay.or(write_delay).is_some() {
            words.push("--filter=delay".to_owned());
        }
        if behaviour.rate.is_some() {
            words.push("--filter=rate".to_owned());
        }
        // While this file is there every read fails (nbdkit-error-filter(1)).
        words.push("--filter=error".to_owned());
        words.extend(behaviour.plugin(&stored));
        words.extend(["error-pread=EIO".to_owned(), "error-pread-rate=100%".to_owned()]);
        words.push(format!("error-pread-file={}", folder.path().join("broken").display()));
        for kind in ["pwrite", "zero"].iter().filter(|_| behaviour.writes.is_some()) {
            words.extend([format!("error-{kind}=EIO"), format!("error-{kind}-rate=100%")]);
            words.push(format!("error-{kind}-file={}", folder.path().join("unwritable").display()));
        }
        if let Some(delay) = write_delay {
            // Of zeros too.
            words.push(format!("wdelay={}ms", delay.as_millis()));
        }
        if let Some(delay) = behaviour.delay {
            words.push(format!("rdelay={}ms", delay.as_millis()));
        }
        if let Some(rate) = behaviour.rate {
            // The filter counts bits.
            words.extend([format!("rate={}", rate * 8), "burstiness=0.1".to_owned()]);
        }
        WitnessedDevice::serve(folder, image.len() as u64, behaviour.writes.is_none(), &words)
    }

    /// Serves what a plugin of nbdkit gives: so many bytes, read-only.
    pub fn of_plugin(bytes: u64, plugin: &[String]) -> WitnessedDevice {
        WitnessedDevice::serve(tempfile::tempdir().expect("a temporary folder"), bytes, true, plugin)
    }

    fn serve(folder: tempfile::TempDir, bytes: u64, is_read_only: bool, words: &[String]) -> WitnessedDevice {
        require_root();
        let shown = folder.path().join("shown.img");
        fs::write(&shown, b"").expect("a file to mount over");
        let mut server = Command::new("nbdfuse");
        let read_only = is_read_only.then_some("--readonly");
        server.args(read_only).arg(&shown).args(["--command", "nbdkit"]).args(read_only);
        server.args(["--single", "--exit-with-parent", "--filter=log"]).args(words);
        server.arg(format!("logfile={}", folder.path().join("requests.log").display()));
        // Every failed read is a complaint there; they are shown when the server ends unasked.
        server.stderr(fs::File::create(folder.path().join("complaints")).expect("a file"));
        let server = server.spawn().unwrap_or_else(|e| panic!("nbdfuse: {e}; scripts/setup installs it"));
        // From here on dropping takes down what there is.
        let mut drive = WitnessedDevice { folder, server, device: None, is_read_only };
        drive.wait_for("nbdfuse to show the image", |_| fs::metadata(&shown).is_ok_and(|shown| shown.len() == bytes));
        drive.attach();
        drive
    }

    fn attach(&mut self) {
        let shown = self.file("shown.img");
        let read_only = self.is_read_only.then_some("--read-only");
        let set_up =
            run(Command::new("losetup").args(["--find", "--show", "--direct-io=on"]).args(read_only).arg(&shown));
        self.device = Some(PathBuf::from(set_up.trim()));
        let direct = run(Command::new("losetup").args(["--noheadings", "--output", "DIO"]).arg(self.path()));
        assert_eq!(direct.trim(), "1", "the loop device refuses direct I/O: it would read more than a request names");
        // Where udev runs it looks at new devices; let it finish before anything is counted.
        let _ = Command::new("udevadm").args(["settle", "--timeout=10"]).output();
    }

    /// Detaches the device and attaches it again, as if its cable had been pulled.
    pub fn reattach(&mut self) {
        if let Some(device) = self.device.take() {
            run(Command::new("losetup").arg("--detach").arg(device));
        }
        self.attach();
    }

    /// From now on nothing is answered, though the device stays.
    pub fn break_down(&self) {
        fs::write(self.file("broken"), b"").expect("room");
    }

    /// From now on nothing is written.
    pub fn refuse_writes(&self) {
        fs::write(self.file("unwritable"), b"").expect("room");
    }

    /// How many requests to write, or to write zeros, have arrived.
    pub fn writes(&self) -> usize {
        let text = fs::read_to_string(self.folder.path().join("requests.log")).expect("the server's log");
        text.lines().filter(|line| line.contains(" Write id=") || line.contains(" Zero id=")).count()
    }

    /// It answers again.
    pub fn answer_again(&self) {
        fs::remove_file(self.file("broken")).expect("it was broken down");
    }

    /// The block device.
    pub fn path(&self) -> &Path {
        self.device.as_deref().expect("set before anybody asks")
    }

    /// A path for a file that lives as long as the device.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What `work` causes to be read, request by request, in the server's order.
    pub fn requests_during<T>(&self, work: impl FnOnce() -> T) -> (Vec<Extent>, T) {
        let before = self.log().len();
        let result = work();
        (self.log().split_off(before), result)
    }

    /// Every read request so far.
    fn log(&self) -> Vec<Extent> {
        self.answers().into_iter().map(|(extent, _)| extent).collect()
    }

    /// Every read request so far, in the order in which they were made, and whether it was answered with its bytes.
    /// nbdkit-log-filter(1): `... Read id=7 offset=0x200000 count=0xd1000 ...`; the answer's line starts with dots instead
    /// (`...Read id=7 return=0`).
    pub fn answers(&self) -> Vec<(Extent, bool)> {
        let text = fs::read_to_string(self.folder.path().join("requests.log")).expect("the server's log");
        let word = |line: &str, key: &str| {
            let rest = line.split(key).nth(1).unwrap_or_else(|| panic!("no {key} in {line:?}"));
            rest.split(' ').next().unwrap_or_default().to_owned()
        };
        let number = |line: &str, key: &str| u64::from_str_radix(&word(line, key), 16).expect("a number");
        let mut answers = Vec::new();
        let mut place_of = HashMap::new();
        for line in text.lines() {
            if line.contains(" Read id=") {
                place_of.insert(word(line, "Read id="), answers.len());
                let extent = Extent::new(number(line, "offset=0x"), number(line, "count=0x")).expect("an extent");
                answers.push((extent, false));
            } else if line.contains("...Read id=") {
                let place: usize = place_of[&word(line, "Read id=")];
                answers[place].1 = word(line, "return=") == "0";
            }
        }
        answers
    }

    fn wait_for(&mut self, what: &str, done: impl Fn(&mut Child) -> bool) {
        let began = Instant::now();
        while !done(&mut self.server) {
            if let Ok(Some(status)) = self.server.try_wait() {
                let complaints = fs::read_to_string(self.folder.path().join("complaints")).unwrap_or_default();
                panic!("nbdfuse ended ({status}) while the test waited for {what}: {complaints}");
            }
            assert!(began.elapsed() < PATIENCE, "waited {PATIENCE:?} in vain for {what}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Behaviour {
    /// The plugin's command line. nbdkit-eval-plugin(3): the count is the third argument, the offset the fourth; the
    /// first word of what a failing script prints is the error.
    fn plugin(&self, stored: &Path) -> Vec<String> {
        let path = stored.display();
        let forgets = self.writes == Some(Writes::Forgotten);
        if self.unreadable.is_empty() && self.sluggish.is_empty() && !forgets {
            return vec!["file".to_owned(), format!("file={path}")];
        }
        let touches = |place: &Extent| format!("[ $4 -lt {} ] && [ $(($4 + $3)) -gt {} ]", place.end(), place.start.0);
        let slow = self.sluggish.iter().map(|(place, time)| format!("if {}; then sleep {time}; fi; ", touches(place)));
        let bad = self
            .unreadable
            .iter()
            .map(|place| format!("if {}; then echo EIO no such luck >&2; exit 1; fi; ", touches(place)));
        let troubles: String = slow.chain(bad).collect();
        let read = format!("dd if={path} iflag=skip_bytes,count_bytes skip=$4 count=$3 bs=1M status=none");
        let write = match forgets {
            true => "pwrite=cat >/dev/null".to_owned(),
            false => format!("pwrite=dd of={path} oflag=seek_bytes seek=$4 conv=notrunc bs=1M status=none"),
        };
        let write = self.writes.map(|_| write);
        let read = [format!("get_size=stat -c %s {path}"), format!("pread={troubles}{read}")];
        std::iter::once("eval".to_owned()).chain(read).chain(write).collect()
    }
}

impl Drop for WitnessedDevice {
    fn drop(&mut self) {
        if let Some(device) = &self.device {
            let _ = Command::new("losetup").arg("--detach").arg(device).status();
        }
        // The kernel lets go of the file a moment after the device is detached.
        let shown = self.folder.path().join("shown.img");
        let began = Instant::now();
        while self.server.try_wait().is_ok_and(|ended| ended.is_none()) {
            let _ = Command::new("fusermount3").arg("-u").arg("-q").arg(&shown).output();
            if began.elapsed() > PATIENCE {
                let _ = self.server.kill();
                let _ = Command::new("fusermount3").arg("-u").arg("-z").arg(&shown).output();
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let _ = self.server.wait();
    }
}

/// What the requests asked for, as a set; and how many bytes were requested more than once.
pub fn merged(requests: &[Extent]) -> (ExtentSet, u64) {
    let set: ExtentSet = requests.iter().copied().collect();
    let asked: u64 = requests.iter().map(|e| e.bytes).sum();
    let repeated = asked - set.bytes();
    (set, repeated)
}

/// Runs a program that must succeed; what it printed.
pub fn run(command: &mut Command) -> String {
    let Output { status, stdout, stderr } = command.output().unwrap_or_else(|e| panic!("{command:?}: {e}"));
    assert!(status.success(), "{command:?} ended with {status}: {}", String::from_utf8_lossy(&stderr));
    String::from_utf8(stdout).expect("UTF-8")
}

/// These tests are not skipped where they cannot run: a witness that was not there has seen nothing.
fn require_root() {
    let owner = fs::metadata("/proc/self").expect("/proc").uid();
    assert_eq!(
        owner, 0,
        "this test mounts through FUSE and sets up a loop device: run it as root, with /dev/fuse and /dev/loop-control"
    );
}

/// Zeros are left as holes: one fixture has 272 MiB of them.
fn write_sparse(path: &Path, bytes: &[u8]) {
    use std::os::unix::fs::FileExt;
    let file = fs::File::create_new(path).expect("a new file");
    file.set_len(bytes.len() as u64).expect("room");
    for (index, chunk) in bytes.chunks(64 << 10).enumerate() {
        if chunk.iter().any(|byte| *byte != 0) {
            file.write_all_at(chunk, (index as u64) << 16).expect("room");
        }
    }
}
