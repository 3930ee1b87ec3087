//! Bytes of the drive as the case holds them, with what is missing told apart.

use super::{Absence, Piece};
use crate::base::extent::Extent;
use crate::source::CopyStore;
use std::io;

/// Largest piece that is read at once, in bytes.
pub(super) const PIECE: u64 = 1 << 20;

/// Why a whole range could not be read.
#[derive(Debug, thiserror::Error)]
pub(super) enum Fetch {
    /// Some of it is not there.
    #[error("{}", .0.name())]
    Absent(Absence),
    /// The case cannot be read.
    #[error(transparent)]
    Io(io::Error),
}

/// All of a range (a record, a unit), or the most severe reason why some of it is missing.
pub(super) fn fetch(store: &dyn CopyStore, extent: Extent) -> Result<Vec<u8>, Fetch> {
    let mut bytes = vec![0; length(extent.bytes)];
    fetch_into(store, extent, &mut bytes)?;
    Ok(bytes)
}

/// As [`fetch`], into `bytes`.
pub(super) fn fetch_into(store: &dyn CopyStore, extent: Extent, bytes: &mut [u8]) -> Result<(), Fetch> {
    if store.held(extent).iter().map(|e| e.bytes).sum::<u64>() == extent.bytes {
        return store.load(extent, bytes).map_err(Fetch::Io);
    }
    let lost = !store.unreadable(extent).is_empty();
    Err(Fetch::Absent(if lost { Absence::Unreadable } else { Absence::NotRead }))
}

/// Hands over a range of the drive, part by part.
pub(super) fn read(
    store: &dyn CopyStore,
    extent: Extent,
    buffer: &mut Vec<u8>,
    each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
) -> io::Result<()> {
    let mut at = extent.start.0;
    for held in store.held(extent) {
        missing(store, Extent::between(at, held.start.0), each)?;
        for part in held.pieces(PIECE) {
            let room = length(part.bytes);
            if buffer.len() < room {
                buffer.resize(room, 0);
            }
            store.load(part, &mut buffer[..room])?;
            each(Piece::Bytes(&buffer[..room]))?;
        }
        at = held.end();
    }
    missing(store, Extent::between(at, extent.end()), each)
}

/// A range of which nothing is held.
fn missing(store: &dyn CopyStore, extent: Extent, each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>) -> io::Result<()> {
    let mut at = extent.start.0;
    for lost in if extent.is_empty() { Vec::new() } else { store.unreadable(extent) } {
        some(Piece::Missing(lost.start.0 - at, Absence::NotRead), each)?;
        some(Piece::Missing(lost.bytes, Absence::Unreadable), each)?;
        at = lost.end();
    }
    some(Piece::Missing(extent.end() - at, Absence::NotRead), each)
}

/// Hands over a piece unless there is nothing in it.
pub(super) fn some(piece: Piece<'_>, each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>) -> io::Result<()> {
    if piece.bytes() == 0 { Ok(()) } else { each(piece) }
}

/// A length in memory: of a piece, a record or a unit.
pub(super) fn length(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a piece is far smaller than memory")
}
