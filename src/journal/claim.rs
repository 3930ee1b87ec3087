//! What a journal can say of a stretch of the drive.

use crate::extent::Extent;
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

/// What is claimed of one stretch of the drive. What nothing is claimed of is waiting.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Claim {
    /// Its bytes are durably in the image, and this is their hash.
    Copied {
        /// The stretch.
        extent: Extent,
        /// Hash of its bytes as they came from the drive.
        hash: ChunkHash,
    },
    /// It was tried or skipped, and is to be come back to.
    Deferred {
        /// The stretch.
        extent: Extent,
    },
    /// It was given up.
    Unreadable {
        /// The stretch.
        extent: Extent,
    },
}

impl Claim {
    /// The stretch of the drive it is about.
    pub fn extent(&self) -> Extent {
        match *self {
            Claim::Copied { extent, .. } | Claim::Deferred { extent } | Claim::Unreadable { extent } => extent,
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
