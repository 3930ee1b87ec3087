//! Entries: what the metadata, and the properties within them, are lists of.

use crate::base::fields::{bytes_at, le16, le32};

/// Bytes of an entry's header.
const HEADER: usize = 8;

/// One entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Entry<'b> {
    /// What it is for.
    pub kind: u16,
    /// What its data are.
    pub value: u16,
    /// Everything behind its header.
    pub data: &'b [u8],
}

/// Kinds of entries that are used.
pub mod kind {
    /// A protector with the volume master key in it.
    pub const MASTER_KEY: u16 = 2;
    /// The key of the sectors.
    pub const SECTOR_KEY: u16 = 3;
    /// A start-up key, in its file.
    pub const STARTUP_KEY: u16 = 6;
    /// Where the volume's first sectors were moved to.
    pub const RELOCATED: u16 = 0xF;
}

/// Kinds of data that are used.
pub mod value {
    /// A key: kind (4 bytes) and the key.
    pub const KEY: u16 = 1;
    /// A password's salt: kind (4 bytes), salt (16), properties.
    pub const STRETCH: u16 = 3;
    /// A box closed by AES-CCM: nonce (12), tag (16), content.
    pub const SEALED: u16 = 5;
    /// A protector: GUID (16), time (8), 2 bytes, kind of protector (2), properties.
    pub const PROTECTOR: u16 = 8;
    /// A start-up key: GUID (16), time (8), properties.
    pub const EXTERNAL_KEY: u16 = 9;
    /// A range: offset (8), bytes (8), more.
    pub const RANGE: u16 = 0xF;
}

/// Walks entries; ends at the end of the range, at a size of zero, or at one that cannot be.
#[derive(Clone, Copy, Debug)]
pub struct Entries<'b> {
    rest: &'b [u8],
}

impl<'b> Entries<'b> {
    /// The entries in a range.
    pub fn of(bytes: &'b [u8]) -> Entries<'b> {
        Entries { rest: bytes }
    }
}

impl<'b> Iterator for Entries<'b> {
    type Item = Entry<'b>;

    fn next(&mut self) -> Option<Entry<'b>> {
        let size = usize::from(le16(self.rest, 0)?);
        let whole = self.rest.get(..size).filter(|_| size >= HEADER)?;
        self.rest = &self.rest[size..];
        Some(Entry { kind: le16(whole, 2)?, value: le16(whole, 4)?, data: &whole[HEADER..] })
    }
}

impl<'b> Entry<'b> {
    /// The entries within it, behind its own fields.
    pub fn properties(&self) -> Entries<'b> {
        let own = match self.value {
            value::STRETCH => 20,
            value::PROTECTOR => 28,
            value::EXTERNAL_KEY => 24,
            _ => self.data.len(),
        };
        Entries::of(self.data.get(own..).unwrap_or_default())
    }

    /// The key of an entry of `value::KEY`: its kind and itself.
    pub fn key(&self) -> Option<(u32, &'b [u8])> {
        let kind = le32(self.data, 0).filter(|_| self.value == value::KEY)?;
        Some((kind, &self.data[4..]))
    }

    /// The salt of an entry of `value::STRETCH`.
    pub fn salt(&self) -> Option<[u8; 16]> {
        bytes_at(self.data, 4).filter(|_| self.value == value::STRETCH)
    }

    /// Kind of a protector (`value::PROTECTOR`).
    pub fn protector(&self) -> Option<u16> {
        le16(self.data, 26).filter(|_| self.value == value::PROTECTOR)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_walk_ends_where_a_size_cannot_be() {
        let mut bytes = vec![12, 0, 2, 0, 1, 0, 1, 0, 0, 0x20, 0, 0];
        bytes.extend([8, 0, 7, 0, 2, 0, 1, 0]);
        let kinds = |bytes: &[u8]| Entries::of(bytes).map(|entry| entry.kind).collect::<Vec<_>>();
        assert_eq!(kinds(&bytes), [2, 7]);
        assert_eq!(Entries::of(&bytes).next().and_then(|entry| entry.key()), Some((0x2000, &[][..])));
        for size in [0, 7, 200] {
            bytes[12] = size;
            assert_eq!(kinds(&bytes), [2], "size {size}");
        }
        assert!(kinds(&bytes[..11]).is_empty());
    }
}
