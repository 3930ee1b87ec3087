//! A drive whose bytes follow from their place, and that misbehaves as told. It has a clock of its own, so that nothing
//! here waits.

use gleaner::base::clock::Clock;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::copy::reading::RequestLog;
use gleaner::source::kernel::LoggedRequest;
use gleaner::source::{ReadError, Source, SourceIdentity, SourceKind};
use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A request that was made.
#[derive(Clone, Copy, Debug)]
pub struct Request {
    pub extent: Extent,
    pub arrived: bool,
}

/// How a vanished drive shows.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Vanishing {
    /// The kernel says ENODEV.
    NoDevice,
    /// The kernel says EIO, as for a bad sector.
    InputOutput,
}

/// What the drive does, and what it did.
#[derive(Default)]
pub struct Script {
    /// Every request that touches these fails: the drive says that it cannot read them.
    pub bad: ExtentSet,
    /// The kernel does not tell what the drive said: every failure is EIO.
    pub says_little: bool,
    /// Nothing is answered from the request with this number in the log on.
    pub silent_from: Option<usize>,
    /// From the request with this number in the log on, every sector reads as this byte.
    pub constant_from: Option<(usize, u8)>,
    /// A request that touches the sector at this byte fails so many times.
    pub weak: BTreeMap<u64, u32>,
    /// Requests that touch these fail when they are longer than so many bytes.
    pub small_only: Option<(ExtentSet, u64)>,
    /// Requests that touch these take so long.
    pub slow: Option<(ExtentSet, Duration)>,
    /// The drive vanishes when the log has so many requests.
    pub vanish_at: Option<(usize, Vanishing)>,
    /// The copy is asked to stop during the request with this number in the log.
    pub stop_at: Option<usize>,
    /// What really is zero on it.
    pub zero: ExtentSet,
    /// All requests, in order, but for sectors that were read once more to see whether the drive still answers.
    pub log: Vec<Request>,
    /// Those: sectors that had arrived before.
    pub checks: Vec<Request>,
    arrived: ExtentSet,
    vanished: bool,
}

pub struct Scripted {
    identity: SourceIdentity,
    clock: Clock,
    script: Arc<Mutex<Script>>,
    stop: Arc<AtomicBool>,
}

impl Scripted {
    pub fn new(bytes: u64, physical: u64, stop: Arc<AtomicBool>) -> Scripted {
        let identity = SourceIdentity {
            path: "scripted".into(),
            kind: SourceKind::BlockDevice,
            bytes,
            logical_sector: SectorSize::S512,
            physical_sector: SectorSize::new(physical).unwrap(),
            model: None,
            serial: None,
            details: Default::default(),
        };
        Scripted { identity, clock: Clock::simulated(), script: Arc::default(), stop }
    }

    pub fn script(&self) -> Arc<Mutex<Script>> {
        Arc::clone(&self.script)
    }
}

/// The time that every read takes.
pub const READ: Duration = Duration::from_millis(1);

/// And one that fails takes so much longer.
const FAILED: Duration = Duration::from_secs(7);

/// What the drive holds at `start`.
pub fn fill(start: u64, buffer: &mut [u8]) {
    for (sector, bytes) in (start / 512..).zip(buffer.chunks_mut(512)) {
        bytes.fill((sector % 251) as u8);
        let count = bytes.len().min(8);
        bytes[..count].copy_from_slice(&sector.to_le_bytes()[..count]);
    }
}

impl Script {
    /// The drive is plugged in again, and nobody asks to stop.
    pub fn revive(&mut self) {
        self.vanish_at = None;
        self.stop_at = None;
        self.silent_from = None;
        self.constant_from = None;
        self.vanished = false;
    }

    fn answer(&mut self, wanted: Extent, clock: &Clock) -> Result<(), ReadError> {
        let errno = if self.says_little { 5 } else { 61 };
        let unreadable = || Err(ReadError::from_io(io::Error::from_raw_os_error(errno)));
        if self.silent_from.is_some_and(|from| self.log.len() >= from) {
            return Err(ReadError::from_io(io::Error::from_raw_os_error(5)));
        }
        if self.vanish_at.is_some_and(|(at, _)| self.log.len() >= at) {
            self.vanished = true;
            return match self.vanish_at {
                Some((_, Vanishing::NoDevice)) => Err(ReadError::from_io(io::Error::from_raw_os_error(19))),
                _ => Err(ReadError::from_io(io::Error::from_raw_os_error(5))),
            };
        }
        if let Some((_, time)) = self.slow.as_ref().filter(|(place, _)| place.bytes_within(wanted) > 0) {
            clock.sleep(*time);
        }
        let weak: Vec<u64> =
            self.weak.range(wanted.start.0..wanted.end()).filter(|(_, left)| **left > 0).map(|(at, _)| *at).collect();
        for at in &weak {
            *self.weak.get_mut(at).unwrap() -= 1;
        }
        let too_long = self
            .small_only
            .as_ref()
            .is_some_and(|(place, most)| wanted.bytes > *most && place.bytes_within(wanted) > 0);
        if !weak.is_empty() || too_long || self.bad.bytes_within(wanted) > 0 { unreadable() } else { Ok(()) }
    }
}

impl Source for Scripted {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let wanted = Extent::new(start.0, buffer.len() as u64).unwrap();
        assert_eq!(wanted, wanted.aligned_to(512), "a device wants whole sectors");
        assert!(wanted.end() <= self.identity.bytes);
        assert_eq!(buffer.as_ptr() as usize % 512, 0, "a device wants aligned memory");
        let mut script = self.script.lock().unwrap();
        self.clock.sleep(READ);
        let answer = script.answer(wanted, &self.clock);
        if answer.is_err() {
            self.clock.sleep(FAILED);
        }
        let request = Request { extent: wanted, arrived: answer.is_ok() };
        let is_check = wanted.bytes <= self.identity.physical_sector.bytes() && script.arrived.covers(wanted);
        if is_check {
            script.checks.push(request);
        } else if !script.vanished {
            script.log.push(request);
        }
        if request.arrived {
            script.arrived.insert(wanted);
        }
        if !is_check && script.stop_at.is_some_and(|at| script.log.len() == at) {
            self.stop.store(true, Ordering::Relaxed);
        }
        match answer {
            Ok(()) => match script.constant_from.filter(|(from, _)| script.log.len() > *from) {
                Some((_, byte)) => buffer.fill(byte),
                None => {
                    fill(start.0, buffer);
                    for place in script.zero.intersection(wanted) {
                        let from = usize::try_from(place.start.0 - start.0).unwrap();
                        buffer[from..from + usize::try_from(place.bytes).unwrap()].fill(0);
                    }
                }
            },
            // A failed read leaves anything behind.
            Err(_) => buffer.fill(0xA5),
        }
        answer
    }

    fn is_present(&self) -> bool {
        !self.script.lock().unwrap().vanished
    }

    fn clock(&self) -> Clock {
        self.clock.clone()
    }
}

/// A log that names the first bad sector of a request, as a kernel does, moved by so many bytes; and so many resets with each
/// failure.
pub struct Log {
    pub script: Arc<Mutex<Script>>,
    pub moved: u64,
    pub resets: u64,
}

impl RequestLog for Log {
    fn before_request(&mut self) {}

    fn after_request(&mut self, request: Extent) -> LoggedRequest {
        let first = self.script.lock().unwrap().bad.intersection(request).first().copied();
        let failed_place = first.map(|first| ByteOffset(first.start.0 + self.moved));
        LoggedRequest { failed_place, resets: u64::from(first.is_some()) * self.resets }
    }
}
