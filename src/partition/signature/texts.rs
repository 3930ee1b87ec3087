//! Texts and identifiers in superblocks.

use crate::base::fields::bytes_at;

/// A text of at most `most` bytes that a NUL ends early; `None` when empty. What is not UTF-8 becomes U+FFFD.
pub(super) fn text(bytes: &[u8], at: usize, most: usize) -> Option<String> {
    let field = bytes.get(at..at.checked_add(most)?)?;
    let end = field.iter().position(|b| *b == 0).unwrap_or(field.len());
    let text = String::from_utf8_lossy(&field[..end]).trim_end_matches(' ').to_owned();
    (!text.is_empty()).then_some(text)
}

/// 16 bytes as an identifier in the customary notation; `None` when all are zero.
pub(super) fn uuid(bytes: &[u8], at: usize) -> Option<String> {
    let raw: [u8; 16] = bytes_at(bytes, at)?;
    (raw != [0; 16]).then(|| uuid::Uuid::from_bytes(raw).to_string())
}

/// UTF-16 in the byte order of `unit`, ended by NUL; `None` when empty.
pub(super) fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Option<String> {
    let (pairs, _) = bytes.as_chunks::<2>();
    let units = pairs.iter().map(|pair| unit(*pair)).take_while(|unit| *unit != 0);
    let text: String = char::decode_utf16(units).map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER)).collect();
    let text = text.trim_end_matches(' ').to_owned();
    (!text.is_empty()).then_some(text)
}
