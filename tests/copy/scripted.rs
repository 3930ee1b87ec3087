//! A drive whose bytes follow from their place, and that misbehaves as told.

use gleaner::extent::{Extent, ExtentSet};
use gleaner::source::{ReadError, Source, SourceIdentity, SourceKind};
use gleaner::units::{ByteOffset, SectorSize};
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
    /// Every request that touches these fails.
    pub bad: ExtentSet,
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
    /// All requests, in order.
    pub log: Vec<Request>,
    vanished: bool,
}

pub struct Scripted {
    identity: SourceIdentity,
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
        Scripted { identity, script: Arc::default(), stop }
    }

    pub fn script(&self) -> Arc<Mutex<Script>> {
        Arc::clone(&self.script)
    }
}

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
        self.vanished = false;
    }

    fn answer(&mut self, wanted: Extent) -> Result<(), ReadError> {
        let unreadable = || Err(ReadError::from_io(io::Error::from_raw_os_error(5)));
        if self.vanish_at.is_some_and(|(at, _)| self.log.len() >= at) {
            self.vanished = true;
            return match self.vanish_at {
                Some((_, Vanishing::NoDevice)) => Err(ReadError::from_io(io::Error::from_raw_os_error(19))),
                _ => unreadable(),
            };
        }
        if let Some((_, time)) = self.slow.as_ref().filter(|(place, _)| place.bytes_within(wanted) > 0) {
            std::thread::sleep(*time);
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
        let answer = script.answer(wanted);
        if !script.vanished {
            script.log.push(Request { extent: wanted, arrived: answer.is_ok() });
        }
        if script.stop_at.is_some_and(|at| script.log.len() == at) {
            self.stop.store(true, Ordering::Relaxed);
        }
        match answer {
            Ok(()) => fill(start.0, buffer),
            // A failed read leaves anything behind.
            Err(_) => buffer.fill(0xA5),
        }
        answer
    }

    fn is_present(&self) -> bool {
        !self.script.lock().unwrap().vanished
    }
}
