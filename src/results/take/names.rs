//! Names that are safe wherever the taken files end up: on this system, and on the Windows machine they came from.
//!
//! Sources: POSIX (a name holds neither `/` nor NUL); Linux include/uapi/linux/limits.h (`NAME_MAX`, 255 bytes);
//! Microsoft, "Naming Files, Paths, and Namespaces" (reserved characters, device names, ends; from memory).

use crate::base::text::is_plain;
use std::collections::HashMap;
use std::collections::hash_map::Entry;

/// Longest name, in bytes of UTF-8.
const LONGEST: usize = 255;

/// Room that is kept for what is added to a name: a mark of its state, a number, `.missing.json`.
const ROOM: usize = 40;

/// What stands for a character that cannot be in a name.
const STAND_IN: char = '_';

/// The part of a path that a name from the drive becomes: never empty, never `.` or `..`, never with a separator.
pub(super) fn safe(name: &str) -> String {
    let mut safe = String::with_capacity(name.len());
    let mut rest = name.chars().peekable();
    while let Some(c) = rest.next() {
        let stays = is_safe(c) || joins(safe.chars().next_back(), c, rest.peek().copied());
        safe.push(if stays { c } else { STAND_IN });
    }
    // Windows cuts these off without a word, and two names become one.
    if safe.ends_with(['.', ' ']) {
        safe.pop();
        safe.push(STAND_IN);
    }
    if safe.is_empty() {
        safe.push(STAND_IN);
    }
    if is_device(&safe) {
        safe.insert(safe.find('.').unwrap_or(safe.len()), STAND_IN);
    }
    shortened(&safe, LONGEST - ROOM)
}

fn is_safe(c: char) -> bool {
    is_plain(c) && !matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|')
}

/// Whether a character that shows nothing itself makes its neighbours show as they are meant: a joiner or non-joiner between
/// letters of scripts that need it, a variation selector behind a sign. Source: Unicode Standard, 23.2 and 23.4 (from memory).
fn joins(before: Option<char>, c: char, after: Option<char>) -> bool {
    let other_script = |c: Option<char>| c.is_some_and(|c| !c.is_ascii() && is_plain(c));
    match c {
        '\u{200C}' | '\u{200D}' => (other_script(before) || before == Some('\u{FE0F}')) && other_script(after),
        '\u{FE00}'..='\u{FE0F}' => other_script(before),
        _ => false,
    }
}

/// Whether Windows takes the name for a device, which it does with any extension.
fn is_device(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or(name).trim_end_matches(' ').to_ascii_uppercase();
    let numbered = |prefix: &str| {
        let rest = stem.strip_prefix(prefix).map(|rest| rest.chars().collect::<Vec<_>>());
        matches!(rest.as_deref(), Some(['1'..='9' | '¹' | '²' | '³']))
    };
    matches!(stem.as_str(), "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$") || numbered("COM") || numbered("LPT")
}

/// Stem and extension, the extension with its dot. A name that starts with its only dot has no extension, and what is
/// longer than 16 bytes or holds a space is no extension.
fn split(name: &str) -> (&str, &str) {
    match name.rfind('.') {
        Some(at) if at > 0 && name.len() - at <= 16 && !name[at..].contains(' ') => name.split_at(at),
        _ => (name, ""),
    }
}

/// With `mark` before the extension: `letter.odt` becomes `letter.damaged.odt`.
pub(super) fn marked(name: &str, mark: &str) -> String {
    let (stem, extension) = split(name);
    format!("{stem}{mark}{extension}")
}

/// Cut to `most` bytes, with the extension kept.
fn shortened(name: &str, most: usize) -> String {
    if name.len() <= most {
        return name.to_owned();
    }
    let (stem, extension) = split(name);
    let mut end = most - extension.len();
    while !stem.is_char_boundary(end) {
        end -= 1;
    }
    format!("{}{extension}", stem[..end].trim_end_matches(['.', ' ']))
}

/// The names given so far, in all folders. Two that differ only by case count as the same.
#[derive(Default)]
pub(super) struct Given {
    /// By folder and name, both in one hash (a name of its own would take more room than the rest of a take): the
    /// number that the next like it starts with.
    next: HashMap<[u8; 16], u64>,
}

impl Given {
    /// `name`, or with a number the first like it that is still free in `folder`.
    pub(super) fn unique(&mut self, folder: u32, name: &str) -> String {
        let first = key(folder, name);
        let Some(mut number) = self.next.get(&first).copied() else {
            self.next.insert(first, 2);
            return name.to_owned();
        };
        loop {
            let candidate = marked(name, &format!(" ({number})"));
            number += 1;
            if let Entry::Vacant(free) = self.next.entry(key(folder, &candidate)) {
                free.insert(2);
                self.next.insert(first, number);
                return candidate;
            }
        }
    }
}

fn key(folder: u32, name: &str) -> [u8; 16] {
    // Both ways: some letters meet only in upper case, some only in lower case.
    let folded = name.to_uppercase().to_lowercase();
    let mut hash = blake3::Hasher::new();
    hash.update(&folder.to_le_bytes()).update(folded.as_bytes());
    *hash.finalize().as_bytes().first_chunk().expect("a hash has 32 bytes")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn hostile_names_become_one_harmless_part() {
        for (name, expected) in [
            ("..", "._"),
            (".", "_"),
            ("", "_"),
            ("../../etc/passwd", ".._.._etc_passwd"),
            ("a\\..\\b", "a_.._b"),
            ("nul\0in it", "nul_in it"),
            ("line\nbreak\u{7f}\u{85}", "line_break__"),
            ("C:stream", "C_stream"),
            ("con", "con_"),
            ("Con.txt", "Con_.txt"),
            ("aux .tar.gz", "aux _.tar.gz"),
            ("lpt1", "lpt1_"),
            ("COM10", "COM10"),
            ("COM²", "COM²_"),
            ("console.log", "console.log"),
            ("ends in a dot.", "ends in a dot_"),
            ("ends in a space ", "ends in a space_"),
            (".hidden", ".hidden"),
            ("Été à la prairie.txt", "Été à la prairie.txt"),
            ("txt.\u{202E}exe", "txt._exe"),
            ("a\u{200B}b\u{2028}c\u{9b}d\u{FEFF}", "a_b_c_d_"),
            // Persian "I want", with its non-joiner; a heart and a family as emoji. Between others they are of no use.
            ("می\u{200C}خواهم.txt", "می\u{200C}خواهم.txt"),
            ("❤\u{FE0F} 👩\u{200D}👧.txt", "❤\u{FE0F} 👩\u{200D}👧.txt"),
            ("👁\u{FE0F}\u{200D}🗨\u{FE0F}", "👁\u{FE0F}\u{200D}🗨\u{FE0F}"),
            ("pay\u{200D}roll\u{FE0F}\u{200C}", "pay_roll__"),
        ] {
            assert_eq!(safe(name), expected, "{name:?}");
        }
    }

    #[test]
    fn long_names_keep_their_extension() {
        let long = safe(&format!("{}.jpeg", "植".repeat(250)));
        assert!(long.ends_with("植.jpeg") && long.len() <= LONGEST - ROOM && long.len() > LONGEST - ROOM - 4, "{long}");
        assert_eq!(marked("letter.odt", ".damaged"), "letter.damaged.odt");
        assert_eq!(marked(".hidden", ".damaged"), ".hidden.damaged");
    }

    #[test]
    fn names_that_differ_by_case_get_numbers() {
        let mut given = Given::default();
        let names: Vec<_> = ["Plan.txt", "plan.txt", "PLAN.TXT", "plan (2).txt", "straße", "STRASSE"]
            .iter()
            .map(|name| given.unique(7, name))
            .collect();
        assert_eq!(names, ["Plan.txt", "plan (2).txt", "PLAN (3).TXT", "plan (2) (2).txt", "straße", "STRASSE (2)"]);
        assert_eq!(given.unique(8, "plan.txt"), "plan.txt");
    }

    proptest! {
        #[test]
        fn any_name_is_one_part(name in "\\PC*|[./\\\\ \u{0}-\u{20}]{0,9}|(con|nul|com1)[. ]*[a-z]{0,3}") {
            let safe = safe(&name);
            let parts: Vec<_> = std::path::Path::new(&safe).components().collect();
            prop_assert_eq!(parts.len(), 1);
            prop_assert!(matches!(parts[0], std::path::Component::Normal(_)), "{:?} of {:?}", safe, name);
            prop_assert!(safe.len() <= LONGEST - ROOM && !safe.contains('\0'));
            prop_assert!(!is_device(&safe) && !safe.ends_with(['.', ' ']), "{:?} of {:?}", safe, name);
        }
    }
}
