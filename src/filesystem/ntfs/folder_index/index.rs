//! Folder indexes: the entries in an index root and in index blocks, and what is left of entries in the space that is not used.
//!
//! Source of the layout: Linux fs/ntfs/layout.h (`INDEX_ROOT`, `INDEX_BLOCK`, `INDEX_HEADER`, `INDEX_ENTRY_HEADER`,
//! `FILE_NAME_ATTR`), from memory; held against the FUSE driver's listings by `tests/filesystem/lost_names.rs`.

use crate::base::fields::{le16, le32, le64};
use crate::filesystem::Timestamp;
use crate::filesystem::ntfs::structure::file_name::FileName;
use crate::filesystem::ntfs::structure::record::{Reference, check_and_restore_stride_ends};
use std::ops::Range;

/// Where the node header of an index root stands in its value.
const ROOT_NODE: usize = 0x10;
/// Where the node header of an index block stands in the block; before it is what the update sequence protects.
const BLOCK_NODE: usize = 0x18;
/// Where the update sequence of an index block starts at the earliest.
const BLOCK_HEADER: usize = 0x28;
/// Bytes of an entry before its name.
const ENTRY_HEADER: usize = 0x10;
/// Bytes of a name's attribute before its letters.
const NAME_HEADER: usize = 0x42;
/// The entry that ends a node; it has no name.
const LAST: u16 = 2;
/// The file is a folder.
const IS_FOLDER: u32 = 0x1000_0000;

/// Sizes that an index block can have, in bytes.
pub(super) const BLOCK_SIZES: Range<u64> = 512..(64 << 10) + 1;

/// A name as a folder's index has it, beside what it repeats of the file's own record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct IndexEntry<'b> {
    /// The file's record.
    pub file: Reference,
    /// Its name, and its folder.
    pub name: FileName<'b>,
    /// Size of its content in bytes, as it was when the entry was last written.
    pub size: u64,
    /// When its content was last changed, of the same age.
    pub modified: Option<Timestamp>,
    /// Whether it is a folder.
    pub is_folder: bool,
}

/// The index block of a folder is damaged: all of it, or from some entry on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct IndexDamaged;

/// The size of the folder's index blocks in bytes, by its index root.
pub(super) fn block_bytes(root: &[u8]) -> Option<u64> {
    let bytes = u64::from(le32(root, 8)?);
    (bytes.is_power_of_two() && BLOCK_SIZES.contains(&bytes)).then_some(bytes)
}

/// Hands over the entries of an index root's value.
///
/// # Errors
/// [`IndexDamaged`]; what stands before the damage was handed over.
pub(super) fn root_entries<'b>(root: &'b [u8], each: impl FnMut(IndexEntry<'b>)) -> Result<(), IndexDamaged> {
    let node = node_of(root, ROOT_NODE).ok_or(IndexDamaged)?;
    entries(&root[node.used], each)
}

/// An index block whose update sequence holds.
pub(super) struct IndexBlock<'b> {
    bytes: &'b [u8],
    node: Node,
}

impl<'b> IndexBlock<'b> {
    /// Checks a block as it was read, and puts the bytes at its stride ends back in place.
    pub fn open(bytes: &'b mut [u8]) -> Option<IndexBlock<'b>> {
        if !bytes.starts_with(b"INDX") || check_and_restore_stride_ends(bytes, BLOCK_HEADER).is_err() {
            return None;
        }
        let node = node_of(bytes, BLOCK_NODE)?;
        Some(IndexBlock { bytes, node })
    }

    /// Hands over its entries.
    ///
    /// # Errors
    /// [`IndexDamaged`]; what stands before the damage was handed over.
    pub fn entries(&self, each: impl FnMut(IndexEntry<'b>)) -> Result<(), IndexDamaged> {
        entries(&self.bytes[self.node.used.clone()], each)
    }

    /// Hands over what looks like an entry of the folder whose record is `folder`: in the space that no entry uses, or with
    /// `everywhere` in all of the block.
    pub(super) fn left_over(&self, folder: u32, everywhere: bool, mut each: impl FnMut(IndexEntry<'b>)) {
        let mut at = if everywhere { self.node.used.start } else { self.node.used.end }.next_multiple_of(8);
        while at + ENTRY_HEADER + NAME_HEADER <= self.bytes.len() {
            match entry(&self.bytes[at..]) {
                Some((length, Some(entry))) if is_plausible(&entry, folder) => {
                    each(entry);
                    at += length;
                }
                _ => at += 8,
            }
        }
    }
}

/// A deleted entry has no update sequence or count of its own that would prove it.
fn is_plausible(entry: &IndexEntry<'_>, folder: u32) -> bool {
    entry.name.parent.number() == folder
        && entry.file.number() != 0
        && !entry.name.name.is_empty()
        && entry.size <= i64::MAX.unsigned_abs()
}

/// What a node's header says.
struct Node {
    /// Where its entries are.
    used: Range<usize>,
}

fn node_of(bytes: &[u8], at: usize) -> Option<Node> {
    let first = at.checked_add(usize::try_from(le32(bytes, at)?).ok()?)?;
    let end = at.checked_add(usize::try_from(le32(bytes, at + 4)?).ok()?)?;
    (at + ENTRY_HEADER <= first && first <= end && end <= bytes.len()).then_some(Node { used: first..end })
}

fn entries<'b>(mut rest: &'b [u8], mut each: impl FnMut(IndexEntry<'b>)) -> Result<(), IndexDamaged> {
    while let Some((length, entry)) = entry(rest) {
        match entry {
            Some(entry) => each(entry),
            None => return Ok(()),
        }
        rest = &rest[length..];
    }
    // A node ends with an entry that says so.
    Err(IndexDamaged)
}

/// The entry at the start of some bytes: its length, and what it says unless it is the last one. `None` when it cannot be one.
fn entry(bytes: &[u8]) -> Option<(usize, Option<IndexEntry<'_>>)> {
    let length = usize::from(le16(bytes, 8)?);
    let key = usize::from(le16(bytes, 10)?);
    let flags = le16(bytes, 12)?;
    let whole = bytes.get(..length).filter(|_| length >= ENTRY_HEADER && length.is_multiple_of(8))?;
    if flags & LAST != 0 {
        return Some((length, None));
    }
    let value = whole.get(ENTRY_HEADER..ENTRY_HEADER + key)?;
    let name = FileName::parse(value)?;
    let is_name = key == NAME_HEADER + name.name.len() && value[0x41] <= 3;
    let entry = IndexEntry {
        file: Reference(le64(bytes, 0)?),
        name,
        size: le64(value, 0x30)?,
        modified: le64(value, 0x10).and_then(Timestamp::from_ntfs),
        is_folder: le32(value, 0x38)? & IS_FOLDER != 0,
    };
    is_name.then_some((length, Some(entry)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry_bytes(file: u64, parent: u64, name: &str, size: u64) -> Vec<u8> {
        let letters: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let key = NAME_HEADER + letters.len();
        let length = (ENTRY_HEADER + key).next_multiple_of(8);
        let mut bytes = vec![0; length];
        bytes[..8].copy_from_slice(&file.to_le_bytes());
        bytes[8..10].copy_from_slice(&u16::try_from(length).unwrap().to_le_bytes());
        bytes[10..12].copy_from_slice(&u16::try_from(key).unwrap().to_le_bytes());
        let value = &mut bytes[ENTRY_HEADER..];
        value[..8].copy_from_slice(&parent.to_le_bytes());
        value[0x30..0x38].copy_from_slice(&size.to_le_bytes());
        value[0x40] = u8::try_from(letters.len() / 2).unwrap();
        value[0x41] = 1;
        value[NAME_HEADER..key].copy_from_slice(&letters);
        bytes
    }

    fn last() -> Vec<u8> {
        let mut bytes = vec![0; ENTRY_HEADER];
        bytes[8] = 0x10;
        bytes[12] = 2;
        bytes
    }

    /// A block of 4096 bytes with two entries in use and one behind them.
    fn block() -> Vec<u8> {
        let mut bytes = vec![0; 4096];
        bytes[..4].copy_from_slice(b"INDX");
        bytes[4] = 0x28;
        bytes[6] = 9;
        let used = [entry_bytes(70, 64, "a.txt", 5), entry_bytes(71, 64, "b", 6), last()].concat();
        let behind = entry_bytes(72, 64, "gone.txt", 7);
        bytes[BLOCK_NODE] = 0x28;
        bytes[BLOCK_NODE + 4..BLOCK_NODE + 8].copy_from_slice(&u32::try_from(0x28 + used.len()).unwrap().to_le_bytes());
        let at = BLOCK_NODE + 0x28;
        bytes[at..at + used.len()].copy_from_slice(&used);
        let at = at + used.len();
        bytes[at..at + behind.len()].copy_from_slice(&behind);
        bytes[0x28..0x2A].copy_from_slice(&7u16.to_le_bytes());
        for end in (510..4096).step_by(512) {
            bytes[end..end + 2].copy_from_slice(&7u16.to_le_bytes());
        }
        bytes
    }

    type Numbers = Vec<(u32, u64)>;

    fn names(bytes: &mut [u8]) -> (Numbers, Numbers, bool) {
        let (mut used, mut left) = (Vec::new(), Vec::new());
        let Some(block) = IndexBlock::open(bytes) else { return (used, left, true) };
        let sound = block.entries(|e| used.push((e.file.number(), e.size)));
        block.left_over(64, false, |e| left.push((e.file.number(), e.size)));
        (used, left, sound.is_err())
    }

    #[test]
    fn entries_in_use_and_what_is_left_of_others_are_kept_apart() {
        assert_eq!(names(&mut block()), (vec![(70, 5), (71, 6)], vec![(72, 7)], false));
        let mut all = Vec::new();
        let mut bytes = block();
        IndexBlock::open(&mut bytes).unwrap().left_over(64, true, |e| all.push(e.file.number()));
        assert_eq!(all, [70, 71, 72]);
        IndexBlock::open(&mut block()).unwrap().left_over(65, true, |e| panic!("of another folder: {e:?}"));
    }

    #[test]
    fn a_torn_block_is_not_used_and_a_broken_entry_costs_those_behind_it() {
        let mut torn = block();
        torn[1022] ^= 1;
        assert_eq!(names(&mut torn), (vec![], vec![], true));
        let mut broken = block();
        let second = BLOCK_NODE + 0x28 + entry_bytes(70, 64, "a.txt", 5).len();
        broken[second + 8] = 3;
        assert_eq!(names(&mut broken), (vec![(70, 5)], vec![(72, 7)], true));
    }

    /// Every byte changed in turn, and every length: nothing panics, and no walk is without end.
    #[test]
    fn hostile_blocks_are_survived() {
        for at in 0..300 {
            for value in [0, 1, 0x7F, 0xFF] {
                let mut bytes = block();
                bytes[at] = value;
                let (used, left, _) = names(&mut bytes);
                assert!(used.len() + left.len() < 60);
                let _ = root_entries(&block()[at..], |_| {});
            }
        }
        for length in 0..600 {
            names(&mut block()[..length]);
        }
    }
}
