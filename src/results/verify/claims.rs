//! The image against the hashes in the journal.

use super::read_ahead::{self, Piece};
use super::whole::{Summing, WholeSum};
use crate::base::extent::{Extent, ExtentSet};
use crate::source::SourceLost;
use crate::store::image::Image;
use crate::store::journal::ChunkHash;
use serde::Serialize;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};

/// What reading the image back gave.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
pub struct ClaimCheck {
    /// Chunks that were read back.
    pub chunks: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Chunks whose bytes are not those that came from the drive. The hash covers a chunk, so the byte that changed
    /// lies somewhere in it.
    pub differing: ExtentSet,
    /// Chunks that could not be read back from the image.
    pub unreadable: ExtentSet,
    /// What the kernel said of the first of those.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_error: Option<String>,
}

impl ClaimCheck {
    /// Whether every chunk is as it came from the drive.
    pub fn all_sound(&self) -> bool {
        self.differing.is_empty() && self.unreadable.is_empty()
    }

    /// Every range whose bytes cannot be relied upon.
    pub fn doubtful(&self) -> ExtentSet {
        self.differing.extents().iter().chain(self.unreadable.extents()).copied().collect()
    }

    fn add(&mut self, other: ClaimCheck) {
        self.chunks += other.chunks;
        self.bytes = self.bytes.saturating_add(other.bytes);
        self.differing.extend(other.differing.extents().iter().copied());
        self.unreadable.extend(other.unreadable.extents().iter().copied());
        self.first_error = self.first_error.take().or(other.first_error);
    }

    fn take(&mut self, extent: Extent, outcome: Outcome) {
        self.chunks += 1;
        self.bytes = self.bytes.saturating_add(extent.bytes);
        match outcome {
            Outcome::Sound => {
                // A range that was copied once more holds what came last; the older hash is no longer about it.
                remove(&mut self.differing, extent);
            }
            Outcome::Differs => self.differing.insert(extent),
            Outcome::Unreadable(error) => {
                self.first_error.get_or_insert_with(|| error.to_string());
                self.unreadable.insert(extent);
            }
        }
    }
}

enum Outcome {
    Sound,
    Differs,
    Unreadable(io::Error),
}

fn remove(set: &mut ExtentSet, extent: Extent) {
    if set.bytes_within(extent) > 0 {
        let removed = ExtentSet::from_iter([extent]);
        *set = set.extents().iter().flat_map(|held| removed.missing_from(*held)).collect();
    }
}

/// The chunk being hashed.
#[derive(Default)]
struct Chunk {
    hasher: blake3::Hasher,
    error: Option<io::Error>,
}

impl Chunk {
    /// Takes a piece into account, and judges by the expected hash, which comes with the last one.
    fn take(&mut self, bytes: io::Result<&[u8]>, expected: Option<ChunkHash>) -> Option<Outcome> {
        match bytes {
            Ok(bytes) => {
                self.hasher.update(bytes);
            }
            Err(error) => self.error = self.error.take().or(Some(error)),
        }
        let expected = expected?;
        let Chunk { hasher, error } = std::mem::take(self);
        Some(match error {
            Some(error) => Outcome::Unreadable(error),
            None if *hasher.finalize().as_bytes() == expected.0 => Outcome::Sound,
            None => Outcome::Differs,
        })
    }
}

/// Checks all chunks as [`check_chunks`] does and hashes the whole as [`super::sha256`] does, with one reading of the image.
/// Memory: 48 bytes for each chunk. `progress` is told the bytes as they are hashed.
///
/// # Errors
/// The first error that `chunks` gives; [`SourceLost::Stopped`] soon after `stop` is set. An image that does not give all of
/// itself back has no sum.
pub fn check_whole<E: From<SourceLost>>(
    image: &dyn Image,
    chunks: impl IntoIterator<Item = Result<(Extent, ChunkHash), E>>,
    drive_bytes: u64,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(u64),
) -> Result<(ClaimCheck, io::Result<WholeSum>), E> {
    let chunks = chunks.into_iter().collect::<Result<Vec<_>, E>>()?;
    let (alone, together) = apart(chunks, drive_bytes);
    let (mut check, mut chunk, mut sum) = (ClaimCheck::default(), Chunk::default(), Summing::default());
    let digest = |piece: Piece<'_, Option<ChunkHash>>| {
        let (extent, expected) = piece.chunk;
        sum.take(&piece.bytes);
        let Some(expected) = expected else { return };
        if let Some(outcome) = chunk.take(piece.bytes, piece.is_last.then_some(expected)) {
            check.take(extent, outcome);
        }
    };
    let go_on = |part| if stop.load(Ordering::Relaxed) { Err(E::from(SourceLost::Stopped)) } else { Ok(part) };
    read_ahead::stream(image, whole_drive(&alone, drive_bytes).map(go_on), digest, progress)?;
    let rest = check_chunks(image, together.into_iter().map(Ok::<_, E>), &mut |_| {})?;
    check.add(rest);
    Ok((check, sum.finish(drive_bytes)))
}

/// A chunk and the hash that was taken of it.
type ClaimedChunk = (Extent, ChunkHash);

/// Chunks that share no byte with another and lie within the drive, ascending; and all others, in their order.
fn apart(chunks: Vec<ClaimedChunk>, drive_bytes: u64) -> (Vec<ClaimedChunk>, Vec<ClaimedChunk>) {
    let mut places: Vec<Extent> = chunks.iter().map(|(extent, _)| *extent).collect();
    places.sort_unstable();
    let mut shared = ExtentSet::new();
    let mut end = 0;
    for place in places {
        if place.start.0 < end || place.end() > drive_bytes {
            shared.insert(Extent::between(place.start.0, place.end().min(end).max(place.start.0 + 1)));
        }
        end = end.max(place.end());
    }
    let is_alone = |(extent, _): &ClaimedChunk| shared.bytes_within(*extent) == 0;
    let (mut alone, together): (Vec<_>, Vec<_>) = chunks.into_iter().partition(is_alone);
    alone.sort_unstable_by_key(|(extent, _)| *extent);
    (alone, together)
}

/// All of the drive: chunks with their hashes, and what lies between them in pieces without one.
fn whole_drive(
    chunks: &[(Extent, ChunkHash)],
    drive_bytes: u64,
) -> impl Iterator<Item = (Extent, Option<ChunkHash>)> + '_ {
    const BETWEEN: u64 = 64 << 20;
    let starts = chunks.iter().map(|(extent, _)| extent.start.0).chain([drive_bytes]);
    let ends = [0].into_iter().chain(chunks.iter().map(|(extent, _)| extent.end()));
    let hashed = chunks.iter().map(|(extent, hash)| Some((*extent, Some(*hash)))).chain([None]);
    ends.zip(starts).zip(hashed).flat_map(|((end, start), chunk)| {
        let between = Extent::between(end, start).pieces(BETWEEN).filter(|piece| !piece.is_empty());
        between.map(|piece| (piece, None)).chain(chunk)
    })
}

/// Reads chunks back from `image` and compares each with the hash that was taken when it came from the drive. Reading and
/// hashing overlap; memory stays within some MiB whatever the number of chunks. `progress` is told the bytes as they are
/// read.
///
/// # Errors
/// The first error that `chunks` gives. What the image does not give back is no error but part of the answer.
pub fn check_chunks<E>(
    image: &dyn Image,
    chunks: impl IntoIterator<Item = Result<(Extent, ChunkHash), E>>,
    progress: &mut dyn FnMut(u64),
) -> Result<ClaimCheck, E> {
    let mut check = ClaimCheck::default();
    let mut chunk = Chunk::default();
    let digest = |piece: Piece<'_, ChunkHash>| {
        let (extent, expected) = piece.chunk;
        if let Some(outcome) = chunk.take(piece.bytes, piece.is_last.then_some(expected)) {
            check.take(extent, outcome);
        }
    };
    read_ahead::stream(image, chunks.into_iter(), digest, progress)?;
    Ok(check)
}
