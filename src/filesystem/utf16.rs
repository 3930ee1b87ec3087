//! UTF-16 made into text that is safe in a path.

use crate::base::text::{is_lone_surrogate, lone_surrogate};
use std::char::{REPLACEMENT_CHARACTER, decode_utf16};

/// Puts the UTF-16 text `units` (little-endian bytes) into `text`, replacing what was there.
pub fn decode(units: &[u8], text: &mut String) {
    text.clear();
    decode_units(units.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])), text);
}

/// Adds UTF-16 text without loss: a surrogate that is not paired becomes the character that stands for it, and so do the two
/// halves of a pair that means such a character itself, so that no two names come to the same text.
pub fn decode_units(units: impl Iterator<Item = u16>, text: &mut String) {
    let alone = |unit| lone_surrogate(unit).unwrap_or(REPLACEMENT_CHARACTER);
    for decoded in decode_utf16(units) {
        match decoded {
            Ok(c) if is_lone_surrogate(c) => text.extend(c.encode_utf16(&mut [0; 2]).iter().map(|unit| alone(*unit))),
            Ok(c) => text.push(c),
            Err(half) => text.push(alone(half.unpaired_surrogate())),
        }
    }
}

/// As [`decode`], for a name that becomes part of a path: `/` and NUL, which no driver writes but a damaged or
/// hostile record may hold, become U+FFFD too, as do an empty name and the names `.` and `..`.
pub fn decode_name(units: &[u8], text: &mut String) {
    if decode_ascii(units, text) {
        return;
    }
    decode(units, text);
    if text.contains(['/', '\0']) {
        *text = text.replace(['/', '\0'], "\u{FFFD}");
    }
    match text.as_str() {
        "" | "." => *text = "\u{FFFD}".to_owned(),
        ".." => *text = "\u{FFFD}\u{FFFD}".to_owned(),
        _ => {}
    }
}

/// The common case, a harmless ASCII name, without the general decoder; whether it was one.
fn decode_ascii(units: &[u8], text: &mut String) -> bool {
    let harmless = |pair: &[u8]| pair[1] == 0 && pair[0] < 0x80 && pair[0] != 0 && pair[0] != b'/';
    // Short names may be `.` or `..`.
    if units.len() <= 4 || !units.chunks_exact(2).all(harmless) {
        return false;
    }
    // The longest name of any file system here has 255 units.
    let mut ascii = [0; 255];
    let Some(ascii) = ascii.get_mut(..units.len() / 2) else { return false };
    ascii.iter_mut().zip(units.chunks_exact(2)).for_each(|(byte, pair)| *byte = pair[0]);
    let Ok(name) = std::str::from_utf8(ascii) else { return false };
    text.clear();
    text.push_str(name);
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(text: &str) -> String {
        let units: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let mut out = "old".to_owned();
        decode_name(&units, &mut out);
        out
    }

    #[test]
    fn names_become_safe_text() {
        for good in ["a", "plan.txt", "Été à la prairie", "🌿 fern", "植物", "...", ".hidden", "a..b"] {
            assert_eq!(named(good), good);
        }
        assert_eq!(named("a/../b"), "a\u{FFFD}..\u{FFFD}b");
        assert_eq!(named("nul\0"), "nul\u{FFFD}");
        assert_eq!(named(""), "\u{FFFD}");
        assert_eq!(named("."), "\u{FFFD}");
        assert_eq!(named(".."), "\u{FFFD}\u{FFFD}");
    }

    /// [MS-FSCC] 2.1.5: a name is any sequence of 16-bit units (from memory), so that halves of pairs are names of their own.
    #[test]
    fn halves_of_pairs_stay_apart() {
        let of = |units: &[u16]| {
            let mut out = String::new();
            decode_units(units.iter().copied(), &mut out);
            out
        };
        assert_eq!(of(&[97, 0xD800, 98]), "a\u{10D800}b");
        assert_eq!(of(&[0xDC00, 0xD83D]), "\u{10DC00}\u{10D83D}");
        assert_eq!(of(&[0xD83D, 0xDE00]), "\u{1F600}");
        // U+10D812, in whose block halves are kept.
        assert_eq!(of(&[0xDBF6, 0xDC12]), "\u{10DBF6}\u{10DC12}");
    }
}
