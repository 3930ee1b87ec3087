//! UTF-16 made into text that is safe in a path.

use std::char::{REPLACEMENT_CHARACTER, decode_utf16};

/// Puts the UTF-16 text `units` (little-endian bytes) into `text`, replacing what was there. Surrogates that are not
/// paired become U+FFFD.
pub fn decode(units: &[u8], text: &mut String) {
    text.clear();
    let units = units.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]]));
    text.extend(decode_utf16(units).map(|c| c.unwrap_or(REPLACEMENT_CHARACTER)));
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
    text.clear();
    text.extend(units.chunks_exact(2).map(|pair| char::from(pair[0])));
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
        let mut out = String::new();
        decode_name(&[b'a', 0, 0x00, 0xD8, b'b', 0], &mut out);
        assert_eq!(out, "a\u{FFFD}b");
    }
}
