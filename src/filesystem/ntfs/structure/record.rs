//! File records: signature, update sequence ("fixups"), header.
//!
//! Every 512 bytes of a record as it lies on the drive end in the record's update sequence number; the bytes that
//! belong there are kept in an array behind the header. A stride that ends in anything else was not written together
//! with the others, so the record cannot be trusted. Source: Linux fs/ntfs/layout.h (`NTFS_RECORD`, `MFT_RECORD`) and
//! fs/ntfs3/fsntfs.c (`ntfs_fix_post_read`), both of which use 512 bytes whatever the drive's sector size.

use crate::base::fields::{le16, le32, le64};

const STRIDE: usize = 512;
const IN_USE: u16 = 1;
const FOLDER: u16 = 2;
/// Bytes of the header of a file record before NTFS 3.1; its update sequence starts there at the earliest.
const HEADER_BYTES: usize = 0x2A;
/// Where the update sequence of a record starts whose header ends with its own number (NTFS 3.1 and later).
const HEADER_WITH_NUMBER: u16 = 0x30;

/// A reference to a file record: its number (48 bits) and the sequence number it had (0: not to be checked).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Reference(pub u64);

impl Reference {
    /// The record's number; one beyond 32 bits, which no $MFT reaches, becomes 2^32-1.
    pub fn number(self) -> u32 {
        u32::try_from(self.0 & 0xFFFF_FFFF_FFFF).unwrap_or(u32::MAX)
    }

    /// The sequence number.
    pub fn sequence(self) -> u16 {
        u16::try_from(self.0 >> 48).expect("16 bits are left")
    }

    /// Whether it refers to nothing.
    pub fn is_none(self) -> bool {
        self.0 == 0
    }
}

/// The header of a sound file record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RecordHeader {
    /// How often the record was given to a file; goes up by one when the file is deleted.
    pub sequence: u16,
    /// Whether a file has it now.
    pub in_use: bool,
    /// Whether the file is a folder.
    pub folder: bool,
    /// The base record, if this is an extension record.
    pub base: Reference,
    /// Its own number, where the header has one.
    pub number: Option<u32>,
    /// Where its attributes start, in bytes.
    pub first_attribute: usize,
}

/// What can be wrong with a record.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordError {
    /// It consists of zeros: never used.
    #[error("it was never used")]
    Unused,
    /// It carries the mark BAAD: a write of it was cut short.
    #[error("it carries the mark of a write that was cut short (BAAD)")]
    Torn,
    /// It does not start with FILE.
    #[error("it starts with {0:02x?} instead of FILE")]
    Signature([u8; 4]),
    /// The update sequence array does not fit the record.
    #[error("its update sequence ({count} words at byte {offset}) does not fit a record of {bytes} bytes")]
    UpdateSequence {
        /// Where the array stands.
        offset: u16,
        /// Its number of words.
        count: u16,
        /// The record's size in bytes.
        bytes: usize,
    },
    /// A stride does not end in the update sequence number.
    #[error("bytes {at} and {} of it are {found:#06x} instead of {expected:#06x}: they were not written together with the rest", at + 1)]
    Fixup {
        /// Where in the record.
        at: usize,
        /// What stands there.
        found: u16,
        /// The update sequence number.
        expected: u16,
    },
    /// The attributes start outside the record.
    #[error("its attributes start at byte {0}, outside the record or inside its header")]
    FirstAttribute(u16),
}

/// Checks a record as it was read, puts the bytes at the stride ends back in place, and reads its header. `record`
/// is unchanged on an error.
///
/// # Errors
/// [`RecordError`] says why the record cannot be used.
pub fn open(record: &mut [u8]) -> Result<RecordHeader, RecordError> {
    check_signature(record)?;
    check_and_restore_stride_ends(record, HEADER_BYTES)?;
    header(record)
}

fn check_signature(record: &[u8]) -> Result<(), RecordError> {
    let signature = record.first_chunk::<4>().copied().unwrap_or_default();
    match &signature {
        b"FILE" => Ok(()),
        b"BAAD" => Err(RecordError::Torn),
        [0, 0, 0, 0] if record.iter().all(|b| *b == 0) => Err(RecordError::Unused),
        _ => Err(RecordError::Signature(signature)),
    }
}

/// Checks that every stride of a block ends in the update sequence number, then puts the bytes that stood there back in place: of a
/// file record, or of another block that is protected in the same way; its header has `header_bytes` bytes. The block is unchanged on
/// an error.
pub(in crate::filesystem::ntfs) fn check_and_restore_stride_ends(
    record: &mut [u8],
    header_bytes: usize,
) -> Result<(), RecordError> {
    let bytes = record.len();
    let (offset, count) = (le16(record, 4).unwrap_or(0), le16(record, 6).unwrap_or(0));
    let start = usize::from(offset);
    let strides = bytes / STRIDE;
    // Linux fs/ntfs/mst.c: the array must lie in the first stride, before that stride's own end.
    let fits = usize::from(count) == strides + 1
        && bytes.is_multiple_of(STRIDE)
        && offset.is_multiple_of(2)
        && start >= header_bytes
        && start + 2 * usize::from(count) <= STRIDE - 2;
    if !fits {
        return Err(RecordError::UpdateSequence { offset, count, bytes });
    }
    let expected = le16(record, start).unwrap_or(0);
    for stride in 0..strides {
        let at = (stride + 1) * STRIDE - 2;
        let found = le16(record, at).unwrap_or(0);
        if found != expected {
            return Err(RecordError::Fixup { at, found, expected });
        }
    }
    for stride in 0..strides {
        let kept = start + 2 * (stride + 1);
        record.copy_within(kept..kept + 2, (stride + 1) * STRIDE - 2);
    }
    Ok(())
}

fn header(record: &[u8]) -> Result<RecordHeader, RecordError> {
    let half = |at| le16(record, at).unwrap_or(0);
    let first = half(0x14);
    let first_attribute = usize::from(first);
    if first_attribute < 0x2A || first_attribute + 4 > record.len() || !first_attribute.is_multiple_of(4) {
        return Err(RecordError::FirstAttribute(first));
    }
    let number = (half(4) >= HEADER_WITH_NUMBER).then(|| le32(record, 0x2C)).flatten();
    Ok(RecordHeader {
        sequence: half(0x10),
        in_use: half(0x16) & IN_USE != 0,
        folder: half(0x16) & FOLDER != 0,
        base: Reference(le64(record, 0x20).unwrap_or(0)),
        number,
        first_attribute,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 1024-byte record whose update sequence at 0x30 is 7, with 11 22 and 33 44 kept for the stride ends.
    fn sample() -> Vec<u8> {
        let mut record = vec![0u8; 1024];
        record[..4].copy_from_slice(b"FILE");
        record[4..8].copy_from_slice(&[0x30, 0, 3, 0]);
        record[0x10..0x18].copy_from_slice(&[9, 0, 1, 0, 0x38, 0, 3, 0]);
        record[0x20..0x28].copy_from_slice(&0x0004_0000_0000_0123u64.to_le_bytes());
        record[0x2C] = 77;
        record[0x30..0x36].copy_from_slice(&[7, 0, 0x11, 0x22, 0x33, 0x44]);
        record[0x1FE..0x200].copy_from_slice(&[7, 0]);
        record[0x3FE..0x400].copy_from_slice(&[7, 0]);
        record
    }

    /// Worked from the rule in Linux fs/ntfs/layout.h (`NTFS_RECORD`, words on the update sequence array).
    #[test]
    fn fixups_are_put_back_and_checked() {
        let mut record = sample();
        let header = open(&mut record).unwrap();
        assert_eq!(&record[0x1FE..0x200], [0x11, 0x22]);
        assert_eq!(&record[0x3FE..], [0x33, 0x44]);
        assert_eq!((header.sequence, header.in_use, header.folder, header.number), (9, true, true, Some(77)));
        assert_eq!((header.base.number(), header.base.sequence()), (0x123, 4));

        let mut torn = sample();
        torn[0x3FE] = 8;
        assert_eq!(open(&mut torn), Err(RecordError::Fixup { at: 0x3FE, found: 8, expected: 7 }));
        assert_eq!(&torn[0x1FE..0x200], [7, 0], "a refused record stays as it was read");
    }

    /// The conditions of Linux fs/ntfs/mst.c (`post_read_mst_fixup`).
    #[test]
    fn records_that_cannot_be_used_are_told_apart() {
        let changed = |at: usize, value: &[u8]| {
            let mut record = sample();
            record[at..at + value.len()].copy_from_slice(value);
            open(&mut record)
        };
        assert_eq!(changed(0, b"BAAD"), Err(RecordError::Torn));
        assert_eq!(changed(0, b"FILF"), Err(RecordError::Signature(*b"FILF")));
        assert_eq!(changed(0, &[0; 4]), Err(RecordError::Signature([0; 4])));
        assert_eq!(open(&mut [0; 1024]), Err(RecordError::Unused));
        for wrong in [[0x30, 0, 2, 0], [0x30, 0, 4, 0], [0x31, 0, 3, 0], [0xFA, 1, 3, 0], [0xFF, 0xFF, 3, 0]] {
            assert!(matches!(changed(4, &wrong), Err(RecordError::UpdateSequence { .. })), "{wrong:?}");
        }
        assert_eq!(changed(0x14, &[0xFE, 0x03]), Err(RecordError::FirstAttribute(0x3FE)));
        assert_eq!(changed(0x14, &[0, 0]), Err(RecordError::FirstAttribute(0)));
        assert!(matches!(open(&mut []), Err(RecordError::Unused)));
    }
}
