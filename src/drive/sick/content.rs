//! What a simulated drive holds.

use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::source::{ReadError, Source};
use std::sync::Arc;

/// Where the bytes come from.
#[derive(Clone)]
pub enum Content {
    /// Each sector of 512 bytes is its own number, again and again.
    Numbers,
    /// Each sector of 512 bytes begins with its number; what the buffer held before stays behind that. Enough to see that
    /// the right sectors arrive, and 64 times quicker: for playing whole drives.
    Marks,
    /// Another source's bytes, as many as that has, then `Numbers`.
    Of(Arc<dyn Source>),
}

/// Bytes of a sector that is numbered.
pub const NUMBERED: u64 = 512;

impl Content {
    /// Fills `buffer` with what stands at `start`, which is a multiple of [`NUMBERED`].
    ///
    /// # Errors
    /// What the other source says.
    pub fn fill(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        match self {
            Content::Numbers => number(start.0, buffer),
            Content::Marks => mark(start.0, buffer),
            Content::Of(source) => {
                let wanted = Extent::between(start.0, start.0.saturating_add(buffer.len() as u64));
                let inside = wanted.intersection(&source.identity().extent()).map_or(0, |inside| inside.bytes);
                let (own, rest) = buffer.split_at_mut(usize::try_from(inside).expect("no more than the buffer has"));
                if !own.is_empty() {
                    source.read_at(start, own)?;
                }
                number(start.0 + inside, rest);
            }
        }
        Ok(())
    }
}

fn mark(start: u64, buffer: &mut [u8]) {
    for (sector, bytes) in (start / NUMBERED..).zip(buffer.chunks_exact_mut(512)) {
        bytes[..8].copy_from_slice(&sector.to_le_bytes());
    }
}

fn number(start: u64, buffer: &mut [u8]) {
    for (sector, bytes) in (start / NUMBERED..).zip(buffer.chunks_mut(512)) {
        let (words, _) = bytes.as_chunks_mut::<8>();
        words.fill(sector.to_le_bytes());
    }
}
