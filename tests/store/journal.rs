//! The journal's file against its description, and against every way to damage a small one.

use crate::simulated_disk;

use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::source::{Blame, Failure, RangeMark, Skip};
use gleaner::store::durable_file::DiskFile;
use gleaner::store::journal::{
    ChunkHash, Journal, JournalClaim, JournalError, JournalHeader, Ranges, Salvaged, Unsound, read_claims,
    read_claims_in, replay, salvage, standing_chunks,
};
use simulated_disk::{Content, Disk};
use std::path::{Path, PathBuf};

const HEADER: JournalHeader =
    JournalHeader { case_id: *b"case number 0001", drive_bytes: 1 << 30, sector: SectorSize::S512 };

fn extent(start: u64, bytes: u64) -> Extent {
    Extent::new(start, bytes).unwrap()
}

fn skipped(extent: Extent) -> JournalClaim {
    let failure = Failure { blame: Blame::Undecided, errno: 5 };
    JournalClaim::Marked(RangeMark::Skipped { extent, why: Skip::Failed, failure })
}

fn unreadable(extent: Extent) -> JournalClaim {
    let failure = Failure { blame: Blame::Medium, errno: 61 };
    JournalClaim::Marked(RangeMark::Unreadable { extent, tries: 2, failure })
}

fn create(path: &Path, header: &JournalHeader) -> Journal {
    let file = std::fs::File::options().read(true).write(true).create_new(true).open(path).unwrap();
    Journal::create_in(Box::new(DiskFile::new(file)), header).unwrap()
}

fn open(path: &Path) -> Result<(Journal, Ranges), JournalError> {
    let file = std::fs::File::options().read(true).write(true).open(path).unwrap();
    Journal::open_in(Box::new(DiskFile::at(file, path)))
}

/// Three batches of 4, 3 and 2 claims.
fn claims() -> Vec<Vec<JournalClaim>> {
    let copied = |start, bytes| JournalClaim::Copied { extent: extent(start, bytes), hash: ChunkHash::of(&[7; 5]) };
    let deferred = |start, bytes| skipped(extent(start, bytes));
    vec![
        vec![copied(0, 1 << 20), copied(1 << 20, 1 << 20), deferred(2 << 20, 65_536), copied(3 << 20, 512)],
        vec![copied(4 << 20, 4096), deferred(5 << 20, 512), copied(2 << 20, 512)],
        vec![unreadable(extent(5 << 20, 512)), copied(6 << 20, 512)],
    ]
}

fn all() -> Vec<JournalClaim> {
    claims().concat()
}

/// The bytes of a journal with [`claims`].
fn written() -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let mut journal = create(&path, &HEADER);
    for batch in claims() {
        journal.write(&batch).unwrap();
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
fn read(bytes: &[u8]) -> Result<(Vec<JournalClaim>, u64), JournalError> {
    let disk = Disk::holding(vec![Content::of(bytes)]);
    let mut iterator = read_claims_in(disk.file(0))?;
    let claims = (&mut iterator).collect::<Result<Vec<_>, _>>()?;
    Ok((claims, iterator.torn_bytes()))
}

fn ranges_of(claims: &[JournalClaim]) -> Ranges {
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
    let mut header = [b"glnrjrnl".as_slice(), &2u32.to_le_bytes(), &[0; 4], b"case number 0001"].concat();
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
            // Why it was skipped, what the failure blames, tries, the kernel's number.
            let (kind, details) = match claim {
                JournalClaim::Copied { hash, .. } => (1, hash.0.to_vec()),
                JournalClaim::Marked(RangeMark::Skipped { .. }) => (2, vec![2, 3, 0, 0, 5, 0]),
                _ => (3, vec![0, 1, 2, 0, 61, 0]),
            };
            let extent = claim.extent().unwrap();
            let mut record = vec![kind, u8::from(index == 0), 0, 0, 0, 0, 0, 0];
            record.extend(number.to_le_bytes());
            record.extend(extent.start.0.to_le_bytes());
            record.extend(extent.bytes.to_le_bytes());
            record.extend(details);
            record.resize(64, 0);
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
    assert_eq!(ranges.skipped_bytes(), 65_536 - 512);
    assert_eq!(ranges.unreadable_bytes(), 512);
    let (mut journal, ranges) = open(&file.path).unwrap();
    assert_eq!(ranges, ranges_of(&all()));
    assert_eq!((journal.cut_bytes(), journal.durable_claims()), (0, 9));
    journal.write(&claims()[0]).unwrap();
    let held: Vec<JournalClaim> = read_claims(&file.path).unwrap().map(Result::unwrap).collect();
    assert_eq!(held, [all(), claims()[0].clone()].concat());
}

#[test]
fn nothing_but_a_journal_and_never_beyond_the_drive() {
    let file = scratch(b"somebody else's");
    assert!(matches!(open(&file.path), Err(JournalError::NotAJournal)));
    assert!(matches!(read_claims(Path::new("/nowhere/journal")), Err(JournalError::Open { .. })));

    let file = scratch(&written());
    let (mut journal, _) = open(&file.path).unwrap();
    for wrong in [extent(1 << 30, 1), extent((1 << 30) - 1, 2), extent(5, 0)] {
        let error = journal.write(&[claims()[0][0], skipped(wrong)]).unwrap_err();
        assert!(matches!(error, JournalError::OutOfDrive { .. }), "{error}");
    }
    assert_eq!(journal.durable_claims(), 9);
    assert_eq!(std::fs::read(&file.path).unwrap(), written());
}

/// A case of an earlier program: the same claims in version 1, which knew neither reasons nor failures.
#[test]
fn a_journal_of_version_1_is_read_and_gone_on_with() {
    let mut bytes = written();
    bytes[8] = 1;
    let fix = |record: &mut [u8], at: usize, before: &[u8]| {
        record[at..at + 4].fill(0);
        let crc = crc_32c(&[before, record].concat());
        record[at..at + 4].copy_from_slice(&crc.to_le_bytes());
    };
    fix(&mut bytes[..64], 12, b"");
    for record in bytes[64..].chunks_mut(64) {
        if record[0] != 1 {
            record[32..].fill(0);
        }
        fix(record, 4, b"case number 0001");
    }
    let file = scratch(&bytes);
    let (_, ranges) = replay(&file.path).unwrap();
    let whole = extent(0, 1 << 30);
    assert_eq!(ranges.states(whole), ranges_of(&all()).states(whole));
    assert_eq!(ranges.skips(extent(2 << 20, 65_536)), [(extent((2 << 20) + 512, 65_024), Skip::NotRecorded)]);
    let (mut journal, _) = open(&file.path).unwrap();
    journal.write(&[JournalClaim::Marked(RangeMark::Retry { extent: extent(5 << 20, 512) })]).unwrap();
    let (_, ranges) = replay(&file.path).unwrap();
    assert_eq!(ranges.skips(extent(5 << 20, 512)), [(extent(5 << 20, 512), Skip::Again)]);
    assert_eq!(std::fs::read(&file.path).unwrap()[8], 2);
}

/// A later, shorter batch must not be followed by what a failed one left.
#[test]
fn a_batch_that_could_not_be_made_durable_leaves_nothing_behind() {
    let disk = Disk::holding(vec![Content::default()]);
    let mut journal = Journal::create_in(disk.file(0), &HEADER).unwrap();
    disk.fail_at(disk.steps() + 1);
    journal.write(&all()).unwrap_err();
    disk.fail_at(usize::MAX);
    let one = skipped(extent(1 << 20, 512));
    journal.write(&[one]).unwrap();
    assert_eq!(read(&disk.content(0).bytes()).unwrap(), (vec![one], 0));
    for steps in 0..=disk.steps() {
        for seed in 0..50 {
            let (claims, _) = match read(&disk.crash(steps, seed)[0].bytes()) {
                Ok(read) => read,
                Err(JournalError::NotAJournal | JournalError::Header { .. }) if steps < 3 => continue,
                Err(error) => panic!("step {steps}, seed {seed}: {error}"),
            };
            assert!(claims == all()[..claims.len().min(9)] || claims == [one], "step {steps}, seed {seed}: {claims:?}");
        }
    }
}

#[test]
fn chunks_that_were_withdrawn_do_not_stand() {
    let file = scratch(&written());
    let (mut journal, _) = open(&file.path).unwrap();
    let copied = |start| JournalClaim::Copied { extent: extent(start, 1 << 20), hash: ChunkHash::of(&[9]) };
    journal
        .write(&[JournalClaim::Marked(RangeMark::Withdrawn { extent: extent(0, 2 << 20) }), copied(1 << 20)])
        .unwrap();
    let standing: Vec<u64> = standing_chunks(&file.path).unwrap().map(|chunk| chunk.unwrap().0.start.0).collect();
    assert_eq!(standing, [3 << 20, 4 << 20, 2 << 20, 6 << 20, 1 << 20]);
    let (_, ranges) = replay(&file.path).unwrap();
    assert_eq!(ranges.held(extent(0, 3 << 20)), [extent(1 << 20, (1 << 20) + 512)]);
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
    let error = open(&file.path).err().unwrap();
    assert_eq!(
        error.to_string(),
        "the journal is damaged at byte 192 (record 3), and sound records follow, so this is no torn end; \
         `gleaner mend` saves the sound ones into a new journal"
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
    let many: Vec<JournalClaim> = (0..100).map(|n| skipped(extent(n * 4096, 512))).collect();
    let disk = Disk::holding(vec![Content::default()]);
    let mut journal = Journal::create_in(disk.file(0), &HEADER).unwrap();
    for batch in many.chunks(50) {
        journal.write(batch).unwrap();
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
    journal.write(&[all(), all()].concat()).unwrap();
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
    let (kept, salvaged, asked) = saved(&bytes, &HEADER);
    assert_eq!((salvaged.kept, salvaged.lost, salvaged.first_lost, salvaged.torn_bytes), (7, 2, Some(2), 30));
    let expected: Vec<JournalClaim> =
        all().into_iter().enumerate().filter(|(index, _)| ![1, 4].contains(index)).map(|(_, claim)| claim).collect();
    assert_eq!(kept, expected);
    // No withdrawal is missing between them; at the torn end one could be.
    assert_eq!((salvaged.lost_withdrawals, asked.len()), (0, 4));

    // A damaged header: the case knows what belongs there.
    let mut bytes = written();
    bytes[33] ^= 1;
    let file = scratch(&bytes);
    assert!(matches!(open(&file.path), Err(JournalError::Header { .. })));
    let (kept, salvaged, asked) = saved(&bytes, &HEADER);
    assert_eq!((kept, salvaged.kept, asked.len()), (all(), 9, 0));
    let other = JournalHeader { case_id: [0; 16], ..HEADER };
    let (_, nothing, _) = saved(&bytes, &other);
    assert_eq!((nothing.kept, nothing.lost), (0, 9));
}

/// What a salvage keeps, where every chunk of 512 bytes is doubtful; and the chunks that it asked about.
fn saved(bytes: &[u8], header: &JournalHeader) -> (Vec<JournalClaim>, Salvaged, Vec<Extent>) {
    let disk = Disk::holding(vec![Content::of(bytes), Content::default()]);
    let mut asked = Vec::new();
    let mut is_doubtful = |chunk: Extent| {
        asked.push(chunk);
        chunk.bytes == 512
    };
    let (journal, ranges, salvaged) = salvage(disk.file(0), disk.file(1), header, &mut is_doubtful).unwrap();
    drop(journal);
    assert_eq!(disk.content(0).bytes(), bytes, "the damaged one stays as it is");
    let (mut kept, torn) = read(&disk.content(1).bytes()).map_or((Vec::new(), 0), |read| read);
    assert_eq!((torn, &ranges), (0, &ranges_of(&kept)));
    kept.retain(|claim| {
        !matches!(claim, JournalClaim::Marked(RangeMark::Withdrawn { .. })) || salvaged.lost_withdrawals > 0
    });
    (kept, salvaged, asked)
}

// A withdrawal that is lost would bring back what it took away. Each record tells how many were before it.
#[test]
fn a_lost_withdrawal_is_noticed_and_what_it_can_have_meant_is_read_again() {
    let copied = |start, bytes| JournalClaim::Copied { extent: extent(start, bytes), hash: ChunkHash::of(&[7]) };
    let batches = [
        vec![copied(0, 512), copied(512, 4096)],
        vec![JournalClaim::Marked(RangeMark::Withdrawn { extent: extent(0, 512) })],
        vec![copied(1 << 20, 512)],
    ];
    let disk = Disk::holding(vec![Content::default()]);
    let mut journal = Journal::create_in(disk.file(0), &HEADER).unwrap();
    batches.iter().for_each(|batch| journal.write(batch).unwrap());
    let mut bytes = disk.content(0).bytes();
    bytes[64 * 3 + 20] ^= 1;
    let (kept, salvaged, asked) = saved(&bytes, &HEADER);
    assert_eq!((salvaged.kept, salvaged.lost, salvaged.lost_withdrawals), (3, 1, 1));
    assert_eq!(asked, [extent(0, 512), extent(512, 4096)]);
    assert_eq!(kept, [batches[0].clone(), batches[1].clone(), batches[2].clone()].concat());
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
    let mut journal = create(&path, &header);
    let mut random = simulated_disk::Random::new(3);
    let claims: Vec<JournalClaim> = (0..count)
        .map(|_| {
            let extent = extent(random.below((1 << 28) - 4) * 4096, 512 * (1 + random.below(16)));
            match random.below(3) {
                0 => skipped(extent),
                1 => unreadable(extent),
                _ => JournalClaim::Copied { extent, hash: ChunkHash([1; 32]) },
            }
        })
        .collect();
    let begun = std::time::Instant::now();
    for batch in claims.chunks(10_000) {
        journal.write(batch).unwrap();
    }
    let (appended, begun) = (begun.elapsed(), std::time::Instant::now());
    let (_, ranges) = replay(&path).unwrap();
    let replayed = begun.elapsed();
    assert_eq!(ranges, ranges_of(&claims));
    println!(
        "{count} claims: appended in {appended:?}, replayed in {replayed:?}; {} stretches",
        ranges.iter_copied().count() + ranges.iter_skipped().count() + ranges.iter_unreadable().count()
    );
}
