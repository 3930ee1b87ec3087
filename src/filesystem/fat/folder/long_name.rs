//! Long names: up to 20 entries of 13 UTF-16 units that stand before a short entry, last part first.
//!
//! Source: "FAT: General Overview of On-Disk Format", Microsoft, 1.03, "FAT Long Directory Entries" (from memory).

use crate::base::fields::u16_at;
use crate::filesystem::utf16::decode_units;

/// UTF-16 units in one part.
const UNITS: usize = 13;
/// A name has at most 255 units, so at most this many parts.
const MOST_PARTS: u8 = 20;
/// Marks the part that stands first on disk and is the last of the name.
const LAST: u8 = 0x40;

/// A part as it stands in a folder.
#[derive(Clone, Copy)]
pub struct Part {
    /// Number from 1, with `LAST`; lost (E5) when deleted.
    order: u8,
    checksum: u8,
    units: [u16; UNITS],
}

impl Part {
    /// The part in a 32-byte entry whose attributes say that it is one.
    pub fn parse(entry: &[u8; 32]) -> Part {
        let mut units = [0; UNITS];
        let places = (1..11).step_by(2).chain((14..26).step_by(2)).chain((28..32).step_by(2));
        for (unit, at) in units.iter_mut().zip(places) {
            *unit = u16_at(entry, at);
        }
        Part { order: entry[0], checksum: entry[13], units }
    }

    /// Whether the name ends in this part (it then has an end mark, 0, unless it fills the part).
    fn ends(&self) -> bool {
        self.units.contains(&0)
    }
}

/// The checksum of an 8.3 name that every part of its long name carries.
pub(super) fn checksum(short: &[u8; 11]) -> u8 {
    short.iter().fold(0, |sum: u8, byte| sum.rotate_right(1).wrapping_add(*byte))
}

/// The first byte that gives a short name this checksum: for deleted entries, whose first byte is overwritten. There
/// is exactly one, because each step of the sum can be undone.
pub(super) fn first_byte_for(short: &[u8; 11], checksum: u8) -> u8 {
    short[1..].iter().rev().fold(checksum, |sum, byte| sum.wrapping_sub(*byte).rotate_left(1))
}

/// Gathers parts until the short entry comes.
#[derive(Default)]
pub(super) struct Gathering {
    live: Vec<Part>,
    deleted: Vec<Part>,
    /// Parts that turned out to belong to nothing.
    pub orphans: u64,
}

impl Gathering {
    /// The next entry is a part that is in use.
    pub fn live_part(&mut self, part: Part) {
        self.deleted.clear();
        let number = part.order & !LAST;
        if part.order & LAST != 0 && (1..=MOST_PARTS).contains(&number) {
            self.orphan_live();
            self.live.push(part);
            return;
        }
        let follows = self.live.last().is_some_and(|before| {
            let expected = (before.order & !LAST) - 1;
            number == expected && number >= 1 && part.checksum == before.checksum
        });
        if follows {
            self.live.push(part);
        } else {
            self.orphan_live();
            self.orphans += 1;
        }
    }

    /// The next entry is a part that was deleted.
    pub fn deleted_part(&mut self, part: Part) {
        self.orphan_live();
        if self.deleted.len() >= usize::from(MOST_PARTS) {
            self.deleted.remove(0);
        }
        self.deleted.push(part);
    }

    /// The next entry is a short one in use: its long name, if the parts are all there and fit it.
    pub fn take_live(&mut self, short: &[u8; 11]) -> Option<String> {
        self.deleted.clear();
        let complete = self.live.last().is_some_and(|part| part.order & !LAST == 1 && part.checksum == checksum(short));
        let name = if complete { join(self.live.iter().rev()) } else { None };
        if name.is_none() {
            self.orphan_live();
        }
        self.live.clear();
        name
    }

    /// The next entry is a deleted short one: its long name and the first byte of its short name, if the parts before
    /// it fit together and with it. `is_name_byte` says whether a byte can stand first in a short name.
    pub fn take_deleted(&mut self, short: &[u8; 11], is_name_byte: impl Fn(u8) -> bool) -> Option<(String, u8)> {
        self.orphan_live();
        let parts = std::mem::take(&mut self.deleted);
        let sum = parts.last()?.checksum;
        let mut own = 0;
        for part in parts.iter().rev().take_while(|part| part.checksum == sum) {
            own += 1;
            if part.ends() {
                break;
            }
        }
        let first = first_byte_for(short, sum);
        if !is_name_byte(first) {
            return None;
        }
        join(parts.iter().rev().take(own)).map(|name| (name, first))
    }

    /// Something else than a name came, or the folder ended.
    pub fn interrupt(&mut self) {
        self.orphan_live();
        self.deleted.clear();
    }

    fn orphan_live(&mut self) {
        self.orphans += self.live.len() as u64;
        self.live.clear();
    }
}

/// The name in parts given first to last, or `None` when it cannot be a name.
fn join<'p>(parts: impl Iterator<Item = &'p Part>) -> Option<String> {
    let units: Vec<u16> = parts.flat_map(|part| part.units).take_while(|unit| *unit != 0).collect();
    if units.is_empty() || units.len() > 255 {
        return None;
    }
    let mut name = String::new();
    decode_units(units.into_iter(), &mut name);
    // A name with a separator in it, or one that means "here" or "above", must not be taken for a path.
    let name = name.replace(['/', '\\'], "\u{FFFD}");
    (name != "." && name != "..").then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The name in parts, as they stand on disk.
    fn parts(name: &str, short: &[u8; 11]) -> Vec<Part> {
        let mut units: Vec<u16> = name.encode_utf16().collect();
        if !units.len().is_multiple_of(UNITS) {
            units.push(0);
            while !units.len().is_multiple_of(UNITS) {
                units.push(0xFFFF);
            }
        }
        let count = units.len() / UNITS;
        let part = |at: usize| {
            let order = u8::try_from(at + 1).unwrap() | if at + 1 == count { LAST } else { 0 };
            Part { order, checksum: checksum(short), units: units[at * UNITS..(at + 1) * UNITS].try_into().unwrap() }
        };
        (0..count).rev().map(part).collect()
    }

    #[test]
    fn parts_are_joined_only_when_all_fit() {
        let short = b"KRAUTE~1TXT";
        let name = "Kräuterliste 🌿 vom Nordhang.txt";
        let stored = parts(name, short);
        assert_eq!(stored.len(), 3);
        let mut all = Gathering::default();
        stored.iter().for_each(|p| all.live_part(*p));
        assert_eq!(all.take_live(short).as_deref(), Some(name));
        assert_eq!(all.orphans, 0);
        // One part missing, out of order, or for another short name: no long name, and the parts are counted.
        for (used, short, orphans) in [
            (vec![0, 2], short, 2),
            (vec![1, 0, 2], short, 3),
            (vec![0, 1, 2], b"ANDERE~1TXT", 3),
            (vec![0, 1], short, 2),
        ] {
            let mut some = Gathering::default();
            used.iter().for_each(|n| some.live_part(stored[*n]));
            assert_eq!(some.take_live(short), None);
            assert_eq!(some.orphans, orphans);
        }
    }

    #[test]
    fn a_deleted_name_is_put_together_and_gives_back_the_first_byte() {
        let short = b"KRAUTE~1TXT";
        let mut lost = *short;
        lost[0] = 0xE5;
        let mut all = Gathering::default();
        for other in parts("another deleted file", b"ANOTHE~1   ") {
            all.deleted_part(Part { order: 0xE5, ..other });
        }
        for part in parts("Kräuterliste.txt", short) {
            all.deleted_part(Part { order: 0xE5, ..part });
        }
        assert_eq!(all.take_deleted(&lost, |b| b.is_ascii_uppercase()), Some(("Kräuterliste.txt".to_owned(), b'K')));
    }

    proptest! {
        /// Against the sum itself: whatever the first byte was, it comes back.
        #[test]
        fn the_first_byte_comes_back(short in any::<[u8; 11]>()) {
            prop_assert_eq!(first_byte_for(&short, checksum(&short)), short[0]);
        }
    }
}
