//! Image and journal together on a disk that loses power behind every single write and sync, again and again while the
//! work is resumed: nothing is ever claimed that is not in the image, and nothing that was committed is lost.

#[path = "support/simulated_disk.rs"]
mod simulated_disk;

use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::case::{CaseStore, CommitRule};
use gleaner::source::{CopyStore, Failure, RangeMark, Skip};
use gleaner::store::image::{self, Image, ImageForm};
use gleaner::store::journal::{ChunkHash, Journal, JournalClaim, JournalHeader, RangeState, Ranges, read_claims_in};
use simulated_disk::{Content, Disk, Random};
use std::io;
use std::time::Duration;

const IMAGE: usize = 0;
const JOURNAL: usize = 1;
const DRIVE_BYTES: u64 = 5 * 1024 * 1024 + 512;
const UNREADABLE: Extent = Extent { start: ByteOffset(40_960), bytes: 4096 };

const KIB: u64 = 1024;
const MIB: u64 = 1024 * KIB;

/// What is copied, and in pieces of how many bytes: small pieces; one with zeros inside; nothing but zeros; one that
/// lies in two blocks of a VHDX; an odd end.
const PLANNED: [(u64, u64, u64); 6] = [
    (0, 160 * KIB, 16 * KIB),
    (MIB, 160 * KIB, 160 * KIB),
    (2 * MIB, 128 * KIB, 128 * KIB),
    (3 * MIB + 512 * KIB, 128 * KIB, 16 * KIB),
    (4 * MIB - 32 * KIB, 64 * KIB, 64 * KIB),
    (5 * MIB, 512, 512),
];

/// How much more than usual is tried: `scripts/crash-runs`.
fn crashes() -> u64 {
    std::env::var("GLEANER_CRASHES").ok().and_then(|text| text.parse().ok()).unwrap_or(1)
}

fn header() -> JournalHeader {
    JournalHeader { case_id: [0xC5; 16], drive_bytes: DRIVE_BYTES, sector: SectorSize::S512 }
}

/// What the drive holds: noise with long zeros in between.
fn drive() -> Vec<u8> {
    let mut bytes = vec![0; usize::try_from(DRIVE_BYTES).unwrap()];
    let mut random = Random::new(7);
    random.fill(&mut bytes);
    bytes[1_048_576 + 30_000..1_048_576 + 130_000].fill(0);
    bytes[2_097_152..3_145_728].fill(0);
    bytes
}

/// A run, and what it did: claims in order, and how many were committed after so many steps of the disk.
struct Run {
    disk: Disk,
    claims: Vec<JournalClaim>,
    commits: Vec<(usize, usize)>,
}

/// Wrong on purpose: an image that says it is durable one commit before it is. Shows that this test sees the wrong order.
struct Hasty {
    image: Box<dyn Image>,
}

impl Image for Hasty {
    fn bytes(&self) -> u64 {
        self.image.bytes()
    }

    fn write_at(&self, at: ByteOffset, bytes: &[u8]) -> io::Result<()> {
        self.image.write_at(at, bytes)
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        self.image.read_at(at, buffer)
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }

    fn room(&self) -> Option<u64> {
        None
    }

    fn check_intact(&self) -> io::Result<()> {
        Ok(())
    }
}

/// In which order a commit makes its two files durable.
#[derive(Clone, Copy, PartialEq)]
enum Order {
    /// The store's own.
    Shipped,
    /// Without the image.
    Hasty,
}

fn new_disk(form: ImageForm) -> Disk {
    let disk = Disk::holding(vec![Content::default(), Content::default()]);
    image::create_in(disk.file(IMAGE), form, DRIVE_BYTES, SectorSize::S512, SectorSize::S4096).unwrap();
    drop(Journal::create_in(disk.file(JOURNAL), &header()).unwrap());
    Disk::holding(vec![disk.content(IMAGE), disk.content(JOURNAL)])
}

/// The product's own store over what the disk holds, with the ranges that its journal came to. It commits when it is told to,
/// so that a run is the same every time.
fn store_on(disk: &Disk, form: ImageForm, order: Order) -> Result<(CaseStore, Ranges), String> {
    let mut image = image::open_in(disk.file(IMAGE), form).map_err(|e| format!("image: {e}"))?;
    if order == Order::Hasty {
        image = Box::new(Hasty { image });
    }
    let (journal, ranges) = Journal::open_in(disk.file(JOURNAL)).map_err(|e| format!("journal: {e}"))?;
    let told = CommitRule { bytes: u64::MAX, time: Duration::from_secs(3600) };
    Ok((CaseStore::new(image, journal, ranges.clone(), 0, told), ranges))
}

/// Copies what the journal does not claim yet, in scattered chunks.
fn work(disk: &Disk, form: ImageForm, drive: &[u8], seed: u64, order: Order) -> Result<Run, String> {
    let mut random = Random::new(seed);
    let (store, ranges) = store_on(disk, form, order)?;
    let opened = claims_in(disk)?;
    let mut run = Run { disk: disk.clone(), commits: vec![(disk.steps(), opened.len())], claims: opened };
    let mut todo = Vec::new();
    for (start, bytes, piece) in PLANNED {
        for (extent, state) in ranges.states(Extent::new(start, bytes).unwrap()) {
            if matches!(state, RangeState::NotRead | RangeState::Skipped) {
                todo.extend(extent.pieces(piece));
            }
        }
    }
    let failure = Failure::default();
    while !todo.is_empty() {
        let extent = todo.swap_remove(usize::try_from(random.below(todo.len() as u64)).unwrap());
        let claim = if let Some(bad) = extent.intersection(&UNREADABLE) {
            let mark = if bad != extent {
                todo.push(Extent::between(extent.start.0, bad.start.0));
                todo.push(Extent::between(bad.end(), extent.end()));
                todo.push(bad);
                todo.retain(|piece| !piece.is_empty());
                RangeMark::Skipped { extent: bad, why: Skip::Failed, failure }
            } else {
                RangeMark::Unreadable { extent, tries: 1, failure }
            };
            store.mark(mark).map_err(|e| format!("mark: {e}"))?;
            JournalClaim::Marked(mark)
        } else {
            let bytes = &drive[place(extent)];
            store.keep(extent, bytes).map_err(|e| format!("keep: {e}"))?;
            JournalClaim::Copied { extent, hash: ChunkHash::of(bytes) }
        };
        run.claims.push(claim);
        if random.percent(25) || todo.is_empty() {
            store.commit().map_err(|e| format!("commit: {e}"))?;
            run.commits.push((disk.steps(), run.claims.len()));
        }
    }
    Ok(run)
}

fn place(extent: Extent) -> std::ops::Range<usize> {
    usize::try_from(extent.start.0).unwrap()..usize::try_from(extent.end()).unwrap()
}

fn claims_in(disk: &Disk) -> Result<Vec<JournalClaim>, String> {
    let claims = read_claims_in(disk.file(JOURNAL)).map_err(|e| e.to_string())?;
    let all = claims.collect::<Result<Vec<_>, _>>().map_err(|e| e.to_string())?;
    Ok(all.into_iter().filter(|claim| !matches!(claim, JournalClaim::RunBegan { .. })).collect())
}

/// Every claim is true of the image.
fn check_claims(claims: &[JournalClaim], image: &dyn Image, drive: &[u8]) -> Result<(), String> {
    for claim in claims {
        if let JournalClaim::Copied { extent, hash } = claim {
            let mut held = vec![0xEE; usize::try_from(extent.bytes).unwrap()];
            image.read_at(extent.start, &mut held).map_err(|e| format!("{extent:?}: {e}"))?;
            if held != drive[place(*extent)] || ChunkHash::of(&held) != *hash {
                return Err(format!("{extent:?} is claimed and is not in the image"));
            }
        }
    }
    Ok(())
}

/// Cuts power behind `steps` steps of a run; gives what the disk holds then, when all is as promised.
fn cut(run: &Run, form: ImageForm, drive: &[u8], steps: usize, seed: u64) -> Result<Disk, String> {
    let disk = Disk::holding(run.disk.crash(steps, seed));
    let (_, ranges) = Journal::open_in(disk.file(JOURNAL)).map_err(|e| format!("journal: {e}"))?;
    let claims = claims_in(&disk)?;
    if claims != run.claims[..claims.len().min(run.claims.len())] {
        return Err("the claims are no first part of those made".into());
    }
    let committed = run.commits.iter().rev().find(|(at, _)| *at <= steps).map_or(0, |(_, count)| *count);
    if claims.len() < committed {
        return Err(format!("{committed} claims were committed, {} are left", claims.len()));
    }
    let image = image::open_in(disk.file(IMAGE), form).map_err(|e| format!("image: {e}"))?;
    check_claims(&claims, image.as_ref(), drive)?;
    let copied: u64 = ranges.iter_copied().map(|extent| extent.bytes).sum();
    if copied != ranges.copied_bytes() {
        return Err("the total of copied bytes is wrong".into());
    }
    Ok(disk)
}

fn finished(run: &Run, form: ImageForm, drive: &[u8]) {
    let (_, ranges) = Journal::open_in(run.disk.file(JOURNAL)).unwrap();
    let planned: u64 = PLANNED.iter().map(|(_, bytes, _)| bytes).sum();
    assert_eq!(ranges.copied_bytes(), planned - UNREADABLE.bytes);
    assert_eq!(ranges.iter_unreadable().collect::<Vec<_>>(), [UNREADABLE]);
    assert_eq!(ranges.skipped_bytes(), 0);
    let image = image::open_in(run.disk.file(IMAGE), form).unwrap();
    let mut held = vec![0; drive.len()];
    image.read_at(ByteOffset(0), &mut held).unwrap();
    let mut expected = vec![0; drive.len()];
    for (start, bytes, _) in PLANNED {
        let area = place(Extent::new(start, bytes).unwrap());
        expected[area.clone()].copy_from_slice(&drive[area]);
    }
    expected[place(UNREADABLE)].fill(0);
    assert!(held == expected, "the finished image is not what was planned");
}

fn survives(form: ImageForm) {
    let drive = drive();
    let run = work(&new_disk(form), form, &drive, 1, Order::Shipped).unwrap();
    finished(&run, form, &drive);
    let mut states = 0;
    for steps in 0..=run.disk.steps() {
        for seed in 0..20 * crashes() {
            let disk =
                cut(&run, form, &drive, steps, seed).unwrap_or_else(|e| panic!("step {steps}, seed {seed}: {e}"));
            states += 1;
            // Going on from there, power fails a second time, and then the work is finished.
            if (steps + usize::try_from(seed).unwrap()) % 17 == 0 {
                let second = work(&disk, form, &drive, seed + 100, Order::Shipped).unwrap();
                let mut random = Random::new(seed);
                let again = usize::try_from(random.below(second.disk.steps() as u64 + 1)).unwrap();
                let disk = cut(&second, form, &drive, again, seed + 50)
                    .unwrap_or_else(|e| panic!("step {steps}, then {again}, seed {seed}: {e}"));
                finished(&work(&disk, form, &drive, 3, Order::Shipped).unwrap(), form, &drive);
            }
        }
    }
    assert!(states > 800, "only {states} power cuts: this test no longer sees the writing");
}

#[test]
fn power_cuts_with_a_raw_image() {
    survives(ImageForm::Raw);
}

#[test]
fn power_cuts_with_a_vhdx() {
    survives(ImageForm::Vhdx);
}

// A process that is killed leaves in the kernel what the disk does not have yet. The next one goes on from that, and then
// power fails.
#[test]
fn power_cuts_after_a_process_was_killed() {
    let drive = drive();
    let form = ImageForm::Vhdx;
    let steps = work(&new_disk(form), form, &drive, 1, Order::Shipped).unwrap().disk.steps();
    for killed in 0..steps {
        let disk = new_disk(form);
        disk.fail_at(killed);
        assert!(work(&disk, form, &drive, 1, Order::Shipped).is_err());
        disk.fail_at(usize::MAX);
        let run = work(&disk, form, &drive, 2, Order::Shipped).unwrap();
        finished(&run, form, &drive);
        for steps in (killed..=run.disk.steps()).step_by(3) {
            cut(&run, form, &drive, steps, 8).unwrap_or_else(|e| panic!("killed {killed}, cut {steps}: {e}"));
        }
    }
}

#[test]
fn a_journal_ahead_of_its_image_is_noticed() {
    let drive = drive();
    for form in [ImageForm::Raw, ImageForm::Vhdx] {
        let run = work(&new_disk(form), form, &drive, 1, Order::Hasty).unwrap();
        let caught = (0..=run.disk.steps())
            .flat_map(|steps| (0..6).map(move |seed| (steps, seed)))
            .filter_map(|(steps, seed)| cut(&run, form, &drive, steps, seed).err());
        let wrong = caught.filter(|sentence| sentence.ends_with("is claimed and is not in the image")).count();
        assert!(wrong > 10, "{form}: only {wrong} noticed");
    }
}

// A disk that fails once at any write or sync: what was kept before stays, what arrived is kept after all where it can be,
// nothing false is claimed, and nothing that was kept has to be read from the drive again.
#[test]
fn a_disk_that_fails_once_loses_nothing() {
    let drive = drive();
    let chunks: Vec<(Extent, &[u8])> = drive[..200_000]
        .chunks(50_000)
        .enumerate()
        .map(|(index, chunk)| (Extent::new(index as u64 * 50_000, chunk.len() as u64).unwrap(), chunk))
        .collect();
    for form in [ImageForm::Raw, ImageForm::Vhdx] {
        let run = |fails_at: Option<usize>, loses: bool| {
            let disk = new_disk(form);
            let (store, _) = store_on(&disk, form, Order::Shipped).unwrap();
            let opened = disk.steps();
            if let Some(step) = fails_at {
                disk.fail_once_at(opened + step, loses);
            }
            let mut told = false;
            for (extent, chunk) in &chunks {
                // As the copy's writer does: once more, when the destination refuses.
                store.keep(*extent, chunk).or_else(|_| store.keep(*extent, chunk)).unwrap();
                told |= store.commit().is_err();
            }
            told |= store.commit().is_err();
            store.commit().unwrap();
            drop(store);
            let steps = disk.steps() - opened;
            for seed in 0..5 {
                let disk = Disk::holding(disk.crash(disk.steps(), seed));
                let claims = claims_in(&disk).unwrap();
                let image = image::open_in(disk.file(IMAGE), form).unwrap();
                check_claims(&claims, image.as_ref(), &drive)
                    .unwrap_or_else(|e| panic!("{form}, step {fails_at:?}, loses {loses}: {e}"));
                let (_, ranges) = Journal::open_in(disk.file(JOURNAL)).unwrap();
                // What the destination has lost for readers too cannot be kept; that is told.
                let lost = 200_000 - ranges.copied_bytes();
                assert!(
                    lost == 0 || (loses && told && lost == 50_000),
                    "{form}, step {fails_at:?}, loses {loses}: {lost}"
                );
            }
            steps
        };
        for step in 0..run(None, false) {
            run(Some(step), false);
            run(Some(step), true);
        }
    }
}

// The disk fails for good: what was committed is there, what was not is not claimed, and every later call says so.
#[test]
fn a_disk_that_fails_for_good_keeps_what_was_committed() {
    let drive = drive();
    for form in [ImageForm::Raw, ImageForm::Vhdx] {
        let steps = work(&new_disk(form), form, &drive, 1, Order::Shipped).unwrap().disk.steps();
        for step in 0..steps {
            let disk = new_disk(form);
            disk.fail_at(step);
            let error = work(&disk, form, &drive, 1, Order::Shipped).err().expect("it fails");
            disk.fail_at(usize::MAX);
            let claims = claims_in(&disk).unwrap_or_else(|e| panic!("{form}, step {step}, after {error}: {e}"));
            let image = image::open_in(disk.file(IMAGE), form).unwrap();
            check_claims(&claims, image.as_ref(), &drive).unwrap();
        }
    }
}
