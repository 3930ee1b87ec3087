//! The image against the hashes in the journal.

use super::read_ahead;
use crate::extent::{Extent, ExtentSet};
use crate::image::Image;
use crate::journal::ChunkHash;
use serde::Serialize;
use std::io;

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

    /// Every place whose bytes cannot be relied upon.
    pub fn doubtful(&self) -> ExtentSet {
        self.differing.extents().iter().chain(self.unreadable.extents()).copied().collect()
    }

    fn take(&mut self, extent: Extent, outcome: Outcome) {
        self.chunks += 1;
        self.bytes = self.bytes.saturating_add(extent.bytes);
        match outcome {
            Outcome::Sound => {
                // A place that was copied once more holds what came last; the older hash no longer speaks of it.
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
    let digest = |(_, bytes): read_ahead::Read<'_>, last: Option<(Extent, ChunkHash)>| {
        match bytes {
            Ok(bytes) => {
                chunk.hasher.update(bytes);
            }
            Err(error) => chunk.error = chunk.error.take().or(Some(error)),
        }
        let Some((extent, expected)) = last else { return };
        let Chunk { hasher, error } = std::mem::take(&mut chunk);
        let outcome = match error {
            Some(error) => Outcome::Unreadable(error),
            None if *hasher.finalize().as_bytes() == expected.0 => Outcome::Sound,
            None => Outcome::Differs,
        };
        check.take(extent, outcome);
    };
    read_ahead::stream(image, chunks.into_iter(), digest, progress)?;
    Ok(check)
}
