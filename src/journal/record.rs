//! One record: 64 bytes that check themselves and know their place.

use super::{CRC_32C, ChunkHash, Claim, JournalHeader, Unsound, u32_at, u64_at};
use crate::extent::Extent;

/// Length in bytes of the header and of each record. Record `n`, counted from 1, starts at byte `n * RECORD_BYTES`.
pub const RECORD_BYTES: u64 = 64;

const COPIED: u8 = 1;
const DEFERRED: u8 = 2;
const UNREADABLE: u8 = 3;

/// Flag: everything before this record was durable before this record was written.
const STARTS_BATCH: u8 = 1;

/// A record as it stands in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Record {
    pub(super) claim: Claim,
    pub(super) number: u64,
    pub(super) starts_batch: bool,
}

/// What 64 bytes of a journal turn out to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Decoded {
    Sound(Record),
    /// The check sum is wrong: torn, or damaged.
    Broken,
    /// Whole, but impossible.
    Unsound(Unsound),
}

impl Record {
    pub(super) fn encode(&self, header: &JournalHeader) -> [u8; 64] {
        let mut bytes = [0; 64];
        bytes[0] = match self.claim {
            Claim::Copied { .. } => COPIED,
            Claim::Deferred { .. } => DEFERRED,
            Claim::Unreadable { .. } => UNREADABLE,
        };
        bytes[1] = if self.starts_batch { STARTS_BATCH } else { 0 };
        bytes[8..16].copy_from_slice(&self.number.to_le_bytes());
        let extent = self.claim.extent();
        bytes[16..24].copy_from_slice(&extent.start.0.to_le_bytes());
        bytes[24..32].copy_from_slice(&extent.bytes.to_le_bytes());
        if let Claim::Copied { hash, .. } = self.claim {
            bytes[32..64].copy_from_slice(&hash.0);
        }
        let crc = check_sum(&bytes, header);
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// Judges the 64 bytes that stand where record `number` belongs.
    pub(super) fn decode(bytes: &[u8; 64], number: u64, header: &JournalHeader) -> Decoded {
        let mut summed = *bytes;
        summed[4..8].fill(0);
        if check_sum(&summed, header) != u32_at(bytes, 4) {
            return Decoded::Broken;
        }
        let found = u64_at(bytes, 8);
        if found != number {
            return Decoded::Unsound(Unsound::Misplaced { found });
        }
        let hash = ChunkHash(std::array::from_fn(|i| bytes[32 + i]));
        let reserved_is_zero =
            bytes[1] & !STARTS_BATCH == 0 && bytes[2..4] == [0; 2] && (bytes[0] == COPIED || hash.0 == [0; 32]);
        let (start, length) = (u64_at(bytes, 16), u64_at(bytes, 24));
        let extent = Extent::new(start, length).filter(|extent| lies_within(extent, header));
        let Some(extent) = extent else {
            return Decoded::Unsound(Unsound::OutOfDrive { start, bytes: length });
        };
        let claim = match bytes[0] {
            COPIED => Claim::Copied { extent, hash },
            DEFERRED => Claim::Deferred { extent },
            UNREADABLE => Claim::Unreadable { extent },
            other => return Decoded::Unsound(Unsound::Kind(other)),
        };
        if !reserved_is_zero {
            return Decoded::Unsound(Unsound::Reserved);
        }
        Decoded::Sound(Record { claim, number, starts_batch: bytes[1] & STARTS_BATCH != 0 })
    }
}

/// Whether a claim about `extent` makes sense for the drive.
pub(super) fn lies_within(extent: &Extent, header: &JournalHeader) -> bool {
    !extent.is_empty() && extent.end() <= header.drive_bytes
}

/// Over the case's number and the record, its own field zero.
fn check_sum(bytes: &[u8; 64], header: &JournalHeader) -> u32 {
    let mut digest = CRC_32C.digest();
    digest.update(&header.case_id);
    digest.update(bytes);
    digest.finalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SectorSize;

    fn header() -> JournalHeader {
        JournalHeader { case_id: [1; 16], drive_bytes: 1 << 20, sector: SectorSize::S512 }
    }

    fn resummed(mut bytes: [u8; 64]) -> [u8; 64] {
        bytes[4..8].fill(0);
        let crc = check_sum(&bytes, &header());
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    #[test]
    fn a_whole_record_that_cannot_be_right_is_named() {
        let extent = Extent::new(512, 512).unwrap();
        let record = Record { claim: Claim::Deferred { extent }, number: 3, starts_batch: true };
        let bytes = record.encode(&header());
        assert_eq!(Record::decode(&bytes, 3, &header()), Decoded::Sound(record));
        assert_eq!(Record::decode(&bytes, 4, &header()), Decoded::Unsound(Unsound::Misplaced { found: 3 }));
        let other_case = JournalHeader { case_id: [2; 16], ..header() };
        assert_eq!(Record::decode(&bytes, 3, &other_case), Decoded::Broken);

        let changed = |at: usize, value: u8| {
            let mut bytes = bytes;
            bytes[at] = value;
            Record::decode(&resummed(bytes), 3, &header())
        };
        assert_eq!(changed(0, 9), Decoded::Unsound(Unsound::Kind(9)));
        assert_eq!(changed(1, 2), Decoded::Unsound(Unsound::Reserved));
        assert_eq!(changed(3, 1), Decoded::Unsound(Unsound::Reserved));
        assert_eq!(changed(63, 1), Decoded::Unsound(Unsound::Reserved));
        assert_eq!(
            changed(31, 0xFF),
            Decoded::Unsound(Unsound::OutOfDrive { start: 512, bytes: 0xFF00_0000_0000_0200 })
        );
        assert_eq!(changed(25, 0), Decoded::Unsound(Unsound::OutOfDrive { start: 512, bytes: 0 }));
    }

    #[test]
    fn each_single_flipped_bit_is_noticed() {
        let claim = Claim::Copied { extent: Extent::new(0, 4096).unwrap(), hash: ChunkHash::of(b"x") };
        let bytes = Record { claim, number: 1, starts_batch: false }.encode(&header());
        for bit in 0..512 {
            let mut flipped = bytes;
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Record::decode(&flipped, 1, &header()), Decoded::Broken, "bit {bit}");
        }
    }
}
