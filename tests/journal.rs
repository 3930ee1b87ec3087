//! The journal's file against its description, and against every way to damage a small one.

mod simulated_disk;

use gleaner::extent::Extent;
use gleaner::journal::{
    ChunkHash, Claim, Journal, JournalError, JournalHeader, Ranges, Unsound, read_claims, read_claims_in, replay,
    salvage,
};
use gleaner::units::SectorSize;
use simulated_disk::{Content, Disk};
use std::path::{Path, PathBuf};

const HEADER: JournalHeader =
    JournalHeader { case_id: *b"case number 0001", drive_bytes: 1 << 30, sector: SectorSize::S512 };

fn extent(start: u64, bytes: u64) -> Extent {
    Extent::new(start, bytes).unwrap()
}

/// Three batches of 4, 3 and 2 claims.
fn claims() -> Vec<Vec<Claim>> {
    let copied = |start, bytes| Claim::Copied { extent: extent(start, bytes), hash: ChunkHash::of(&[7; 5]) };
    let deferred = |start, bytes| Claim::Deferred { extent: extent(start, bytes) };
    vec![
        vec![copied(0, 1 << 20), copied(1 << 20, 1 << 20), deferred(2 << 20, 65_536), copied(3 << 20, 512)],
        vec![copied(4 << 20, 4096), deferred(5 << 20, 512), copied(2 << 20, 512)],
        vec![Claim::Unreadable { extent: extent(5 << 20, 512) }, copied(6 << 20, 512)],
    ]
}

fn all() -> Vec<Claim> {
    claims().concat()
}

/// The bytes of a journal with [`claims`].
fn written() -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let mut journal = Journal::create(&path, &HEADER).unwrap();
    for batch in claims() {
        journal.append(&batch).unwrap();
        assert_eq!(journal.pending_claims(), batch.len());
        journal.sync().unwrap();
        assert_eq!(journal.pending_claims(), 0);
    }
    assert_eq!(journal.durable_claims(), 9);
    std::fs::read(&path).unwrap()
}

struct Scratch {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

fn scratch(bytes: &[u8]) -> Scratch {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    std::fs::write(&path, bytes).unwrap();
    Scratch { _folder: folder, path }
}

/// Claims of a journal in memory, or the first error.
fn read(bytes: &[u8]) -> Result<(Vec<Claim>, u64), JournalError> {
    let disk = Disk::holding(vec![Content::of(bytes)]);
    let mut iterator = read_claims_in(disk.file(0))?;
    let claims = (&mut iterator).collect::<Result<Vec<_>, _>>()?;
    Ok((claims, iterator.torn_bytes()))
}

fn ranges_of(claims: &[Claim]) -> Ranges {
    let mut ranges = Ranges::new();
    claims.iter().for_each(|claim| ranges.apply(claim));
    ranges
}

/// CRC-32C bit by bit: polynomial 1EDC6F41 reflected, as RFC 3720 12.1 has it. Shares nothing with the crate in use.
fn crc_32c(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0x82F6_3B78 } else { crc >> 1 })
    })
}

// The layout of docs/formats/journal.md, written down a second time.
#[test]
fn the_file_is_as_described() {
    assert_eq!(crc_32c(b"123456789"), 0xE306_9283);
    let mut header = [b"glnrjrnl".as_slice(), &1u32.to_le_bytes(), &[0; 4], b"case number 0001"].concat();
    header.extend((1u64 << 30).to_le_bytes());
    header.extend(512u32.to_le_bytes());
    header.resize(64, 0);
    let crc = crc_32c(&header);
    header[12..16].copy_from_slice(&crc.to_le_bytes());
    let mut expected = header;
    let mut number = 0u64;
    for batch in claims() {
        for (index, claim) in batch.iter().enumerate() {
            number += 1;
            let (kind, hash) = match claim {
                Claim::Copied { hash, .. } => (1, hash.0),
                Claim::Deferred { .. } => (2, [0; 32]),
                _ => (3, [0; 32]),
            };
            let mut record = vec![kind, u8::from(index == 0), 0, 0, 0, 0, 0, 0];
            record.extend(number.to_le_bytes());
            record.extend(claim.extent().start.0.to_le_bytes());
            record.extend(claim.extent().bytes.to_le_bytes());
            record.extend(hash);
            let crc = crc_32c(&[b"case number 0001".as_slice(), &record].concat());
            record[4..8].copy_from_slice(&crc.to_le_bytes());
            expected.extend(record);
        }
    }
    assert_eq!(written(), expected);
}

#[test]
fn what_was_written_is_replayed_and_gone_on_with() {
    let file = scratch(&written());
    let (header, ranges) = replay(&file.path).unwrap();
    assert_eq!((header, &ranges), (HEADER, &ranges_of(&all())));
    assert_eq!(ranges.copied_bytes(), (2 << 20) + 512 + 4096 + 512 + 512);
    assert_eq!(ranges.deferred_bytes(), 65_536 - 512);
    assert_eq!(ranges.unreadable_bytes(), 512);
    let (mut journal, ranges) = Journal::open(&file.path).unwrap();
    assert_eq!(ranges, ranges_of(&all()));
    assert_eq!((journal.cut_bytes(), journal.durable_claims()), (0, 9));
    journal.append(&claims()[0]).unwrap();
    let batch = journal.take_batch();
    assert_eq!(journal.pending_claims(), 0);
    journal.write_batch(batch).unwrap();
    let held: Vec<Claim> = read_claims(&file.path).unwrap().map(Result::unwrap).collect();
    assert_eq!(held, [all(), claims()[0].clone()].concat());
    // Not synced: nothing of it may reach the file.
    journal.append(&claims()[1]).unwrap();
    drop(journal);
    assert_eq!(read_claims(&file.path).unwrap().count(), 13);
}

#[test]
fn never_over_an_existing_file_and_never_beyond_the_drive() {
    let file = scratch(b"somebody else's");
    assert!(matches!(Journal::create(&file.path, &HEADER), Err(JournalError::Create(_))));
    assert_eq!(std::fs::read(&file.path).unwrap(), b"somebody else's");
    assert!(matches!(Journal::open(&file.path), Err(JournalError::NotAJournal)));
    assert!(matches!(Journal::open(Path::new("/nowhere/journal")), Err(JournalError::Open { .. })));

    let file = scratch(&written());
    let (mut journal, _) = Journal::open(&file.path).unwrap();
    for wrong in [extent(1 << 30, 1), extent((1 << 30) - 1, 2), extent(5, 0)] {
        let error = journal.append(&[claims()[0][0], Claim::Deferred { extent: wrong }]).unwrap_err();
        assert!(matches!(error, JournalError::OutOfDrive { .. }), "{error}");
    }
    assert_eq!(journal.pending_claims(), 0);
}

#[test]
fn cut_at_every_byte_it_gives_a_first_part_and_never_more() {
    let bytes = written();
    for length in 0..=bytes.len() {
        if length < 64 {
            assert!(matches!(read(&bytes[..length]), Err(JournalError::NotAJournal)), "{length}");
            continue;
        }
        let whole = length / 64 - 1;
        let (claims, torn) = read(&bytes[..length]).unwrap();
        assert_eq!(claims, all()[..whole], "{length}");
        assert_eq!(torn, length as u64 % 64, "{length}");
        let disk = Disk::holding(vec![Content::of(&bytes[..length])]);
        let (journal, ranges) = Journal::open_in(disk.file(0)).unwrap();
        assert_eq!(journal.cut_bytes(), torn);
        assert_eq!(ranges, ranges_of(&all()[..whole]));
        assert_eq!(disk.content(0).bytes(), bytes[..(whole + 1) * 64]);
    }
}

// In the last batch a flipped byte cannot be told from a write that power cut short: the rest is cut, and said so. In
// an earlier one it is an error that names the place. In no case is a changed claim believed.
#[test]
fn every_flipped_byte_is_detected() {
    let bytes = written();
    for at in 0..bytes.len() {
        for flip in [0x01, 0x80, 0xFF] {
            let mut flipped = bytes.clone();
            flipped[at] ^= flip;
            let number = at / 64;
            match (read(&flipped), number) {
                (Err(JournalError::NotAJournal), 0) => assert!(at < 8),
                (Err(JournalError::Header { .. }), 0) => assert!(at >= 8),
                (Err(JournalError::Damaged { offset, number: named }), 1..=7) => {
                    assert_eq!((offset, named), (number as u64 * 64, number as u64));
                }
                (Ok((claims, torn)), 8..) => {
                    assert_eq!(claims, all()[..number - 1]);
                    assert_eq!(torn, (bytes.len() - number * 64) as u64);
                }
                (other, _) => panic!("byte {at}: {other:?}"),
            }
        }
    }
}

#[test]
fn damage_before_the_end_leaves_the_file_alone() {
    let mut bytes = written();
    bytes[3 * 64 + 20] ^= 4;
    let file = scratch(&bytes);
    let error = Journal::open(&file.path).err().unwrap();
    assert_eq!(
        error.to_string(),
        "the journal is damaged at byte 192 (record 3), and sound records follow, so this is no torn end; \
         the others can be salvaged into a new journal"
    );
    assert_eq!(std::fs::read(&file.path).unwrap(), bytes);
}

#[test]
fn reordered_repeated_and_missing_records_are_detected() {
    let bytes = written();
    let records: Vec<&[u8]> = bytes.chunks(64).collect();
    for first in 1..records.len() {
        for second in first + 1..records.len() {
            let mut swapped = records.clone();
            swapped.swap(first, second);
            let error = read(&swapped.concat()).unwrap_err();
            let JournalError::Unsound { number, what: Unsound::Misplaced { found }, .. } = error else {
                panic!("{error}")
            };
            assert_eq!((number, found), (first as u64, second as u64));
        }
        let mut repeated = records.clone();
        repeated.insert(first, records[first]);
        let error = read(&repeated.concat()).unwrap_err();
        assert!(matches!(error, JournalError::Unsound { what: Unsound::Misplaced { .. }, .. }), "{error}");
        if first + 1 < records.len() {
            let mut missing = records.clone();
            missing.remove(first);
            let error = read(&missing.concat()).unwrap_err();
            assert!(matches!(error, JournalError::Unsound { what: Unsound::Misplaced { .. }, .. }), "{error}");
        }
    }
}

// A sector of 512 bytes that a power cut lost, with later ones of the same batch written: torn. The same in a batch that
// others follow: damage.
#[test]
fn a_lost_sector_is_torn_in_the_last_batch_and_damage_before() {
    let many: Vec<Claim> = (0..100).map(|n| Claim::Deferred { extent: extent(n * 4096, 512) }).collect();
    let disk = Disk::holding(vec![Content::default()]);
    let mut journal = Journal::create_in(disk.file(0), &HEADER).unwrap();
    for batch in many.chunks(50) {
        journal.append(batch).unwrap();
        journal.sync().unwrap();
    }
    let bytes = disk.content(0).bytes();
    for sector in 1..bytes.len() / 512 {
        for fill in [0, 0xFF] {
            let mut lost = bytes.clone();
            lost[sector * 512..][..512].fill(fill);
            // Record 51 starts the second batch; it lies in sector 6.
            match (sector, read(&lost)) {
                (1..=5, Err(JournalError::Damaged { number, .. })) => assert_eq!(number, sector as u64 * 8),
                (6.., Ok((claims, torn))) => {
                    assert_eq!(claims, many[..sector * 8 - 1]);
                    assert_eq!(torn, (bytes.len() - sector * 512) as u64);
                }
                (_, other) => panic!("sector {sector}: {other:?}"),
            }
        }
    }
}

// Blocks of a deleted journal of another case, or anything else, may stand behind the end after a power cut.
#[test]
fn records_of_another_case_are_not_believed() {
    let other = JournalHeader { case_id: *b"case number 0002", ..HEADER };
    let disk = Disk::holding(vec![Content::default()]);
    let mut journal = Journal::create_in(disk.file(0), &other).unwrap();
    journal.append(&all()).unwrap();
    journal.append(&all()).unwrap();
    journal.sync().unwrap();
    let foreign = disk.content(0).bytes();
    let mut bytes = written();
    bytes.extend(&foreign[bytes.len()..]);
    let (claims, torn) = read(&bytes).unwrap();
    assert_eq!(claims, all());
    assert_eq!(torn, 9 * 64);
}

#[test]
fn what_is_sound_is_salvaged_from_before_and_after() {
    let mut bytes = written();
    bytes[64 * 2 + 9] ^= 1;
    let sixth = bytes[64 * 6..64 * 7].to_vec();
    bytes[64 * 5..64 * 6].copy_from_slice(&sixth);
    bytes.extend([0xAB; 30]);
    let file = scratch(&bytes);
    let new = file.path.with_file_name("salvaged");
    let salvaged = salvage(&file.path, &new, &HEADER).unwrap();
    assert_eq!((salvaged.kept, salvaged.lost, salvaged.first_lost, salvaged.torn_bytes), (7, 2, Some(2), 30));
    let kept: Vec<Claim> = read_claims(&new).unwrap().map(Result::unwrap).collect();
    let expected: Vec<Claim> =
        all().into_iter().enumerate().filter(|(index, _)| ![1, 4].contains(index)).map(|(_, claim)| claim).collect();
    assert_eq!(kept, expected);
    assert_eq!(std::fs::read(&file.path).unwrap(), bytes);

    // A damaged header: the case knows what belongs there.
    let mut bytes = written();
    bytes[33] ^= 1;
    let file = scratch(&bytes);
    assert!(matches!(Journal::open(&file.path), Err(JournalError::Header { .. })));
    let new = file.path.with_file_name("salvaged");
    assert_eq!(salvage(&file.path, &new, &HEADER).unwrap().kept, 9);
    assert!(matches!(salvage(&file.path, &new, &HEADER), Err(JournalError::Create(_))));
    let other = JournalHeader { case_id: [0; 16], ..HEADER };
    let nothing = salvage(&file.path, &file.path.with_file_name("other"), &other).unwrap();
    assert_eq!((nothing.kept, nothing.lost), (0, 9));
}

// A journal larger than what is read at once, with claims that fall all over the drive.
#[test]
fn many_claims() {
    measure(20_000);
}

#[test]
#[ignore = "takes a while; for its figures"]
fn a_million_claims_in_figures() {
    measure(1_000_000);
}

fn measure(count: u64) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let header = JournalHeader { drive_bytes: 1 << 40, ..HEADER };
    let mut journal = Journal::create(&path, &header).unwrap();
    let mut random = simulated_disk::Random::new(3);
    let claims: Vec<Claim> = (0..count)
        .map(|_| {
            let extent = extent(random.below((1 << 28) - 4) * 4096, 512 * (1 + random.below(16)));
            match random.below(3) {
                0 => Claim::Deferred { extent },
                1 => Claim::Unreadable { extent },
                _ => Claim::Copied { extent, hash: ChunkHash([1; 32]) },
            }
        })
        .collect();
    let begun = std::time::Instant::now();
    for batch in claims.chunks(10_000) {
        journal.append(batch).unwrap();
        journal.sync().unwrap();
    }
    let (appended, begun) = (begun.elapsed(), std::time::Instant::now());
    let (_, ranges) = replay(&path).unwrap();
    let replayed = begun.elapsed();
    assert_eq!(ranges, ranges_of(&claims));
    println!(
        "{count} claims: appended in {appended:?}, replayed in {replayed:?}; {} stretches",
        ranges.iter_copied().count() + ranges.iter_deferred().count() + ranges.iter_unreadable().count()
    );
}
