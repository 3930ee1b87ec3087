//! Reads that measure time: which requests, in which order, within the budget.

use super::MeasurableRanges;
use crate::base::clock::Moment;
use crate::base::extent::Extent;
use crate::case::commit_after;
use crate::source::{AlignedBuffer, CopyStore, RangeMark, Reader, Skip, SourceLost};
use serde::Serialize;
use std::time::Duration;

/// What measuring may cost the drive. No request is begun that would pass it; one that hangs can outlast the time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Budget {
    /// Bytes.
    pub bytes: u64,
    /// Requests.
    pub requests: u64,
    /// Time.
    pub time: Duration,
}

impl Default for Budget {
    /// 256 MiB, 400 requests, a minute.
    fn default() -> Budget {
        Budget { bytes: 256 << 20, requests: 400, time: Duration::from_secs(60) }
    }
}

/// A request that arrived.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sample {
    /// The byte behind the request before, where the head stood.
    pub from: u64,
    /// What was read.
    pub extent: Extent,
    /// The stretch it belongs to; `None` for a single read.
    pub stretch: Option<u32>,
    /// How long it took, in seconds.
    pub seconds: f64,
}

/// Why measuring ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// As many rounds as there are.
    Complete,
    /// The budget of bytes or requests.
    Budget,
    /// The budget of time.
    Time,
    /// Reads failed: the drive is spared.
    Failures,
    /// The plan has nothing left that would tell more.
    NothingLeft,
}

/// What was measured.
#[derive(Clone, PartialEq, Debug)]
pub struct Measured {
    /// The requests that arrived, in order.
    pub samples: Vec<Sample>,
    /// How long those took that failed, in seconds.
    pub failed_seconds: Vec<f64>,
    /// Requests made.
    pub requests: u64,
    /// Bytes that arrived.
    pub bytes: u64,
    /// Time it took, in seconds.
    pub seconds: f64,
    /// Why it ended.
    pub end: End,
}

/// Size of a single read, and of the one that begins a stretch, in bytes.
const SINGLE: u64 = 4 << 10;
/// Two sizes of requests within a stretch, in bytes: what both cost beside transfer is what a request costs.
pub(super) const SMALL: u64 = 64 << 10;
/// The larger of them, which is what a copy makes.
pub(super) const LARGE: u64 = 1 << 20;
/// How many of the small ones a stretch has.
const SMALL_COUNT: u64 = 4;
/// How many of the large ones, from the most to the fewest that tell something.
const LARGE_COUNTS: [u64; 3] = [8, 4, 2];
/// Places of a stretch in a round, evenly from the first byte to the last.
const STRETCHES: u64 = 5;
/// Distances of single reads as shares of the drive: numerator and denominator; 0 for [`SHORT`].
const DISTANCES: [(u64, u64); 6] = [(0, 1), (1, 100), (1, 10), (1, 3), (2, 3), (1, 1)];
/// The shortest distance, in bytes: beyond any gap that a drive reads through, and beyond what it reads ahead.
const SHORT: u64 = 8 << 20;
/// Single reads for each distance in a round.
const EACH: u64 = 6;
/// More rounds would only serve to wear the drive.
const ROUNDS: u32 = 8;
/// After so many failed reads the drive is spared.
const FAILURES: usize = 3;

struct Measurement<'r> {
    reader: &'r Reader,
    store: &'r dyn CopyStore,
    places: MeasurableRanges,
    budget: Budget,
    buffer: AlignedBuffer,
    began: Moment,
    /// Where the head stands; not known before the first read.
    at: Option<u64>,
    measured: Measured,
}

/// Reads within the budget, each byte once, and keeps it in `store`.
///
/// # Errors
/// [`SourceLost`]; what arrived before is kept.
pub fn measure(
    reader: &Reader,
    store: &dyn CopyStore,
    places: MeasurableRanges,
    budget: &Budget,
) -> Result<Measured, SourceLost> {
    let measured = Measured {
        samples: Vec::new(),
        failed_seconds: Vec::new(),
        requests: 0,
        bytes: 0,
        seconds: 0.0,
        end: End::Complete,
    };
    let buffer = AlignedBuffer::new(usize::try_from(LARGE).expect("1 MiB"));
    let (began, budget) = (reader.clock().now(), *budget);
    let mut measurement = Measurement { reader, store, places, budget, buffer, began, at: None, measured };
    let outcome = commit_after(store, measurement.rounds());
    reader.flush_trace()?;
    let end = outcome?;
    Ok(Measured { seconds: reader.clock().since(began).as_secs_f64(), end, ..measurement.measured })
}

impl Measurement<'_> {
    fn rounds(&mut self) -> Result<End, SourceLost> {
        for round in 0..ROUNDS {
            let before = self.measured.requests;
            for place in 0..STRETCHES {
                if let Some(end) = self.stretch(round, place)? {
                    return Ok(end);
                }
            }
            for (numerator, denominator) in DISTANCES {
                if let Some(end) = self.jumps(numerator, denominator)? {
                    return Ok(end);
                }
            }
            if self.measured.requests == before {
                return Ok(End::NothingLeft);
            }
        }
        Ok(End::Complete)
    }

    fn drive_bytes(&self) -> u64 {
        self.reader.identity().bytes
    }

    fn unit(&self) -> u64 {
        self.reader.identity().physical_sector.bytes()
    }

    fn stretch(&mut self, round: u32, place: u64) -> Result<Option<End>, SourceLost> {
        let target = self.drive_bytes() / (STRETCHES - 1) * place;
        let head = SINGLE + SMALL_COUNT * SMALL;
        let unit = self.unit();
        let taken = LARGE_COUNTS.into_iter().find_map(|count| self.places.take(target, head + count * LARGE, unit));
        let Some(extent) = taken else { return Ok(None) };
        let stretch = Some(round * u32::try_from(STRETCHES).expect("few") + u32::try_from(place).expect("few"));
        let small = Extent::between(extent.start.0 + SINGLE, extent.start.0 + head);
        let large = Extent::between(small.end(), extent.end());
        let lead = Extent::between(extent.start.0, small.start.0);
        for piece in std::iter::once(lead).chain(small.pieces(SMALL)).chain(large.pieces(LARGE)) {
            if let Some(end) = self.read(piece, stretch)? {
                return Ok(Some(end));
            }
        }
        Ok(None)
    }

    fn jumps(&mut self, numerator: u64, denominator: u64) -> Result<Option<End>, SourceLost> {
        let drive = self.drive_bytes();
        let way = if numerator == 0 { SHORT } else { drive / denominator * numerator };
        for turn in 0..EACH {
            let at = self.at.unwrap_or(0);
            let (up, down) = (drive - at.min(drive), at);
            // Back and forth where there is room both ways, else where there is more of it.
            let forward = if up >= way && down >= way { turn % 2 == 0 } else { up >= down };
            let target = if forward { at.saturating_add(way).min(drive) } else { at.saturating_sub(way) };
            let Some(extent) = self.places.take(target, SINGLE, self.unit()) else { return Ok(None) };
            if let Some(end) = self.read(extent, None)? {
                return Ok(Some(end));
            }
        }
        Ok(None)
    }

    /// One request. Says when it was the last.
    fn read(&mut self, extent: Extent, stretch: Option<u32>) -> Result<Option<End>, SourceLost> {
        let measured = &mut self.measured;
        if self.reader.clock().since(self.began) >= self.budget.time {
            return Ok(Some(End::Time));
        }
        if measured.requests >= self.budget.requests || measured.bytes + extent.bytes > self.budget.bytes {
            return Ok(Some(End::Budget));
        }
        let buffer = &mut self.buffer.bytes_mut()[..usize::try_from(extent.bytes).expect("at most 1 MiB")];
        let attempt = self.reader.attempt(extent, buffer)?;
        measured.requests += 1;
        let seconds = attempt.took.as_secs_f64();
        let Some(failure) = attempt.failure else {
            self.store.keep(extent, buffer).map_err(SourceLost::Store)?;
            measured.bytes += extent.bytes;
            if let Some(from) = self.at {
                measured.samples.push(Sample { from, extent, stretch, seconds });
            }
            self.at = Some(extent.end());
            return Ok(None);
        };
        // Copying retries it in its turn.
        self.store.mark(RangeMark::Skipped { extent, why: Skip::Failed, failure }).map_err(SourceLost::Store)?;
        self.places.shun(extent);
        measured.failed_seconds.push(seconds);
        self.at = Some(extent.end());
        Ok((measured.failed_seconds.len() >= FAILURES).then_some(End::Failures))
    }
}
