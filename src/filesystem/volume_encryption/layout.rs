//! Which bytes of the volume the plain ones are made of.

use crate::base::extent::{Extent, ExtentSet};
use crate::source::{PlainPart, Stored};

/// What the metadata say about places. All count from the volume's start.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Layout {
    /// Bytes of the volume.
    pub volume_bytes: u64,
    /// Sector size in bytes.
    pub sector_bytes: u64,
    /// How many bytes from the start were moved, and where to.
    pub relocated: Option<(u64, u64)>,
    /// What reads as zeros.
    pub zeros: ExtentSet,
    /// What is stored in the clear.
    pub clear: ExtentSet,
    /// Whether what was moved is in the clear; by its place where that is not known.
    pub relocated_is_clear: Option<bool>,
}

impl Layout {
    /// The parts of the plain volume that begins at byte `start` of the drive.
    pub fn parts(&self, start: u64) -> Vec<PlainPart> {
        let mut clear = self.clear.clone();
        // Half a sector at the end cannot be encrypted.
        let whole = self.volume_bytes - self.volume_bytes % self.sector_bytes;
        clear.insert(Extent::between(whole, self.volume_bytes));
        let (moved, place) = self.relocated.unwrap_or((0, 0));
        let moved = moved.min(self.volume_bytes);
        let mut parts = Vec::new();
        let mut add = |plain: Extent, stored: Stored| {
            parts.push(PlainPart { plain: Extent::between(start + plain.start.0, start + plain.end()), stored });
        };
        let there = Extent::between(place, place.saturating_add(moved));
        for (stored, is_clear) in split(there, &clear) {
            let plain = Extent::between(stored.start.0 - place, stored.end() - place);
            let at = start.saturating_add(stored.start.0);
            let is_clear = self.relocated_is_clear.unwrap_or(is_clear);
            add(plain, if is_clear { Stored::Clear(at) } else { Stored::Encrypted(at) });
        }
        for (part, is_zeros) in split(Extent::between(moved, self.volume_bytes), &self.zeros) {
            if is_zeros {
                add(part, Stored::Zeros);
                continue;
            }
            for (part, is_clear) in split(part, &clear) {
                let at = start + part.start.0;
                add(part, if is_clear { Stored::Clear(at) } else { Stored::Encrypted(at) });
            }
        }
        parts
    }
}

/// A range cut at the borders of a set: ascending, each part with whether it is in the set.
fn split(range: Extent, set: &ExtentSet) -> Vec<(Extent, bool)> {
    let inside = set.intersection(range).into_iter().map(|part| (part, true));
    let outside = set.missing_from(range).into_iter().map(|part| (part, false));
    let mut parts: Vec<(Extent, bool)> = inside.chain(outside).collect();
    parts.sort_unstable();
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(ranges: &[(u64, u64)]) -> ExtentSet {
        ranges.iter().map(|(from, to)| Extent::between(*from, *to)).collect()
    }

    #[test]
    fn each_plain_byte_has_one_place() {
        let layout = Layout {
            volume_bytes: 100 * 512 + 100,
            sector_bytes: 512,
            relocated: Some((16 * 512, 40 * 512)),
            zeros: set(&[(30 * 512, 32 * 512), (40 * 512, 56 * 512)]),
            clear: set(&[(50 * 512, 101 * 512)]),
            relocated_is_clear: None,
        };
        let parts = layout.parts(1 << 20);
        let told: Vec<_> = parts
            .iter()
            .map(|part| {
                let from = |at: u64| (at - (1 << 20)) / 512;
                let stored = match part.stored {
                    Stored::Zeros => (0, 0),
                    Stored::Clear(at) => (1, from(at)),
                    Stored::Encrypted(at) => (2, from(at)),
                };
                (from(part.plain.start.0), part.plain.bytes, stored)
            })
            .collect();
        let expected = [
            (0, 10 * 512, (2, 40)),
            (10, 6 * 512, (1, 50)),
            (16, 14 * 512, (2, 16)),
            (30, 2 * 512, (0, 0)),
            (32, 8 * 512, (2, 32)),
            (40, 16 * 512, (0, 0)),
            (56, 44 * 512 + 100, (1, 56)),
        ];
        assert_eq!(told, expected);
    }
}
