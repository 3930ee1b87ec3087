//! How long a verification will take, before it begins.

use crate::drive::model::to_f64;
use sha2::{Digest, Sha256};
use std::hint::black_box;
use std::time::Instant;

/// What the disk below an image is taken to read, in bytes a second: a hard disk in its middle. Common practice, no source.
pub const DISK_RATE: u64 = 150_000_000;

/// What a verification has to do.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Expected {
    /// Seconds for reading what the image holds, at [`DISK_RATE`].
    pub reading_seconds: f64,
    /// Seconds for hashing the whole drive, holes included, as fast as this computer just did for some MiB.
    pub hashing_seconds: f64,
}

impl Expected {
    /// For an image that holds `held` of `drive_bytes` bytes. Takes some milliseconds.
    pub fn of(held: u64, drive_bytes: u64) -> Expected {
        const SAMPLE: usize = 8 << 20;
        let sample = vec![0; SAMPLE];
        let began = Instant::now();
        black_box(Sha256::digest(&sample));
        let a_byte = began.elapsed().as_secs_f64() / to_f64(SAMPLE as u64);
        Expected { reading_seconds: to_f64(held) / to_f64(DISK_RATE), hashing_seconds: to_f64(drive_bytes) * a_byte }
    }

    /// Both happen at once, so the longer one.
    pub fn seconds(&self) -> f64 {
        self.reading_seconds.max(self.hashing_seconds)
    }
}
