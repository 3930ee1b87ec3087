//! Folder entries (6): 32 bytes each, in sets of a primary entry and its secondary ones.
//!
//! Layouts of the entries (7.1 to 7.7) are from memory, their type codes from section 6.2 and the headings of 7.

use crate::base::extent::Extent;
use crate::base::fields::{u16_at, u32_at, u64_at};
use crate::base::units::ByteOffset;
use crate::filesystem::folder_content::Content;
use crate::filesystem::folder_tree::{ContentPlace, FolderEntry, PassedOver};
use crate::filesystem::{Timestamp, utf16};

/// Bytes of an entry.
pub(super) const ENTRY_BYTES: u64 = 32;

/// Entry types (6.2.1). Bit 7: in use; bit 6: secondary; bit 5: benign, to be left alone by who does not know it.
mod kind {
    pub const END: u8 = 0x00;
    pub const BITMAP: u8 = 0x81;
    pub const UP_CASE: u8 = 0x82;
    pub const LABEL: u8 = 0x83;
    pub const FILE: u8 = 0x85;
    pub const STREAM: u8 = 0xC0;
    pub const NAME: u8 = 0xC1;
    pub const IN_USE: u8 = 0x80;
    pub const SECONDARY: u8 = 0x40;
    pub const BENIGN: u8 = 0x20;
}

/// Letters in a name entry (7.7), and in the longest name (7.6.4).
const NAME_UNITS: usize = 15;
const LONGEST_NAME: usize = 255;
/// Folder bit of the file attributes (7.4.4).
const FOLDER: u16 = 0x10;

/// The entry of the bitmap or the up-case table.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Special {
    /// Where it stands.
    pub place: ByteOffset,
    /// Bitmap: whether it goes with the second FAT.
    pub second: bool,
    /// Up-case table: its checksum.
    pub checksum: u32,
    pub first_cluster: u32,
    pub bytes: u64,
}

/// What is found in a folder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Item {
    Entry(FolderEntry),
    Label(String),
    Bitmap(Special),
    UpCase(Special),
}

/// Goes through a folder's entries in order.
pub(super) fn scan(content: &Content, mut each: impl FnMut(Item)) -> PassedOver {
    let folder = Folder::new(content);
    let mut passed = PassedOver::default();
    let mut ended = false;
    let mut at = 0;
    while at < folder.entries.len() {
        let Some(raw) = folder.get(at) else {
            // Its zeros must not be taken for the end of the folder.
            passed.unreadable += 1;
            at += 1;
            continue;
        };
        let place = folder.place(at);
        let is_file = raw[0] | kind::IN_USE == kind::FILE;
        if ended {
            let set = if raw[0] == kind::FILE { folder.set(at) } else { None };
            if set.is_some_and(|(entry, _)| entry.sound) {
                passed.behind_end += 1;
                passed.first_behind_end.get_or_insert(place);
            }
            at += 1;
            continue;
        }
        let mut taken = 1;
        match raw[0] {
            kind::END => ended = true,
            _ if is_file => match folder.set(at) {
                // Of a deleted set some entries may have been given to another file: only a whole one says anything.
                Some((entry, count)) if entry.sound || !entry.deleted => {
                    taken = count;
                    each(Item::Entry(entry));
                }
                _ if raw[0] & kind::IN_USE == 0 => {}
                _ => {
                    passed.implausible += 1;
                    passed.first_implausible.get_or_insert(place);
                }
            },
            kind::LABEL => each(Item::Label(label(raw))),
            kind::BITMAP => each(Item::Bitmap(Special { second: raw[1] & 1 != 0, ..special(raw, place) })),
            kind::UP_CASE => each(Item::UpCase(special(raw, place))),
            other if other & kind::IN_USE == 0 => {}
            other if other & kind::SECONDARY != 0 => {
                passed.strays += 1;
                passed.first_stray.get_or_insert(place);
            }
            other if other & kind::BENIGN != 0 => taken += folder.secondaries(at + 1, raw[1].into()),
            _ => {
                passed.implausible += 1;
                passed.first_implausible.get_or_insert(place);
            }
        }
        at += taken;
    }
    passed
}

/// A folder's bytes as entries.
struct Folder<'c> {
    content: &'c Content,
    entries: &'c [[u8; 32]],
    /// The folder's byte at which each extent starts.
    starts: Vec<u64>,
}

impl<'c> Folder<'c> {
    fn new(content: &'c Content) -> Folder<'c> {
        let mut byte = 0;
        let mut starts = Vec::with_capacity(content.extents.len());
        for extent in &content.extents {
            starts.push(byte);
            byte += extent.bytes;
        }
        Folder { content, entries: content.bytes.as_chunks().0, starts }
    }

    /// Where an entry stands on the drive.
    fn place(&self, at: usize) -> ByteOffset {
        let byte = at as u64 * ENTRY_BYTES;
        let extent = self.starts.partition_point(|start| *start <= byte) - 1;
        ByteOffset(self.content.extents[extent].start.0 + byte - self.starts[extent])
    }

    /// An entry, `None` behind the end and where it cannot be read.
    fn get(&self, at: usize) -> Option<&'c [u8; 32]> {
        let raw = self.entries.get(at)?;
        if self.content.unreadable.is_empty() {
            return Some(raw);
        }
        let place = self.place(at).0;
        (self.content.unreadable.bytes_within(Extent::between(place, place + ENTRY_BYTES)) == 0).then_some(raw)
    }

    /// How many entries from `at` on, at most `most`, are secondary ones in use.
    fn secondaries(&self, at: usize, most: usize) -> usize {
        let secondary = kind::IN_USE | kind::SECONDARY;
        (0..most).take_while(|n| self.get(at + n).is_some_and(|raw| raw[0] & secondary == secondary)).count()
    }

    /// The file set whose primary entry stands at `at`, and how many entries it takes; `None` when there is none.
    ///
    /// Deleting a file clears the "in use" bit of its entries and leaves their checksum (common practice, no source), so
    /// the checksum of a deleted set is taken with these bits set.
    fn set(&self, at: usize) -> Option<(FolderEntry, usize)> {
        let primary = self.get(at)?;
        let in_use = primary[0] & kind::IN_USE;
        let of_set = |raw: &&[u8; 32]| raw[0] & (kind::IN_USE | kind::SECONDARY) == in_use | kind::SECONDARY;
        // Entries up to the first that cannot belong to it; all that follows in `told` was promised.
        let told = usize::from(primary[1]);
        let secondary: Vec<&[u8; 32]> = (1..=told).map_while(|n| self.get(at + n).filter(of_set)).collect();
        let stream = *secondary.first().filter(|raw| raw[0] | kind::IN_USE == kind::STREAM)?;
        let letters = usize::from(stream[3]);
        if letters == 0 {
            return None;
        }
        let is_name = |raw: &&&[u8; 32]| raw[0] | kind::IN_USE == kind::NAME;
        let mut units: Vec<u8> = Vec::with_capacity(letters.min(LONGEST_NAME) * 2);
        let names = secondary[1..].iter().take_while(is_name).take(letters.div_ceil(NAME_UNITS));
        names.for_each(|raw| units.extend_from_slice(&raw[2..]));
        let whole_name = units.len() >= letters * 2;
        units.truncate(letters * 2);
        let whole = secondary.len() == told && whole_name;
        let stored = u16_at(primary, 2);
        let sound = whole && set_checksum(std::iter::once(&primary).chain(&secondary).copied()) == stored;
        let mut name = String::new();
        utf16::decode_name(&units, &mut name);
        let vendors = secondary[1..].iter().filter(|raw| raw[0] | kind::IN_USE != kind::NAME);
        // Secondary entries that own clusters say so in the first of their flags (6.4.2.1).
        let more = vendors.filter(|raw| raw[1] & 1 != 0).map(|raw| {
            let size = u64_at(*raw, 24);
            ContentPlace { first_cluster: u32_at(*raw, 20), size, valid: size, contiguous: raw[1] & 2 != 0 }
        });
        let entry = FolderEntry {
            place: self.place(at),
            name,
            is_folder: u16_at(primary, 4) & FOLDER != 0,
            deleted: in_use == 0,
            modified: Timestamp::from_exfat(u32_at(primary, 12), primary[21], primary[23]),
            content: ContentPlace {
                first_cluster: u32_at(stream, 20),
                size: u64_at(stream, 24),
                valid: u64_at(stream, 8),
                contiguous: stream[1] & 2 != 0,
            },
            more: more.collect(),
            sound,
        };
        Some((entry, 1 + secondary.len()))
    }
}

/// The checksum over a set's entries (6.3.3, figure 2), which leaves out the two bytes that hold it.
fn set_checksum<'r>(entries: impl Iterator<Item = &'r [u8; 32]>) -> u16 {
    let mut sum = 0u16;
    for (n, raw) in entries.enumerate() {
        for (at, byte) in raw.iter().enumerate() {
            if n == 0 && (at == 2 || at == 3) {
                continue;
            }
            let byte = if at == 0 { byte | kind::IN_USE } else { *byte };
            sum = sum.rotate_right(1).wrapping_add(byte.into());
        }
    }
    sum
}

fn special(raw: &[u8; 32], place: ByteOffset) -> Special {
    let checksum = u32_at(raw, 4);
    Special { place, second: false, checksum, first_cluster: u32_at(raw, 20), bytes: u64_at(raw, 24) }
}

/// At most eleven letters (7.3.2).
fn label(raw: &[u8; 32]) -> String {
    let mut text = String::new();
    utf16::decode(&raw[2..2 + 2 * usize::from(raw[1].min(11))], &mut text);
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::ExtentSet;

    /// A set as drivers write it, with the checksum worked out by the test's own form of figure 2.
    fn set(name: &str, first_cluster: u32, size: u64) -> Vec<[u8; 32]> {
        let units: Vec<u16> = name.encode_utf16().collect();
        let mut entries = vec![[0u8; 32]; 2 + units.len().div_ceil(15)];
        entries[0][0] = 0x85;
        entries[0][1] = u8::try_from(entries.len() - 1).unwrap();
        entries[1][0] = 0xC0;
        entries[1][1] = 3;
        entries[1][3] = u8::try_from(units.len()).unwrap();
        entries[1][8..16].copy_from_slice(&size.to_le_bytes());
        entries[1][20..24].copy_from_slice(&first_cluster.to_le_bytes());
        entries[1][24..].copy_from_slice(&size.to_le_bytes());
        for (n, part) in units.chunks(15).enumerate() {
            entries[2 + n][0] = 0xC1;
            for (at, unit) in part.iter().enumerate() {
                entries[2 + n][2 + at * 2..][..2].copy_from_slice(&unit.to_le_bytes());
            }
        }
        let mut sum = 0u32;
        for (_, byte) in entries.concat().iter().enumerate().filter(|(at, _)| *at != 2 && *at != 3) {
            sum = ((if sum & 1 == 1 { 0x8000 } else { 0 }) + (sum >> 1) + u32::from(*byte)) & 0xFFFF;
        }
        entries[0][2..4].copy_from_slice(&u16::try_from(sum).unwrap().to_le_bytes());
        entries
    }

    fn content(entries: &[[u8; 32]]) -> Content {
        let bytes = entries.concat();
        // In two extents far apart, as a folder may be.
        let half = 64.min(bytes.len() as u64);
        let rest = bytes.len() as u64 - half;
        let extents = vec![Extent::between(4096, 4096 + half), Extent::between(65536, 65536 + rest)];
        Content { extents, bytes, unreadable: ExtentSet::new() }
    }

    fn entries(content: &Content) -> (Vec<FolderEntry>, PassedOver) {
        let mut found = Vec::new();
        let passed = scan(content, |item| {
            if let Item::Entry(entry) = item {
                found.push(entry);
            }
        });
        (found, passed)
    }

    /// Worked by the algorithm of 6.3.3, figure 2, in an independent implementation: 85 02 00 00 20, C0 01 00 01,
    /// C1 00 'a', the rest zero.
    #[test]
    fn worked_checksum() {
        let mut raw = [[0u8; 32]; 3];
        raw[0][..5].copy_from_slice(&[0x85, 2, 0, 0, 0x20]);
        raw[1][..4].copy_from_slice(&[0xC0, 1, 0, 1]);
        raw[2][..3].copy_from_slice(&[0xC1, 0, b'a']);
        assert_eq!(set_checksum(raw.iter()), 0x0E66);
        raw[0][2..4].copy_from_slice(&[0x66, 0x0E]);
        assert_eq!(set_checksum(raw.iter()), 0x0E66, "the field itself does not count");
        let (found, passed) = entries(&content(&raw));
        assert_eq!((found[0].name.as_str(), found[0].sound, found[0].content.contiguous), ("a", true, false));
        assert_eq!(passed, PassedOver::default());
    }

    #[test]
    fn sets_live_deleted_damaged_and_what_is_none() {
        let mut deleted = set("withdrawn.txt", 9, 100);
        deleted.iter_mut().for_each(|raw| raw[0] &= 0x7F);
        let mut half_gone = deleted.clone();
        half_gone[2] = [0xC1; 32];
        let mut wrong_sum = set("wrong sum", 7, 5);
        wrong_sum[1][24] = 6;
        let mut benign = [0; 32];
        benign[..2].copy_from_slice(&[0xA1, 1]);
        let list = [
            set("a name of more than fifteen letters.txt", 5, 8192),
            deleted,
            half_gone,
            wrong_sum,
            vec![benign, [0xE0; 32]],
            vec![[0x84; 32]],
            set("last", 11, 1),
            vec![[0; 32]],
            set("behind", 12, 1),
        ];
        let (found, passed) = entries(&content(&list.concat()));
        let told: Vec<_> = found.iter().map(|e| (e.name.as_str(), e.deleted, e.sound)).collect();
        let expected = [
            ("a name of more than fifteen letters.txt", false, true),
            ("withdrawn.txt", true, true),
            ("wrong sum", false, false),
            ("last", false, true),
        ];
        assert_eq!(told, expected);
        assert_eq!(found[1].content, ContentPlace { first_cluster: 9, size: 100, valid: 100, contiguous: true });
        assert_eq!(found[1].place, ByteOffset(65536 + 3 * 32), "five entries, two of them in the first extent");
        // What is left of the overwritten set is its new name entry; 84 is no known primary entry.
        assert_eq!((passed.strays, passed.implausible, passed.behind_end), (1, 1, 1));
    }

    #[test]
    fn an_unreadable_sector_costs_what_stood_in_it() {
        let list = [set("before", 5, 1), set("a name of more than fifteen letters", 6, 1), set("after", 7, 1)].concat();
        let mut folder = content(&list);
        // The last two entries of the second set: part of its name is gone, its place is not.
        let lost = 65536 + (3 + 3 - 2) * 32;
        folder.unreadable.insert(Extent::between(lost, lost + 64));
        let (found, passed) = entries(&folder);
        let told: Vec<_> = found.iter().map(|e| (e.name.as_str(), e.content.first_cluster, e.sound)).collect();
        assert_eq!(told, [("before", 5, true), ("a name of more ", 6, false), ("after", 7, true)]);
        assert_eq!(passed.unreadable, 2);
    }

    #[test]
    fn clusters_of_vendor_entries_belong_to_the_file() {
        let mut list = set("x", 5, 1);
        let mut vendor = [0; 32];
        vendor[..2].copy_from_slice(&[0xE1, 3]);
        vendor[20..24].copy_from_slice(&40u32.to_le_bytes());
        vendor[24..].copy_from_slice(&9000u64.to_le_bytes());
        list.push(vendor);
        list[0][1] = 3;
        let (found, _) = entries(&content(&list));
        assert_eq!(found[0].more, [ContentPlace { first_cluster: 40, size: 9000, valid: 9000, contiguous: true }]);
    }
}
