//! Short names are stored in the code page of the computer that wrote them, and nothing on the volume says which. Code
//! page 437, the original one, is assumed: its letters lie where those of most Western pages lie. A name with letters
//! beyond ASCII nearly always has a long name beside it, which is Unicode.

/// Characters of bytes 0x80 to 0xFF. Source: Unicode Consortium, CP437.TXT (the table was written out from another
/// implementation of it).
const UPPER_HALF: &str = "\
ÇüéâäàåçêëèïîìÄÅÉæÆôöòûùÿÖÜ¢£¥₧ƒ\
áíóúñÑªº¿⌐¬½¼¡«»░▒▓│┤╡╢╖╕╣║╗╝╜╛┐\
└┴┬├─┼╞╟╚╔╩╦╠═╬╧╨╤╥╙╘╒╓╫╪┘┌█▄▌▐▀\
αßΓπΣσµτΦΘΩδ∞φε∩≡±≥≤⌠⌡÷≈°∙·√ⁿ²■\u{a0}";

/// One byte of a short name.
pub fn decode(byte: u8) -> char {
    match byte {
        0..0x80 => char::from(byte),
        // Every byte from 0x80 up has its character in the table; the test counts them.
        _ => UPPER_HALF.chars().nth(usize::from(byte) - 0x80).unwrap_or(char::REPLACEMENT_CHARACTER),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Unicode Consortium, CP437.TXT (from memory).
    #[test]
    fn code_page_437() {
        assert_eq!(UPPER_HALF.chars().count(), 128);
        let known = [
            (0x41, 'A'),
            (0x80, 'Ç'),
            (0x84, 'ä'),
            (0x8E, 'Ä'),
            (0x9A, 'Ü'),
            (0xA5, 'Ñ'),
            (0xE1, 'ß'),
            (0xFF, '\u{a0}'),
        ];
        for (byte, character) in known {
            assert_eq!(decode(byte), character);
        }
    }
}
