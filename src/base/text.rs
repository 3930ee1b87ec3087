//! Text from drives, people and the system, made neutral for the terminal, the program or the spreadsheet that opens it.
//!
//! A name on a drive may hold anything. Characters that control a terminal, show nothing or turn the direction of writing are
//! replaced by an escape that shows them. Nothing is lost: in JSON it is JSON's own escape, in CSV one that can be undone.

use serde::{Serialize, Serializer};
use std::borrow::Cow;
use std::ffi::OsStr;
use std::fmt::Write;
use std::path::Path;

/// Where the halves of UTF-16 pairs are kept that stand alone in a name: the half's own number above this one, in a plane for
/// private use. A name that holds such a character itself comes as its two halves (`filesystem::utf16`), so nothing is lost and nothing
/// meets. JSON has them so too: many readers refuse `\uD800` alone (RFC 8259, 8.2; RFC 7493, 2.1).
const LONE_SURROGATES: u32 = 0x10_0000;

/// The character that stands for half of a UTF-16 pair without its other half (U+D800 to U+DFFF), which Rust's text cannot
/// hold. `None` for any other number.
pub fn lone_surrogate(unit: u16) -> Option<char> {
    matches!(unit, 0xD800..=0xDFFF).then(|| char::from_u32(LONE_SURROGATES + u32::from(unit))).flatten()
}

/// The half that a character stands for.
fn surrogate_of(c: char) -> Option<u32> {
    (u32::from(c)).checked_sub(LONE_SURROGATES).filter(|unit| matches!(unit, 0xD800..=0xDFFF))
}

/// Whether a character stands for half of a UTF-16 pair.
pub fn is_lone_surrogate(c: char) -> bool {
    surrogate_of(c).is_some()
}

/// As other readers of UTF-16 show it: half of a pair becomes U+FFFD.
pub fn without_lone_surrogates(text: &str) -> String {
    text.replace(is_lone_surrogate, "\u{FFFD}")
}

/// Whether a character shows as itself and does nothing else: no control, no format character that is not seen, no end of a line
/// or paragraph, nothing that turns the direction of writing, no half of a pair, no noncharacter.
///
/// Source: Unicode Character Database: general categories Cc, Cf, Zl, Zp; properties Bidi_Control and
/// Default_Ignorable_Code_Point (from memory; a test compares the categories with another program's).
pub fn is_plain(c: char) -> bool {
    if c.is_ascii() {
        return !c.is_ascii_control();
    }
    let format = matches!(u32::from(c),
        0xAD | 0x34F | 0x61C | 0x115F..=0x1160 | 0x17B4..=0x17B5 | 0x180B..=0x180F | 0x200B..=0x200F | 0x2028..=0x202E
        | 0x2060..=0x206F | 0x3164 | 0xFE00..=0xFE0F | 0xFEFF | 0xFFA0 | 0xFFF0..=0xFFFB | 0x1_3430..=0x1_343F
        | 0x1_BCA0..=0x1_BCA3 | 0x1_D173..=0x1_D17A | 0xE_0000..=0xE_0FFF);
    let noncharacter = u32::from(c) & 0xFFFE == 0xFFFE || matches!(u32::from(c), 0xFDD0..=0xFDEF);
    !(c.is_control() || format || noncharacter || is_lone_surrogate(c))
}

/// As one line for people: what is not plain is shown as `\u{..}`.
pub fn shown(text: &str) -> Cow<'_, str> {
    if text.chars().all(is_plain) {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len() + 16);
    text.chars().for_each(|c| if is_plain(c) { safe.push(c) } else { escape(c, &mut safe) });
    Cow::Owned(safe)
}

/// As [`shown`], for text of several lines.
pub fn shown_lines(text: &str) -> Cow<'_, str> {
    if text.chars().all(|c| is_plain(c) || c == '\n') {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.split('\n').map(shown).collect::<Vec<_>>().join("\n"))
}

fn escape(c: char, out: &mut String) {
    let number = surrogate_of(c).unwrap_or(u32::from(c));
    write!(out, "\\u{{{number:x}}}").expect("writing to memory");
}

/// A text field of a CSV file: in quotes, quotes in it doubled (RFC 4180), on one line, and no formula for a spreadsheet.
///
/// What is not plain is written as `\u{..}`, and `\` as `\\`. Where a spreadsheet would see the start of a formula (`=`, `+`, `-`, `@`
/// or their full-width forms, at the field's start or behind `;`, which some take for the separator), an apostrophe is put before
/// it, and before an apostrophe there too. To undo: take away one apostrophe at the start and behind each `;`, then the escapes.
pub fn csv_field(text: &str) -> String {
    let mut field = String::with_capacity(text.len() + 2);
    field.push('"');
    let mut at_start = true;
    for c in text.chars() {
        if at_start && matches!(c, '=' | '+' | '-' | '@' | '\'' | '＝' | '＋' | '－' | '＠') {
            field.push('\'');
        }
        match c {
            '"' => field.push_str("\"\""),
            '\\' => field.push_str("\\\\"),
            c if is_plain(c) => field.push(c),
            c => escape(c, &mut field),
        }
        at_start = c == ';';
    }
    field.push('"');
    field
}

/// A value as JSON on one line; in its strings, what is not plain stands as `\uXXXX` (RFC 8259, 7).
///
/// # Errors
/// As `serde_json`: a value that JSON cannot hold.
pub fn json(value: &impl Serialize) -> serde_json::Result<String> {
    serde_json::to_string(value).map(plain_json)
}

/// As [`json`], laid out for people.
///
/// # Errors
/// As [`json`].
pub fn json_pretty(value: &impl Serialize) -> serde_json::Result<String> {
    serde_json::to_string_pretty(value).map(plain_json)
}

/// Line breaks between values are the only characters outside strings that are not plain; in strings they are escaped already.
fn plain_json(text: String) -> String {
    // Nearly all is ASCII, in which JSON leaves only DEL as it is.
    let is_plain_ascii = text.is_ascii() && !text.as_bytes().contains(&0x7F);
    if is_plain_ascii || text.chars().all(|c| is_plain(c) || c == '\n') {
        return text;
    }
    let mut plain = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if is_plain(c) || c == '\n' {
            plain.push(c);
            continue;
        }
        let mut units = [0; 2];
        for unit in c.encode_utf16(&mut units) {
            write!(plain, "\\u{unit:04x}").expect("writing to memory");
        }
    }
    plain
}

/// What the system holds as bytes, as text. What is not UTF-8 is marked, with all its bytes in hexadecimal.
pub fn of_os(text: &OsStr) -> String {
    match text.to_str() {
        Some(text) => text.to_owned(),
        None => format!("{} (not UTF-8: {})", text.to_string_lossy(), hex::encode(text.as_encoded_bytes())),
    }
}

/// Serialises a path as [`of_os`] has it: JSON cannot hold any other.
///
/// # Errors
/// What the serializer says.
pub fn serialize_path<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&of_os(path.as_os_str()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::process::Command;

    /// Every character of the categories that are no signs, by Python's `unicodedata` (Unicode Character Database). Of Cf some
    /// are seen: signs of Arabic, Syriac and Kaithi numbers and verses (Unicode 15, chapters 9 and 15; from memory).
    #[test]
    fn no_character_of_control_or_format_is_plain() {
        let script = "import unicodedata as u\nfor n in range(0x110000):\n c=u.category(chr(n))\n if c in ('Cc','Cf','Zl','Zp'): print(n)";
        let python = Command::new("python3").args(["-c", script]).output().expect("python3; scripts/setup installs it");
        let numbers = String::from_utf8(python.stdout).unwrap();
        let seen = |n: u32| matches!(n, 0x600..=0x605 | 0x6DD | 0x70F | 0x890 | 0x891 | 0x8E2 | 0x1_10BD | 0x1_10CD);
        let mut count = 0;
        for number in numbers.lines().map(|line| line.parse::<u32>().unwrap()) {
            count += 1;
            assert_eq!(is_plain(char::from_u32(number).unwrap()), seen(number), "U+{number:04X}");
        }
        assert!(count > 200, "only {count} characters compared");
        for name in ["plan.txt", "Été à la prairie", "植物 🌿", "a b", "\\u{1b}", "שלום", "مرحبا"] {
            assert!(name.chars().all(is_plain) && matches!(shown(name), Cow::Borrowed(_)), "{name}");
        }
    }

    #[test]
    fn what_is_not_plain_is_shown() {
        let hostile = "a\u{1b}[31mb\n\u{9b}2J\u{7f}\u{202E}txt\u{200B}\u{2028}\u{FFFF}";
        assert_eq!(shown(hostile), "a\\u{1b}[31mb\\u{a}\\u{9b}2J\\u{7f}\\u{202e}txt\\u{200b}\\u{2028}\\u{ffff}");
        assert_eq!(shown(&String::from_iter(lone_surrogate(0xD83D))), "\\u{d83d}");
        assert_eq!(shown_lines("a\n\u{7f}\n"), "a\n\\u{7f}\n");
        assert!(lone_surrogate(0xD7FF).is_none() && lone_surrogate(0xE000).is_none());
    }

    /// Undoes [`csv_field`] by what its documentation says.
    fn from_csv(field: &str) -> String {
        let inner = field.strip_prefix('"').unwrap().strip_suffix('"').unwrap().replace("\"\"", "\"");
        let parts: Vec<&str> = inner.split(';').map(|part| part.strip_prefix('\'').unwrap_or(part)).collect();
        let text = parts.join(";");
        let mut plain = String::new();
        let mut rest = text.as_str();
        while let Some(at) = rest.find('\\') {
            plain.push_str(&rest[..at]);
            rest = &rest[at + 1..];
            if let Some(after) = rest.strip_prefix('\\') {
                plain.push('\\');
                rest = after;
            } else {
                let (number, after) = rest.strip_prefix("u{").unwrap().split_once('}').unwrap();
                let number = u32::from_str_radix(number, 16).unwrap();
                let half = u16::try_from(number).ok().and_then(lone_surrogate);
                plain.extend(half.or(char::from_u32(number)));
                rest = after;
            }
        }
        plain + rest
    }

    /// Source: RFC 4180, 2.5 to 2.7, and OWASP, "CSV Injection" (the characters that start a formula; from memory).
    #[test]
    fn a_csv_field_is_one_line_and_no_formula() {
        assert_eq!(csv_field("/a \"b\".txt"), "\"/a \"\"b\"\".txt\"");
        assert_eq!(csv_field("=HYPERLINK(1)"), "\"'=HYPERLINK(1)\"");
        assert_eq!(csv_field("a;=1+1;'x"), "\"a;'=1+1;''x\"");
        assert_eq!(csv_field("\t-1\r\n"), "\"\\u{9}-1\\u{d}\\u{a}\"");
        assert_eq!(csv_field("C:\\u{9}"), "\"C:\\\\u{9}\"");
        for start in ["=", "+", "-", "@", "＝", "＋", "－", "＠"] {
            assert!(csv_field(start).starts_with("\"'"), "{start}");
        }
    }

    fn any_text() -> impl Strategy<Value = String> {
        let part = prop_oneof![
            any::<char>(),
            prop::sample::select(vec!['=', '+', '-', '@', ';', '\'', '"', '\\', '\n', '\u{7f}', '\u{202E}', '{', 'u']),
            (0xD800u16..0xE000).prop_map(|unit| lone_surrogate(unit).unwrap()),
        ];
        // A real character of the plane that stands for halves would never come from a name: see `filesystem::utf16`.
        prop::collection::vec(part, 0..12).prop_map(String::from_iter)
    }

    proptest! {
        #[test]
        fn a_csv_field_can_be_undone(text in any_text()) {
            let field = csv_field(&text);
            prop_assert!(field.chars().all(is_plain), "{field}");
            prop_assert_eq!(from_csv(&field), text);
        }

        #[test]
        fn json_says_the_same_to_a_reader(text in any_text()) {
            let plain = json(&text).unwrap();
            prop_assert!(plain.chars().all(is_plain), "{plain}");
            prop_assert_eq!(serde_json::from_str::<String>(&plain).unwrap(), text);
        }
    }

    /// U+10D83D is the pair DBF6 DC3D (The Unicode Standard, 3.9, table 3-5; from memory).
    #[test]
    fn halves_of_pairs_stay_in_json() {
        let name: String = ['a', lone_surrogate(0xD83D).unwrap(), 'b'].into_iter().collect();
        assert_eq!(json(&name).unwrap(), "\"a\\udbf6\\udc3db\"");
        assert_eq!(json_pretty(&[name]).unwrap(), "[\n  \"a\\udbf6\\udc3db\"\n]");
    }

    #[test]
    fn what_is_not_utf8_is_marked() {
        use std::os::unix::ffi::OsStrExt;
        assert_eq!(of_os(OsStr::from_bytes(b"f\xffo")), "f\u{FFFD}o (not UTF-8: 66ff6f)");
        assert_eq!(of_os(OsStr::new("plain")), "plain");
    }
}
