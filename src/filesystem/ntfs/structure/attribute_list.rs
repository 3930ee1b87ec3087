//! Attribute lists: which record holds which part of a file's attributes. Source: Linux fs/ntfs/layout.h
//! (`ATTR_LIST_ENTRY`).

use super::record::Reference;
use crate::base::fields::{le16, le32, le64};

const HEADER: usize = 0x1A;

/// The longest list that is read: the limit of Linux fs/ntfs3 (`ntfs_load_attr_list`) is 256 KiB as well.
pub const LARGEST_LIST: u64 = 256 << 10;

/// One entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ListEntry<'l> {
    /// Type code of the attribute.
    pub kind: u32,
    /// Its name, as UTF-16 in little-endian bytes.
    pub name: &'l [u8],
    /// First VCN of the part.
    pub first_vcn: u64,
    /// The record that holds it.
    pub holder: Reference,
}

/// The entries of a list; ends at the first entry that cannot be.
#[derive(Clone, Debug)]
pub struct ListEntries<'l> {
    rest: &'l [u8],
}

impl<'l> ListEntries<'l> {
    /// The entries packed in `list`.
    pub fn new(list: &'l [u8]) -> ListEntries<'l> {
        ListEntries { rest: list }
    }

    /// Bytes that were not understood; 0 after the last entry of a sound list.
    pub fn left(&self) -> usize {
        self.rest.len()
    }
}

impl<'l> Iterator for ListEntries<'l> {
    type Item = ListEntry<'l>;

    fn next(&mut self) -> Option<ListEntry<'l>> {
        let kind = le32(self.rest, 0)?;
        let length = usize::from(le16(self.rest, 4)?);
        if kind == 0 || length < HEADER {
            return None;
        }
        let entry = self.rest.get(..length)?;
        let name_units = usize::from(entry[6]);
        let name_start = usize::from(entry[7]);
        let name = if name_units == 0 { &[] } else { entry.get(name_start..name_start + 2 * name_units)? };
        let first_vcn = le64(entry, 8)?;
        let holder = Reference(le64(entry, 0x10)?);
        self.rest = &self.rest[length..];
        Some(ListEntry { kind, name, first_vcn, holder })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Layout: Linux fs/ntfs/layout.h, `ATTR_LIST_ENTRY`.
    #[test]
    fn entries_up_to_the_first_that_cannot_be() {
        let mut list = vec![0u8; 0x20];
        list[..8].copy_from_slice(&[0x80, 0, 0, 0, 0x20, 0, 0, 0x1A]);
        list[8] = 9;
        list[0x10..0x18].copy_from_slice(&0x0003_0000_0000_0055u64.to_le_bytes());
        let mut named = list.clone();
        named[6] = 2;
        named[0x1A..0x1E].copy_from_slice(b"a\0b\0");
        list.extend(&named);
        let found: Vec<_> = ListEntries::new(&list).collect();
        assert_eq!(found.len(), 2);
        assert_eq!(
            (found[0].kind, found[0].first_vcn, found[0].holder.number(), found[0].holder.sequence()),
            (0x80, 9, 0x55, 3)
        );
        assert_eq!(found[1].name, b"a\0b\0");
        list[0x24] = 3;
        let mut entries = ListEntries::new(&list);
        assert_eq!(entries.by_ref().count(), 1);
        assert_eq!(entries.left(), 0x20);
    }
}
