//! LZNT1, the compression of NTFS file content. Source: [MS-XCA] 2.5 "LZNT1 Algorithm Details" (from memory); checked
//! against the files that an independent driver compressed (`testdata/README.md`).
//!
//! A compression unit holds chunks, each of which makes 4096 bytes and refers to nothing outside itself. A chunk
//! starts with a 16-bit header: bit 15 says whether it is compressed, bits 12 to 14 are 3, bits 0 to 11 are the number
//! of bytes that follow less one. A header of zero ends the unit.

/// Bytes that a whole chunk makes.
const CHUNK: usize = 4096;
const SIGNATURE: u16 = 3;

/// Why a unit cannot be decoded.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Lznt1Error {
    /// A chunk's header cannot be one.
    #[error("the chunk at byte {at} starts with {header:#06x}, which is no chunk header")]
    Header {
        /// Where in the stored bytes.
        at: usize,
        /// What stands there.
        header: u16,
    },
    /// The stored bytes end inside a chunk.
    #[error("the chunk at byte {at} goes on behind the end of what is stored")]
    Short {
        /// Where in the stored bytes.
        at: usize,
    },
    /// A reference points before the start of its chunk, or makes the chunk too long.
    #[error("the chunk at byte {at} refers to {distance} bytes back for {length} bytes after making {made}")]
    Reference {
        /// Where the chunk starts in the stored bytes.
        at: usize,
        /// How far back.
        distance: usize,
        /// How many bytes.
        length: usize,
        /// Bytes the chunk had made by then.
        made: usize,
    },
    /// More chunks than the unit has room for.
    #[error("the chunk at byte {at} makes more than the unit has room for")]
    Long {
        /// Where in the stored bytes.
        at: usize,
    },
}

/// Decodes one compression unit from `stored` into `unit`. What no chunk makes is zero.
///
/// # Errors
/// [`Lznt1Error`]; `unit` then holds whatever was decoded before.
pub fn decode(stored: &[u8], unit: &mut [u8]) -> Result<(), Lznt1Error> {
    unit.fill(0);
    let mut at = 0;
    let mut chunks = unit.chunks_mut(CHUNK);
    while let Some(&[low, high]) = stored.get(at..at + 2) {
        let header = u16::from_le_bytes([low, high]);
        if header == 0 {
            return Ok(());
        }
        if header >> 12 & 7 != SIGNATURE {
            return Err(Lznt1Error::Header { at, header });
        }
        let end = at + 2 + usize::from(header & 0xFFF) + 1;
        let content = stored.get(at + 2..end).ok_or(Lznt1Error::Short { at })?;
        let chunk = chunks.next().ok_or(Lznt1Error::Long { at })?;
        if header & 0x8000 != 0 {
            decode_chunk(content, chunk, at)?;
        } else {
            chunk.get_mut(..content.len()).ok_or(Lznt1Error::Long { at })?.copy_from_slice(content);
        }
        at = end;
    }
    Ok(())
}

/// A flag byte, then eight items, the first by its lowest bit: a byte as it is (0), or a reference of 16 bits (1).
fn decode_chunk(content: &[u8], chunk: &mut [u8], at: usize) -> Result<(), Lznt1Error> {
    let mut made = 0;
    let mut rest = content;
    while let Some((&flags, items)) = rest.split_first() {
        rest = items;
        for bit in 0..8 {
            if flags >> bit & 1 == 0 {
                let Some((&byte, behind)) = rest.split_first() else { return Ok(()) };
                rest = behind;
                *chunk.get_mut(made).ok_or(Lznt1Error::Long { at })? = byte;
                made += 1;
                continue;
            }
            let Some((&pair, behind)) = rest.split_first_chunk::<2>() else { return Err(Lznt1Error::Short { at }) };
            rest = behind;
            let (distance, length) = split(u16::from_le_bytes(pair), made);
            let fits = distance <= made && made + length <= chunk.len();
            if !fits {
                return Err(Lznt1Error::Reference { at, distance, length, made });
            }
            // Byte by byte: a reference may reach into what it makes itself.
            for to in made..made + length {
                chunk[to] = chunk[to - distance];
            }
            made += length;
        }
    }
    Ok(())
}

/// Distance and length of a reference. The more the chunk has made, the more bits go to the distance: at least 4 of
/// the 16, and as many as it takes to reach back to the chunk's start.
fn split(reference: u16, made: usize) -> (usize, usize) {
    let mut length_bits = 12;
    let mut reach = 16;
    while reach < made {
        reach *= 2;
        length_bits -= 1;
    }
    (usize::from(reference >> length_bits) + 1, usize::from(reference & ((1 << length_bits) - 1)) + 3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The text and its 59 compressed bytes are the worked example of [MS-XCA] 3.3 "LZNT1" (from memory; the decoded
    /// text confirms it: a wrong byte could not give this).
    #[test]
    fn worked_example() {
        let stored = [
            0x38, 0xB0, 0x88, 0x46, 0x23, 0x20, 0x00, 0x20, 0x47, 0x20, 0x41, 0x00, 0x10, 0xA2, 0x47, 0x01, 0xA0, 0x45,
            0x20, 0x44, 0x00, 0x08, 0x45, 0x01, 0x50, 0x79, 0x00, 0xC0, 0x45, 0x20, 0x05, 0x24, 0x13, 0x88, 0x05, 0xB4,
            0x02, 0x4A, 0x44, 0xEF, 0x03, 0x58, 0x02, 0x8C, 0x09, 0x16, 0x01, 0x48, 0x45, 0x00, 0xBE, 0x00, 0x9E, 0x00,
            0x04, 0x01, 0x18, 0x90, 0x00,
        ];
        let text = "F# F# G A A G F# E D D E F# F# E E F# F# G A A G F# E D D E F# E D D E E F# D E F# G F# D E F# G \
                    F# E D E A F# F# G A A G F# E D D E F# E D D\0";
        let mut unit = vec![9; 8192];
        decode(&stored, &mut unit).unwrap();
        assert_eq!(std::str::from_utf8(&unit[..text.len()]).unwrap(), text);
        assert!(unit[text.len()..].iter().all(|byte| *byte == 0));
    }

    /// Rules of [MS-XCA] 2.5.1 (from memory).
    #[test]
    fn stored_chunks_and_what_cannot_be() {
        let decoded = |stored: &[u8], room: usize| {
            let mut unit = vec![0; room];
            decode(stored, &mut unit).map(|()| unit)
        };
        let mut plain = vec![0xFF, 0x3F];
        plain.extend((0..4096u16).map(|n| n.to_le_bytes()[0]));
        plain.extend([0x02, 0xB0, 0x02, b'a', 0x05, 0x00]);
        // The second reference byte is the end mark's first: the chunk is one byte short.
        assert_eq!(decoded(&plain[..plain.len() - 1], 8192), Err(Lznt1Error::Short { at: 4098 }));
        let mut with_run = plain[..4098].to_vec();
        with_run.extend([0x03, 0xB0, 0x02, b'a', 0x05, 0x00, 0, 0]);
        let unit = decoded(&with_run, 8192).unwrap();
        assert_eq!(unit[..4096], plain[2..4098]);
        assert_eq!(&unit[4096..4106], b"aaaaaaaaa\0");
        assert_eq!(decoded(&with_run, 4096), Err(Lznt1Error::Long { at: 4098 }));
        assert_eq!(decoded(&[1, 0x40], 64), Err(Lznt1Error::Header { at: 0, header: 0x4001 }));
        let back = Lznt1Error::Reference { at: 0, distance: 2, length: 3, made: 1 };
        assert_eq!(decoded(&[0x03, 0xB0, 0x02, b'a', 0x00, 0x10], 64), Err(back));
        assert_eq!(back.to_string(), "the chunk at byte 0 refers to 2 bytes back for 3 bytes after making 1");
        assert_eq!(decoded(&[], 16), Ok(vec![0; 16]));
    }

    proptest! {
        #[test]
        fn any_bytes_decode_or_are_refused(stored in prop::collection::vec(any::<u8>(), 0..200), room in 0usize..9000) {
            let _ = decode(&stored, &mut vec![0; room]);
        }

        /// Chunks that look right at their start get further into the decoder.
        #[test]
        fn damaged_chunks_decode_or_are_refused(content in prop::collection::vec(any::<u8>(), 1..4096)) {
            let header = 0xB000 | u16::try_from(content.len() - 1).unwrap();
            let stored = [header.to_le_bytes().to_vec(), content].concat();
            let _ = decode(&stored, &mut vec![0; 65536]);
        }
    }
}
