//! One record: 64 bytes that check themselves and know their place.

use super::header::VERSION_1;
use super::{CRC_32C, ChunkHash, JournalClaim, JournalHeader, Unsound};
use crate::base::extent::Extent;
use crate::base::fields::{u16_at, u32_at, u64_at};
use crate::source::{Blame, Failure, RangeMark, Skip};

/// Length in bytes of the header and of each record. Record `n`, counted from 1, starts at byte `n * RECORD_BYTES`.
pub const RECORD_BYTES: u64 = 64;

// Kinds, byte 0.
const COPIED: u8 = 1;
const SKIPPED: u8 = 2;
const UNREADABLE: u8 = 3;
const WITHDRAWN: u8 = 4;
const RETRY: u8 = 5;
const RUN_BEGAN: u8 = 6;

/// Flag: everything before this record was durable before this record was written.
const STARTS_BATCH: u8 = 1;

/// Why a range was skipped, byte 32 of kind 2, in the order of its numbers.
const SKIPS: [Skip; 5] = [Skip::NotRecorded, Skip::Near, Skip::Failed, Skip::Suspect, Skip::Again];

/// What a failure blames, byte 33 of kinds 2 and 3, in the order of its numbers.
const BLAMES: [Blame; 4] = [Blame::NotRecorded, Blame::Medium, Blame::Link, Blame::Undecided];

/// A record as it stands in the file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct JournalRecord {
    pub(super) claim: JournalClaim,
    pub(super) number: u64,
    pub(super) starts_batch: bool,
    /// Withdrawals before this record, modulo 65536.
    pub(super) withdrawals: u16,
}

/// What 64 bytes of a journal turn out to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Decoded {
    Sound(JournalRecord),
    /// The checksum is wrong: torn, or damaged.
    Broken,
    /// Whole, but impossible.
    Unsound(Unsound),
}

impl JournalRecord {
    pub(super) fn encode(&self, header: &JournalHeader) -> [u8; 64] {
        let mut bytes = [0; 64];
        bytes[0] = kind(&self.claim);
        bytes[1] = if self.starts_batch { STARTS_BATCH } else { 0 };
        bytes[2..4].copy_from_slice(&self.withdrawals.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.number.to_le_bytes());
        if let Some(extent) = self.claim.extent() {
            bytes[16..24].copy_from_slice(&extent.start.0.to_le_bytes());
            bytes[24..32].copy_from_slice(&extent.bytes.to_le_bytes());
        }
        bytes[32..64].copy_from_slice(&details(&self.claim));
        let crc = checksum(&bytes, header);
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// Judges the 64 bytes that stand where record `number` belongs in a journal of `version`.
    pub(super) fn decode(bytes: &[u8; 64], number: u64, header: &JournalHeader, version: u32) -> Decoded {
        let mut summed = *bytes;
        summed[4..8].fill(0);
        if checksum(&summed, header) != u32_at(bytes, 4) {
            return Decoded::Broken;
        }
        match JournalRecord::of_whole(bytes, number, header, version) {
            Ok(record) => Decoded::Sound(record),
            Err(what) => Decoded::Unsound(what),
        }
    }

    fn of_whole(bytes: &[u8; 64], number: u64, header: &JournalHeader, version: u32) -> Result<JournalRecord, Unsound> {
        let found = u64_at(bytes, 8);
        if found != number {
            return Err(Unsound::Misplaced { found });
        }
        let (start, length) = (u64_at(bytes, 16), u64_at(bytes, 24));
        let place = || {
            let extent = Extent::new(start, length).filter(|extent| lies_within(extent, header));
            extent.ok_or(Unsound::OutOfDrive { start, bytes: length })
        };
        let failure = || {
            let blame = *BLAMES.get(usize::from(bytes[33])).ok_or(Unsound::Reserved)?;
            Ok(Failure { blame, errno: u16_at(bytes, 36) })
        };
        let claim = match bytes[0] {
            COPIED => {
                JournalClaim::Copied { extent: place()?, hash: ChunkHash(std::array::from_fn(|i| bytes[32 + i])) }
            }
            SKIPPED => {
                let why = *SKIPS.get(usize::from(bytes[32])).ok_or(Unsound::Reserved)?;
                JournalClaim::Marked(RangeMark::Skipped { extent: place()?, why, failure: failure()? })
            }
            UNREADABLE => {
                let tries = u16_at(bytes, 34);
                JournalClaim::Marked(RangeMark::Unreadable { extent: place()?, tries, failure: failure()? })
            }
            WITHDRAWN if version > VERSION_1 => JournalClaim::Marked(RangeMark::Withdrawn { extent: place()? }),
            RETRY if version > VERSION_1 => JournalClaim::Marked(RangeMark::Retry { extent: place()? }),
            RUN_BEGAN if version > VERSION_1 => JournalClaim::RunBegan { when: u64_at(bytes, 32) },
            other => return Err(Unsound::Kind(other)),
        };
        let withdrawals = u16_at(bytes, 2);
        let record = JournalRecord { claim, number, starts_batch: bytes[1] & STARTS_BATCH != 0, withdrawals };
        let of_version_1 = withdrawals == 0 && (bytes[0] == COPIED || bytes[32..64] == [0; 32]);
        // Written again it must be the same: every bit that has no meaning is zero.
        if record.encode(header) != *bytes || (version == VERSION_1 && !of_version_1) {
            return Err(Unsound::Reserved);
        }
        Ok(record)
    }
}

fn kind(claim: &JournalClaim) -> u8 {
    match claim {
        JournalClaim::Copied { .. } => COPIED,
        JournalClaim::Marked(RangeMark::Skipped { .. }) => SKIPPED,
        JournalClaim::Marked(RangeMark::Unreadable { .. }) => UNREADABLE,
        JournalClaim::Marked(RangeMark::Withdrawn { .. }) => WITHDRAWN,
        JournalClaim::Marked(RangeMark::Retry { .. }) => RETRY,
        JournalClaim::RunBegan { .. } => RUN_BEGAN,
    }
}

/// Bytes 32 to 63.
fn details(claim: &JournalClaim) -> [u8; 32] {
    let mut bytes = [0; 32];
    let mut fail = |failure: &Failure| {
        bytes[1] = number_of(&BLAMES, &failure.blame);
        bytes[4..6].copy_from_slice(&failure.errno.to_le_bytes());
    };
    match claim {
        JournalClaim::Copied { hash, .. } => bytes = hash.0,
        JournalClaim::Marked(RangeMark::Skipped { why, failure, .. }) => {
            fail(failure);
            bytes[0] = number_of(&SKIPS, why);
        }
        JournalClaim::Marked(RangeMark::Unreadable { tries, failure, .. }) => {
            fail(failure);
            bytes[2..4].copy_from_slice(&tries.to_le_bytes());
        }
        JournalClaim::RunBegan { when } => bytes[0..8].copy_from_slice(&when.to_le_bytes()),
        JournalClaim::Marked(RangeMark::Withdrawn { .. } | RangeMark::Retry { .. }) => {}
    }
    bytes
}

fn number_of<T: PartialEq>(list: &[T], value: &T) -> u8 {
    let at = list.iter().position(|entry| entry == value).expect("the list has every value");
    u8::try_from(at).expect("a short list")
}

/// Whether a claim about `extent` makes sense for the drive.
pub(super) fn lies_within(extent: &Extent, header: &JournalHeader) -> bool {
    !extent.is_empty() && extent.end() <= header.drive_bytes
}

/// Over the case's number and the record, its own field zero.
fn checksum(bytes: &[u8; 64], header: &JournalHeader) -> u32 {
    let mut digest = CRC_32C.digest();
    digest.update(&header.case_id);
    digest.update(bytes);
    digest.finalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::store::journal::VERSION;

    fn header() -> JournalHeader {
        JournalHeader { case_id: [1; 16], drive_bytes: 1 << 20, sector: SectorSize::S512 }
    }

    fn resummed(mut bytes: [u8; 64]) -> [u8; 64] {
        bytes[4..8].fill(0);
        let crc = checksum(&bytes, &header());
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    fn every_kind() -> Vec<JournalClaim> {
        let extent = Extent::new(512, 512).unwrap();
        let failure = Failure { blame: Blame::Medium, errno: 61 };
        let skipped = SKIPS.map(|why| JournalClaim::Marked(RangeMark::Skipped { extent, why, failure }));
        let mut claims = vec![
            JournalClaim::Copied { extent, hash: ChunkHash::of(b"x") },
            JournalClaim::Marked(RangeMark::Unreadable { extent, tries: 3, failure }),
            JournalClaim::Marked(RangeMark::Withdrawn { extent }),
            JournalClaim::Marked(RangeMark::Retry { extent }),
            JournalClaim::RunBegan { when: 1_800_000_000 },
        ];
        claims.extend(skipped);
        claims
    }

    #[test]
    fn every_kind_is_read_as_it_was_written() {
        for claim in every_kind() {
            let record = JournalRecord { claim, number: 3, starts_batch: true, withdrawals: 0x0102 };
            let bytes = record.encode(&header());
            assert_eq!(JournalRecord::decode(&bytes, 3, &header(), VERSION), Decoded::Sound(record));
        }
    }

    #[test]
    fn a_whole_record_that_cannot_be_right_is_named() {
        let extent = Extent::new(512, 512).unwrap();
        let claim =
            JournalClaim::Marked(RangeMark::Skipped { extent, why: Skip::NotRecorded, failure: Failure::default() });
        let record = JournalRecord { claim, number: 3, starts_batch: true, withdrawals: 0 };
        let bytes = record.encode(&header());
        let decode = |bytes: &[u8; 64], number, version| JournalRecord::decode(bytes, number, &header(), version);
        assert_eq!(decode(&bytes, 3, VERSION_1), Decoded::Sound(record));
        assert_eq!(decode(&bytes, 4, VERSION), Decoded::Unsound(Unsound::Misplaced { found: 3 }));
        let other_case = JournalHeader { case_id: [2; 16], ..header() };
        assert_eq!(JournalRecord::decode(&bytes, 3, &other_case, VERSION), Decoded::Broken);

        let changed = |at: usize, value: u8, version| {
            let mut bytes = bytes;
            bytes[at] = value;
            decode(&resummed(bytes), 3, version)
        };
        for version in [VERSION_1, VERSION] {
            assert_eq!(changed(0, 9, version), Decoded::Unsound(Unsound::Kind(9)));
            assert_eq!(changed(1, 2, version), Decoded::Unsound(Unsound::Reserved));
            assert_eq!(changed(63, 1, version), Decoded::Unsound(Unsound::Reserved));
            let out = |bytes| Decoded::Unsound(Unsound::OutOfDrive { start: 512, bytes });
            assert_eq!(changed(31, 0xFF, version), out(0xFF00_0000_0000_0200));
            assert_eq!(changed(25, 0, version), out(0));
        }
        // What version 2 added is nothing that version 1 has.
        for (at, value) in [(3, 1), (32, 1), (33, 1), (36, 5)] {
            assert_eq!(changed(at, value, VERSION_1), Decoded::Unsound(Unsound::Reserved), "byte {at}");
            assert!(matches!(changed(at, value, VERSION), Decoded::Sound(_)), "byte {at}");
        }
        for kind in [WITHDRAWN, RETRY, RUN_BEGAN] {
            assert_eq!(changed(0, kind, VERSION_1), Decoded::Unsound(Unsound::Kind(kind)));
        }
        assert_eq!(changed(32, 5, VERSION), Decoded::Unsound(Unsound::Reserved));
        assert_eq!(changed(33, 4, VERSION), Decoded::Unsound(Unsound::Reserved));
    }

    #[test]
    fn each_single_flipped_bit_is_noticed() {
        for claim in every_kind() {
            let bytes = JournalRecord { claim, number: 1, starts_batch: false, withdrawals: 0 }.encode(&header());
            for bit in 0..512 {
                let mut flipped = bytes;
                flipped[bit / 8] ^= 1 << (bit % 8);
                assert_eq!(
                    JournalRecord::decode(&flipped, 1, &header(), VERSION),
                    Decoded::Broken,
                    "{claim:?}, bit {bit}"
                );
            }
        }
    }
}
