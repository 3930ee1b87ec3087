//! A disk with a few files that can lose power at any moment, run full, or fail.
//!
//! Everything done to it is recorded. [`Disk::crash`] builds what a disk may hold after a power cut behind any of the
//! recorded steps: what was synced is there; of everything else each stretch of 64 bytes may be lost, kept, kept while
//! earlier ones are lost, or (where the file had grown) be whatever stood on the disk before.

#![allow(dead_code, reason = "each test binary uses its part")]

use gleaner::store::durable_file::DurableFile;
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::sync::{Arc, Mutex};

/// Power cuts tear writes into these: the finest that anything here could notice.
const UNIT: u64 = 64;
type Unit = [u8; 64];

/// A small deterministic generator (xorshift64*).
#[derive(Clone)]
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    /// True so many times in 100.
    pub fn percent(&mut self, chance: u64) -> bool {
        self.below(100) < chance
    }

    pub fn fill(&mut self, bytes: &mut [u8]) {
        for byte in bytes {
            *byte = self.next().to_le_bytes()[3];
        }
    }
}

/// What a file holds; units that are missing are holes.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Content {
    length: u64,
    units: BTreeMap<u64, Unit>,
}

impl Content {
    pub fn of(bytes: &[u8]) -> Content {
        let mut content = Content::default();
        content.write(0, bytes);
        content
    }

    pub fn length(&self) -> u64 {
        self.length
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut bytes = vec![0; usize::try_from(self.length).unwrap()];
        self.read(0, &mut bytes).unwrap();
        bytes
    }

    /// The stretches of `bytes` at `at` that lie in one unit each: unit, first byte in it, range of `bytes`.
    fn stretches(at: u64, bytes: u64) -> impl Iterator<Item = (u64, usize, std::ops::Range<usize>)> {
        let mut done = 0;
        std::iter::from_fn(move || {
            let place = at + done;
            let part = (UNIT - place % UNIT).min(bytes - done);
            let range = usize::try_from(done).unwrap()..usize::try_from(done + part).unwrap();
            done += part;
            (part > 0).then_some((place / UNIT, usize::try_from(place % UNIT).unwrap(), range))
        })
    }

    fn read(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        if at + buffer.len() as u64 > self.length {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        buffer.fill(0);
        for (unit, inside, range) in Content::stretches(at, buffer.len() as u64) {
            if let Some(held) = self.units.get(&unit) {
                let length = range.len();
                buffer[range].copy_from_slice(&held[inside..inside + length]);
            }
        }
        Ok(())
    }

    pub fn write(&mut self, at: u64, bytes: &[u8]) {
        for (unit, inside, range) in Content::stretches(at, bytes.len() as u64) {
            let held = self.units.entry(unit).or_insert([0; 64]);
            held[inside..inside + range.len()].copy_from_slice(&bytes[range]);
        }
        self.length = self.length.max(at + bytes.len() as u64);
    }

    fn zero(&mut self, at: u64, bytes: u64) {
        let whole = at.div_ceil(UNIT)..((at + bytes) / UNIT).max(at.div_ceil(UNIT));
        let emptied: Vec<u64> = self.units.range(whole).map(|(&unit, _)| unit).collect();
        for unit in emptied {
            self.units.remove(&unit);
        }
        for place in [at, at + bytes - 1] {
            if let Some(held) = self.units.get_mut(&(place / UNIT)) {
                let from = at.max(place / UNIT * UNIT);
                let to = (at + bytes).min((place / UNIT + 1) * UNIT);
                held[usize::try_from(from % UNIT).unwrap()..][..usize::try_from(to - from).unwrap()].fill(0);
            }
        }
    }

    fn set_length(&mut self, length: u64) {
        if length < self.length {
            let cut = self.length - length;
            self.zero(length, cut);
        }
        self.length = length;
    }

    fn apply(&mut self, step: &Step) {
        match step {
            Step::Write { at, bytes } => self.write(*at, bytes),
            Step::Zeros { at, bytes } => self.zero(*at, *bytes),
            Step::SetLength(length) => self.set_length(*length),
            Step::Lost { end } => self.length = self.length.max(*end),
            Step::Sync => {}
        }
    }
}

#[derive(Clone)]
enum Step {
    /// A write that a failed sync lost.
    Lost {
        end: u64,
    },
    Write {
        at: u64,
        bytes: Vec<u8>,
    },
    Zeros {
        at: u64,
        bytes: u64,
    },
    SetLength(u64),
    Sync,
}

#[derive(Default)]
struct Inner {
    /// What was on the disk, durably, at the beginning.
    first: Vec<Content>,
    now: Vec<Content>,
    steps: Vec<(usize, Step)>,
    /// From this step, counted from 0, each fails, with half of it done.
    fails_from: Option<usize>,
    /// This step alone fails. When it is a sync, what was not durable is lost on the disk, and the kernel forgets it: later
    /// syncs succeed without it. `true` when it is lost to readers as well.
    fails_once: Option<(usize, bool)>,
    /// Steps that a failed sync has lost.
    lost: BTreeSet<usize>,
}

/// The disk.
#[derive(Clone, Default)]
pub struct Disk {
    inner: Arc<Mutex<Inner>>,
}

/// One of its files.
pub struct SimulatedFile {
    inner: Arc<Mutex<Inner>>,
    file: usize,
}

impl Disk {
    /// A disk with these files on it.
    pub fn holding(files: Vec<Content>) -> Disk {
        let inner = Inner { first: files.clone(), now: files, ..Inner::default() };
        Disk { inner: Arc::new(Mutex::new(inner)) }
    }

    /// Opens a file.
    pub fn file(&self, file: usize) -> Box<dyn DurableFile> {
        Box::new(SimulatedFile { inner: Arc::clone(&self.inner), file })
    }

    /// What a file holds as long as power is on.
    pub fn content(&self, file: usize) -> Content {
        self.inner.lock().unwrap().now[file].clone()
    }

    /// Number of writing steps taken so far.
    pub fn steps(&self) -> usize {
        self.inner.lock().unwrap().steps.len()
    }

    /// From a step on lets everything fail.
    pub fn fail_at(&self, step: usize) {
        self.inner.lock().unwrap().fails_from = Some(step);
    }

    /// Lets one step fail. A sync that fails loses what it should have made durable, as the kernel does; a reader sees the lost
    /// bytes all the same (ext4, xfs keep the pages) unless `loses` them too (btrfs drops them).
    pub fn fail_once_at(&self, step: usize, loses: bool) {
        self.inner.lock().unwrap().fails_once = Some((step, loses));
    }

    /// What the disk may hold when power fails behind the first `steps` steps; another `seed`, another way to fail.
    pub fn crash(&self, steps: usize, seed: u64) -> Vec<Content> {
        let inner = self.inner.lock().unwrap();
        let mut random = Random::new(seed ^ (steps as u64) << 20);
        (0..inner.first.len()).map(|file| crashed(&inner, file, steps, &mut random)).collect()
    }
}

fn crashed(inner: &Inner, file: usize, steps: usize, random: &mut Random) -> Content {
    let numbered = inner.steps[..steps].iter().enumerate().filter(|(_, (of, _))| *of == file);
    // Of a lost write only the length is left.
    let kept = |(index, (_, step)): (usize, &(usize, Step))| match step {
        Step::Write { at, bytes } if inner.lost.contains(&index) => Step::Lost { end: at + bytes.len() as u64 },
        step => step.clone(),
    };
    let done: Vec<Step> = numbered.map(kept).collect();
    let synced = done.iter().rposition(|step| matches!(step, Step::Sync)).map_or(0, |at| at + 1);
    let mut content = inner.first[file].clone();
    done[..synced].iter().for_each(|step| content.apply(step));
    let durable_length = content.length;

    // From "all lost" to "all kept". Lengths and holes are journalled by the file system: a first part of them is kept.
    let kept = [0, 30, 70, 95, 100][usize::try_from(random.below(5)).unwrap()];
    let stale = random.percent(30);
    let mut metadata = random.percent(80);
    for step in &done[synced..] {
        metadata &= random.percent(90);
        match step {
            Step::Write { at, bytes } => {
                for (unit, inside, range) in Content::stretches(*at, bytes.len() as u64) {
                    let place = unit * UNIT + inside as u64;
                    if random.percent(kept) {
                        content.write(place, &bytes[range]);
                    } else if stale && place >= durable_length {
                        let mut junk = vec![0; range.len()];
                        random.fill(&mut junk);
                        content.write(place, &junk);
                    } else if metadata {
                        content.length = content.length.max(place + range.len() as u64);
                    }
                }
            }
            step if metadata => content.apply(step),
            _ => {}
        }
    }
    content
}

impl Inner {
    /// What was written to a file since its last sync never reaches the disk.
    fn lose_what_is_not_durable(&mut self, file: usize, loses: bool) {
        let synced = self.steps.iter().rposition(|(of, step)| *of == file && matches!(step, Step::Sync));
        let from = synced.map_or(0, |at| at + 1);
        // Lengths and holes are the file system's own and outlive this.
        let writes = |(index, (of, step)): (usize, &(usize, Step))| {
            (index >= from && *of == file && matches!(step, Step::Write { .. })).then_some(index)
        };
        let lost: Vec<usize> = self.steps.iter().enumerate().filter_map(writes).collect();
        self.lost.extend(lost);
        if loses {
            let mut content = self.first[file].clone();
            for (index, (_, step)) in self.steps.iter().enumerate().filter(|(_, (of, _))| *of == file) {
                match step {
                    Step::Write { at, bytes } if self.lost.contains(&index) => {
                        content.length = content.length.max(at + bytes.len() as u64);
                    }
                    step => content.apply(step),
                }
            }
            self.now[file] = content;
        }
    }
}

impl SimulatedFile {
    fn take(&self, step: Step) -> io::Result<()> {
        let mut inner = self.inner.lock().unwrap();
        let number = inner.steps.len();
        let once = inner.fails_once.take_if(|(at, _)| *at == number);
        if once.is_some() || inner.fails_from.is_some_and(|from| number >= from) {
            if let (Step::Sync, Some((_, loses))) = (&step, once) {
                inner.lose_what_is_not_durable(self.file, loses);
            }
            if let Step::Write { at, bytes } = step {
                let half = Step::Write { at, bytes: bytes[..bytes.len() / 2].to_vec() };
                inner.now[self.file].apply(&half);
                inner.steps.push((self.file, half));
            }
            return Err(io::ErrorKind::StorageFull.into());
        }
        inner.now[self.file].apply(&step);
        inner.steps.push((self.file, step));
        Ok(())
    }
}

impl DurableFile for SimulatedFile {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.inner.lock().unwrap().now[self.file].length)
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.inner.lock().unwrap().now[self.file].read(at, buffer)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.take(Step::Write { at, bytes: bytes.to_vec() })
    }

    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        self.take(Step::Zeros { at, bytes })
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        self.take(Step::SetLength(bytes))
    }

    fn sync(&self) -> io::Result<()> {
        self.take(Step::Sync)
    }
}
