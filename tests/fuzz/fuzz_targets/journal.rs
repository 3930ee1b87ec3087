//! Journals: scanned, opened to go on, salvaged. The first byte says whether checksums are set right.

#![no_main]

use gleaner::base::extent::Extent;
use gleaner::store::journal::{Journal, JournalHeader, RECORD_BYTES, Ranges, read_claims_in, salvage};
use gleaner::base::units::SectorSize;
use gleaner_fuzz::memory::{Memory, Shared};
use gleaner_fuzz::mend::CRC_32C;
use libfuzzer_sys::fuzz_target;
use std::sync::Arc;

/// docs/formats/journal.md: CRC-32C at byte 12 of the header, at byte 4 of a record with the case's number before it.
fn mend(journal: &mut [u8]) {
    let Some((header, records)) = journal.split_first_chunk_mut::<64>() else { return };
    header[12..16].fill(0);
    let crc = CRC_32C.checksum(header);
    header[12..16].copy_from_slice(&crc.to_le_bytes());
    for record in records.as_chunks_mut::<64>().0 {
        record[4..8].fill(0);
        let mut digest = CRC_32C.digest();
        digest.update(&header[16..32]);
        digest.update(record);
        record[4..8].copy_from_slice(&digest.finalize().to_le_bytes());
    }
}

fuzz_target!(|input: &[u8]| {
    let Some((flag, rest)) = input.split_first() else { return };
    let mut bytes = rest.to_vec();
    if flag & 1 != 0 {
        mend(&mut bytes);
    }
    let mut scanned = Ranges::new();
    let mut sound = false;
    if let Ok(mut claims) = read_claims_in(Memory::new(bytes.clone())) {
        sound = true;
        for claim in &mut claims {
            match claim {
                Ok(claim) => scanned.apply(&claim),
                Err(_) => sound = false,
            }
        }
        let drive_bytes = claims.header().drive_bytes;
        assert!(scanned.iter_copied().all(|extent| extent.end() <= drive_bytes));
    }
    let opened = Journal::open_in(Box::new(Memory::new(bytes.clone())));
    assert_eq!(opened.is_ok(), sound);
    if let Ok((_, ranges)) = opened {
        assert!(ranges == scanned);
    }
    let id = std::array::from_fn(|i| bytes.get(16 + i).copied().unwrap_or(0));
    let header = JournalHeader { case_id: id, drive_bytes: 1 << 40, sector: SectorSize::S512 };
    let new = Shared(Arc::new(Memory::new(Vec::new())));
    let doubtful = &mut |chunk: Extent| chunk.start.0.is_multiple_of(3);
    let (journal, ranges, salvaged) =
        salvage(Box::new(Memory::new(bytes.clone())), Box::new(new.clone()), &header, doubtful).expect("a salvage in every case");
    assert_eq!(salvaged.kept + salvaged.lost, (bytes.len() as u64 / RECORD_BYTES).saturating_sub(1));
    drop(journal);
    let (again, replayed) = Journal::open_in(Box::new(new)).expect("a sound journal");
    assert!(replayed == ranges);
    assert!(again.durable_claims() >= salvaged.kept);
});
