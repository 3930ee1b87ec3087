//! The bytes of a volume that were read to be looked at.

use super::sign::{Certainty, Evidence, Recognised, Sign};
use crate::base::extent::{Extent, ExtentSet};
use crate::source::{SourceLost, Window};

/// Pieces of a volume, addressed from the volume's start.
pub(super) struct VolumeBytes {
    /// The volume on the drive.
    volume: Extent,
    pieces: Vec<Piece>,
}

struct Piece {
    at: u64,
    bytes: Vec<u8>,
    /// On the drive.
    unreadable: ExtentSet,
}

impl VolumeBytes {
    pub(super) fn new(volume: Extent) -> VolumeBytes {
        VolumeBytes { volume, pieces: Vec::new() }
    }

    /// With bytes from the volume's start that were read by someone else.
    pub(super) fn of_start(volume: Extent, bytes: &[u8]) -> VolumeBytes {
        let piece = Piece { at: 0, bytes: bytes.to_vec(), unreadable: ExtentSet::new() };
        VolumeBytes { volume, pieces: vec![piece] }
    }

    /// Reads a piece, as much of it as lies in the volume.
    pub(super) fn read(&mut self, window: &Window<'_>, at: u64, bytes: u64) -> Result<(), SourceLost> {
        let bytes = bytes.min(self.volume.bytes.saturating_sub(at));
        if bytes == 0 {
            return Ok(());
        }
        match window.read(at, bytes) {
            Ok(Some(block)) => self.pieces.push(Piece { at, bytes: block.bytes, unreadable: block.unreadable }),
            // A case that was made before this was looked at does not hold it; what it holds is judged.
            Ok(None) | Err(SourceLost::NotInCase { .. }) => {}
            Err(error) => return Err(error),
        }
        Ok(())
    }

    /// Length of the volume.
    pub(super) fn bytes(&self) -> u64 {
        self.volume.bytes
    }

    /// `bytes` bytes from `at`, if all of them were read.
    pub(super) fn get(&self, at: u64, bytes: u64) -> Option<&[u8]> {
        let end = at.checked_add(bytes)?;
        self.pieces.iter().find_map(|piece| {
            let from = usize::try_from(at.checked_sub(piece.at)?).ok()?;
            let held = piece.bytes.get(from..from.checked_add(usize::try_from(bytes).ok()?)?)?;
            let place = Extent::between(self.volume.start.0 + at, self.volume.start.0 + end);
            (piece.unreadable.bytes_within(place) == 0).then_some(held)
        })
    }

    /// Whether `sign` stands at `at`.
    pub(super) fn stands(&self, at: u64, sign: &[u8]) -> bool {
        self.get(at, sign.len() as u64) == Some(sign)
    }

    /// Whether a length given by the volume itself can be true here: not empty, and no longer than the place.
    pub(super) fn holds(&self, bytes: u64) -> bool {
        bytes > 0 && bytes <= self.volume.bytes
    }

    /// A place on the drive, cut to the volume; `None` when nothing of it lies there.
    pub(super) fn place(&self, at: u64, bytes: u64) -> Option<Extent> {
        let start = self.volume.start.0.checked_add(at)?;
        Extent::between(start, start.saturating_add(bytes)).intersection(&self.volume)
    }

    /// Something recognised by the structure of `bytes` bytes at `at`.
    pub(super) fn recognised(&self, kind: Sign, at: u64, bytes: u64, what: impl Into<String>) -> Recognised {
        let place = self.place(at, bytes).unwrap_or(self.volume);
        Recognised {
            kind,
            label: None,
            uuid: None,
            bytes: None,
            facts: Vec::new(),
            encrypted: false,
            evidence: Evidence { place, what: what.into() },
            certainty: Certainty::Consistent,
            first: Vec::new(),
        }
    }
}
