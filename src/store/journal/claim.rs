//! What a journal can say.

use crate::base::extent::Extent;
use crate::source::RangeMark;
use std::fmt;

/// The BLAKE3 hash of the bytes of one chunk.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChunkHash(pub [u8; 32]);

impl ChunkHash {
    /// The hash of `bytes`.
    pub fn of(bytes: &[u8]) -> ChunkHash {
        ChunkHash(*blake3::hash(bytes).as_bytes())
    }
}

impl fmt::Display for ChunkHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

impl fmt::Debug for ChunkHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ChunkHash({self})")
    }
}

/// What is claimed. A range of which nothing is claimed is not read yet.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum JournalClaim {
    /// The bytes of a range are durably in the image, and this is their hash.
    Copied {
        /// The range.
        extent: Extent,
        /// Hash of its bytes as they came from the drive.
        hash: ChunkHash,
    },
    /// Something else about a range.
    Marked(RangeMark),
    /// A run is about to write to the image for the first time: until its claims follow, the image may hold bytes that
    /// no claim covers.
    RunBegan {
        /// When, in seconds since 1970, UTC.
        when: u64,
    },
}

impl JournalClaim {
    /// The range that it is about.
    pub fn extent(&self) -> Option<Extent> {
        match self {
            JournalClaim::Copied { extent, .. } => Some(*extent),
            JournalClaim::Marked(mark) => Some(mark.extent()),
            JournalClaim::RunBegan { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The hash of the empty input, from the BLAKE3 authors' test vectors (from memory).
    #[test]
    fn blake3_of_nothing() {
        let expected = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";
        assert_eq!(ChunkHash::of(b"").to_string(), expected);
    }
}
