//! Folder entries: 32 bytes each, short names with their long ones, deleted entries, and what cannot be an entry.
//!
//! Source: "FAT: General Overview of On-Disk Format", Microsoft, 1.03, "FAT Directory Structure" (from memory). The
//! case bits of byte 12 are not in it: Windows NT sets them, common practice.

use super::long_name::{Gathering, Part};
use super::oem;
use crate::base::fields::{u16_at, u32_at};
use crate::base::units::ByteOffset;
use crate::filesystem::Timestamp;
use crate::filesystem::folder_content::Content;
use crate::filesystem::folder_tree::{ContentPlace, FolderEntry, PassedOver};

/// Bytes of an entry.
pub const ENTRY_BYTES: u64 = 32;

const ATTRIBUTES: usize = 11;
const CASE: usize = 12;
const CLUSTER_HIGH: usize = 20;
const WRITE_TIME: usize = 22;
const WRITE_DATE: usize = 24;
const CLUSTER_LOW: usize = 26;
const SIZE: usize = 28;

const VOLUME_LABEL: u8 = 0x08;
const FOLDER: u8 = 0x10;
/// Read-only, hidden, system and label at once: part of a long name. The upper two bits are not looked at.
const LONG_NAME: u8 = 0x0F;
const ATTRIBUTE_BITS: u8 = 0x3F;

const LOWER_BASE: u8 = 0x08;
const LOWER_EXTENSION: u8 = 0x10;

const END: u8 = 0x00;
const DELETED: u8 = 0xE5;
/// Stands for a first byte E5, which would mean "deleted".
const STANDS_FOR_E5: u8 = 0x05;

/// What is found in a folder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Item {
    Entry(FolderEntry),
    Label(String),
    /// "." with its cluster.
    Itself(u32),
    /// ".." with its cluster.
    Above(u32),
}

/// Goes through a folder's entries in order. `wide` says that first clusters have 32 bits (FAT32).
pub fn scan(content: &Content, wide: bool, mut each: impl FnMut(Item)) -> PassedOver {
    let mut passed = PassedOver::default();
    let mut names = Gathering::default();
    let mut ended = false;
    let places = content.extents.iter().flat_map(|e| e.pieces(ENTRY_BYTES));
    for (raw, place) in content.bytes.as_chunks::<32>().0.iter().zip(places) {
        if !content.unreadable.is_empty() && content.unreadable.bytes_within(place) > 0 {
            // Its zeros must not be taken for the end of the folder.
            names.interrupt();
            passed.unreadable += 1;
            continue;
        }
        if ended {
            if !matches!(raw[0], END | DELETED) && is_plausible(raw) {
                passed.behind_end += 1;
                passed.first_behind_end.get_or_insert(place.start);
            }
            continue;
        }
        let is_part = raw[ATTRIBUTES] & ATTRIBUTE_BITS == LONG_NAME;
        match raw[0] {
            END => {
                names.interrupt();
                ended = true;
            }
            DELETED if is_part => names.deleted_part(Part::parse(raw)),
            _ if is_part => names.live_part(Part::parse(raw)),
            DELETED => {
                let recovered = names.take_deleted(&short_bytes(raw), |byte| is_name_byte(byte) && byte != b' ');
                if is_plausible(raw) && raw[ATTRIBUTES] & VOLUME_LABEL == 0 {
                    // What cannot be recovered of the first character is shown as "_".
                    let name = recovered.map_or_else(|| short_name(raw, b'_'), |(long, _)| long);
                    each(Item::Entry(entry(raw, place.start, name, true, wide)));
                }
            }
            _ if !is_plausible(raw) => {
                names.interrupt();
                passed.implausible += 1;
                passed.first_implausible.get_or_insert(place.start);
            }
            _ if raw[ATTRIBUTES] & VOLUME_LABEL != 0 => {
                names.interrupt();
                each(Item::Label(label(&short_bytes(raw))));
            }
            _ => match &raw[..11] {
                b".          " => each(Item::Itself(first_cluster(raw, wide))),
                b"..         " => each(Item::Above(first_cluster(raw, wide))),
                _ => {
                    let long = names.take_live(&short_bytes(raw));
                    let name = long.unwrap_or_else(|| short_name(raw, raw[0]));
                    each(Item::Entry(entry(raw, place.start, name, false, wide)));
                }
            },
        }
    }
    names.interrupt();
    passed.strays = names.orphans;
    passed
}

/// A volume label as text, without the spaces that fill it up.
pub fn label(raw: &[u8; 11]) -> String {
    let mut raw = *raw;
    if raw[0] == STANDS_FOR_E5 {
        raw[0] = DELETED;
    }
    raw.iter().take_while(|byte| **byte != 0).map(|byte| oem::decode(*byte)).collect::<String>().trim_end().to_owned()
}

fn entry(raw: &[u8; 32], place: ByteOffset, name: String, deleted: bool, wide: bool) -> FolderEntry {
    let is_folder = raw[ATTRIBUTES] & FOLDER != 0;
    let size = if is_folder { 0 } else { u32_at(raw, SIZE).into() };
    FolderEntry {
        place,
        name,
        is_folder,
        deleted,
        modified: Timestamp::from_fat(u16_at(raw, WRITE_DATE), u16_at(raw, WRITE_TIME)),
        content: ContentPlace { first_cluster: first_cluster(raw, wide), size, valid: size, contiguous: false },
        more: Vec::new(),
        sound: true,
    }
}

/// The upper half is something else (an extended attribute handle, or nothing) on FAT12 and FAT16.
fn first_cluster(raw: &[u8; 32], wide: bool) -> u32 {
    let high = if wide { u32::from(u16_at(raw, CLUSTER_HIGH)) << 16 } else { 0 };
    high | u32::from(u16_at(raw, CLUSTER_LOW))
}

fn short_bytes(raw: &[u8; 32]) -> [u8; 11] {
    let mut short = [0; 11];
    short.copy_from_slice(&raw[..11]);
    short
}

/// Whether a byte can stand in a short name as written by any system: the specification forbids more (lower-case
/// letters, `+,;=[]`), but these make a name misleading or dangerous, and ordinary data is full of them.
fn is_name_byte(byte: u8) -> bool {
    byte >= b' ' && !b"\"*/:<>?\\|\x7F".contains(&byte)
}

/// Whether 32 bytes that are no part of a long name can be an entry.
fn is_plausible(raw: &[u8; 32]) -> bool {
    let both = VOLUME_LABEL | FOLDER;
    let first = matches!(raw[0], STANDS_FOR_E5 | DELETED) || (is_name_byte(raw[0]) && raw[0] != b' ');
    let is_label = raw[ATTRIBUTES] & both == VOLUME_LABEL;
    raw[ATTRIBUTES] & both != both && ((first && raw[1..11].iter().all(|b| is_name_byte(*b))) || is_label)
}

/// "NAME.EXT" with the case that the flags of Windows NT give it.
fn short_name(raw: &[u8; 32], first: u8) -> String {
    let mut bytes = short_bytes(raw);
    bytes[0] = if first == STANDS_FOR_E5 { DELETED } else { first };
    let part = |bytes: &[u8], lower: u8| {
        let text: String = bytes.iter().map(|byte| oem::decode(*byte)).collect();
        let text = text.trim_end_matches(' ');
        if raw[CASE] & lower != 0 { text.to_lowercase() } else { text.to_owned() }
    };
    let base = part(&bytes[..8], LOWER_BASE);
    let extension = part(&bytes[8..], LOWER_EXTENSION);
    if extension.is_empty() { base } else { format!("{base}.{extension}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::{Extent, ExtentSet};

    fn raw(name: &[u8; 11], attributes: u8, case: u8, cluster: u16, size: u32) -> [u8; 32] {
        let mut raw = [0; 32];
        raw[..11].copy_from_slice(name);
        raw[ATTRIBUTES] = attributes;
        raw[CASE] = case;
        raw[CLUSTER_LOW..SIZE].copy_from_slice(&cluster.to_le_bytes());
        raw[SIZE..].copy_from_slice(&size.to_le_bytes());
        raw
    }

    fn content(entries: &[[u8; 32]]) -> Content {
        let bytes = entries.concat();
        let extents = vec![Extent::between(4096, 4096 + bytes.len() as u64)];
        Content { extents, bytes, unreadable: ExtentSet::new() }
    }

    fn names(content: &Content) -> (Vec<(String, bool)>, PassedOver) {
        let mut found = Vec::new();
        let passed = scan(content, false, |item| {
            if let Item::Entry(entry) = item {
                found.push((entry.name, entry.deleted));
            }
        });
        (found, passed)
    }

    #[test]
    fn case_bits_the_e5_stand_in_and_deleted_names() {
        let (found, passed) = names(&content(&[
            raw(b"README  TXT", 0x20, LOWER_BASE | LOWER_EXTENSION, 2, 1),
            raw(b"README  TXT", 0x20, LOWER_EXTENSION, 2, 1),
            raw(b"\x05BC     \x8E  ", 0x20, 0, 2, 1),
            raw(b"\xE5OTE    TXT", 0x20, 0, 2, 1),
            raw(b"NOEXT      ", 0x10, 0, 2, 0),
        ]));
        let expected =
            [("readme.txt", false), ("README.txt", false), ("σBC.Ä", false), ("_OTE.TXT", true), ("NOEXT", false)];
        assert_eq!(found.iter().map(|(n, d)| (n.as_str(), *d)).collect::<Vec<_>>(), expected);
        assert_eq!(passed, PassedOver::default());
    }

    #[test]
    fn garbage_is_passed_over_and_an_unreadable_sector_is_not_the_end() {
        let mut folder = content(&[
            raw(b"BEFORE     ", 0x20, 0, 2, 1),
            [0; 32],
            raw(b"\x01\x02\x03        ", 0x20, 0, 2, 1),
            raw(b"A/B        ", 0x20, 0, 2, 1),
            raw(b"AFTER      ", 0x20, 0, 2, 1),
            [0; 32],
            raw(b"BEHIND     ", 0x20, 0, 2, 1),
        ]);
        folder.unreadable.insert(Extent::between(4096 + 32, 4096 + 64));
        let (found, passed) = names(&folder);
        assert_eq!(found.iter().map(|(n, _)| n.as_str()).collect::<Vec<_>>(), ["BEFORE", "AFTER"]);
        assert_eq!((passed.unreadable, passed.implausible, passed.behind_end), (1, 2, 1));
        assert_eq!(passed.first_implausible, Some(ByteOffset(4096 + 64)));
    }
}
