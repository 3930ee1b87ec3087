//! The simulated drive against arithmetic by hand, and its own log against what the reader of a source counts.

mod yardsticks;

use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::drive::model::{DriveModel, SeekCurve, preset};
use gleaner::drive::sick::{
    Ailment, Content, DriveSpec, Growth, HeadOrder, Heat, Illness, LogTotals, Outcome, Request, SickDrive, UNIT, Zone,
};
use gleaner::source::{MemorySource, ReadError, ReadTotals, Reader, Source, SourceLost, StreamBlock};
use gleaner::survey::allocation::read_drive;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::{Duration, Instant};

const MIB: u64 = 1 << 20;

/// A track to the next 1 ms, a third of the stroke 10 ms, all of it 20 ms; a turn 10 ms, a request 0.5 ms, a failed read 7 s.
fn model() -> DriveModel {
    DriveModel {
        seek: SeekCurve { shortest_ms: 1.0, average_ms: 10.0, longest_ms: 20.0 },
        turn_ms: 10.0,
        request_ms: 0.5,
        interface_rate: 1e12,
        failed_seconds: 7.0,
        ..preset("notebook-5400").unwrap().model()
    }
}

fn spec(zones: Vec<Zone>, ailments: Vec<Ailment>) -> DriveSpec {
    DriveSpec {
        zones,
        order: HeadOrder::Same,
        model: model(),
        logical_sector: SectorSize::S512,
        physical_sector: SectorSize::S512,
        ailments,
        heat: Heat::OPEN_BENCH,
        seed: 1,
        content: Content::Numbers,
    }
}

/// Three zones of 102.4 MB at 102.4, 51.2 and 25.6 MB/s, under one head.
fn three_zones(ailments: Vec<Ailment>) -> SickDrive {
    let zone = |rate| Zone { bytes: 102_400_000, rate, bands: vec![102_400_000] };
    SickDrive::new(spec([102.4e6, 51.2e6, 25.6e6].map(zone).into(), ailments))
}

/// 64 MiB in bands of 4 MiB under two heads, at 2^20 bytes in 10 ms.
fn two_heads(ailments: Vec<Ailment>) -> SickDrive {
    let zone = Zone { bytes: 64 * MIB, rate: 104_857_600.0, bands: vec![4 * MIB, 4 * MIB] };
    SickDrive::new(spec(vec![zone], ailments))
}

/// A read, and what its caller sees of it.
fn read(drive: &SickDrive, start: u64, bytes: u64) -> Request {
    let mut buffer = vec![0; usize::try_from(bytes).unwrap()];
    let began = drive.clock().now();
    let outcome = match drive.read_at(Extent::between(start, start + bytes).start, &mut buffer) {
        Ok(()) => Outcome::Delivered,
        Err(ReadError::Gone(_)) => Outcome::Gone,
        Err(_) => Outcome::Failed,
    };
    Request { extent: Extent::between(start, start + bytes), began, took: drive.clock().since(began), outcome }
}

#[test]
fn the_log_has_what_was_read() {
    let drive = two_heads(vec![Ailment::BadSectors(vec![MIB]), Ailment::Vanishing { failures: 1 }]);
    let seen = [0, 2 * MIB, MIB, 0].map(|start| read(&drive, start, 4096));
    assert_eq!(drive.log(), seen);
    let outcomes = seen.map(|request| request.outcome);
    assert_eq!(outcomes, [Outcome::Delivered, Outcome::Delivered, Outcome::Failed, Outcome::Gone]);
}

fn assert_takes(request: Request, milliseconds: f64) {
    let took = request.took.as_secs_f64() * 1000.0;
    assert!((took - milliseconds).abs() < 0.01, "{request:?} should take {milliseconds} ms");
}

// Source: by hand. 1,024,000 bytes take 10, 20 and 40 ms in the three zones.
#[test]
fn times_of_zones_seeks_and_requests() {
    let drive = three_zones(vec![]);
    assert_takes(read(&drive, 0, 1_024_000), 0.5 + 10.0);
    assert_takes(read(&drive, 1_024_000, 1_024_000), 0.5 + 10.0);
    // A third of the stroke: 10 ms, and half a turn.
    assert_takes(read(&drive, 2_048_000 + 102_400_000, 1_024_000), 0.5 + 15.0 + 20.0);
    // From 105,472,000 to 258,048,000 of 307,200,000 bytes: 152,576,000, a share of 0.49667; on the line from a third
    // (10 ms) to the whole (20 ms) that is 10 + 10 x (0.49667 - 0.33333) / 0.66667 = 12.45 ms.
    assert_takes(read(&drive, 258_048_000, 1_024_000), 0.5 + 12.45 + 5.0 + 40.0);
    // Back over a twelfth, 25,600,000 bytes: the root of a quarter, 1 + 9 x 0.5 = 5.5 ms.
    assert_takes(read(&drive, 259_072_000 - 25_600_000, 1_024_000), 0.5 + 5.5 + 5.0 + 40.0);
    // On over 102,400 bytes: they pass in 4 ms, which is shorter than any seek.
    assert_takes(read(&drive, 234_598_400, 1_024_000), 0.5 + 4.0 + 40.0);
}

// Source: by hand. Half of the request lies in each zone, and the way to the next band is one track.
#[test]
fn a_request_over_a_zones_end_takes_both_rates_and_a_step() {
    let drive = three_zones(vec![]);
    read(&drive, 102_400_000 - 1_024_000, 512_000);
    assert_takes(read(&drive, 102_400_000 - 512_000, 1_024_000), 0.5 + 5.0 + 1.0 + 10.0);
    assert_takes(read(&drive, 102_400_000 + 512_000, 512_000), 0.5 + 10.0);
}

// Source: by hand. From band to band within a group the next begins where the last ended (1 ms); to the next group it is
// the width of a group, 8 of 64 MiB: 1 + 9 x root(0.125 / 0.33333) = 6.511 ms. A band of 4 MiB takes 40 ms.
#[test]
fn the_serpentine_costs_steps_and_seeks() {
    let drive = two_heads(vec![]);
    assert_takes(read(&drive, 0, 4 * MIB), 0.5 + 40.0);
    assert_takes(read(&drive, 4 * MIB, 4 * MIB), 0.5 + 1.0 + 40.0);
    assert_takes(read(&drive, 8 * MIB, 4 * MIB), 0.5 + 6.511 + 40.0);
    assert_takes(read(&drive, 12 * MIB, 16 * MIB), 0.5 + 1.0 + 6.511 + 1.0 + 6.511 + 160.0);
}

// Source: by hand. The head stands where it failed.
#[test]
fn a_failed_read_costs_its_time_and_brings_nothing() {
    let drive = three_zones(vec![Ailment::BadSectors(vec![614_400 + 100])]);
    let failed = read(&drive, 0, 1_024_000);
    assert_eq!(failed.outcome, Outcome::Failed);
    assert_takes(failed, 0.5 + 7000.0);
    // Over the bad sector itself, 512 bytes, in 0.005 ms.
    assert_takes(read(&drive, 614_400 + 512, 1_024_000), 0.5 + 0.005 + 10.0);
    assert_eq!(read(&drive, 614_400, 512).outcome, Outcome::Failed);
    assert_eq!(read(&drive, 614_400 - 512, 512).outcome, Outcome::Delivered);
}

#[test]
fn what_a_dead_head_holds_fails_and_nothing_else() {
    let drive = two_heads(vec![Ailment::DeadHead { head: 1 }]);
    for mib in 0..64 {
        let dead = mib / 4 % 2 == 1;
        assert_eq!(read(&drive, mib * MIB, MIB).outcome == Outcome::Failed, dead, "{mib}");
    }
    assert_eq!(read(&drive, 4 * MIB - 512, 512).outcome, Outcome::Delivered);
    assert_eq!(read(&drive, 4 * MIB - 512, 1024).outcome, Outcome::Failed);
}

#[test]
fn a_physical_sector_is_bad_as_a_whole() {
    let zone = Zone { bytes: MIB, rate: 1e8, bands: vec![MIB] };
    let mut spec = spec(vec![zone], vec![Ailment::BadSectors(vec![8192 + 512])]);
    spec.physical_sector = SectorSize::S4096;
    let drive = SickDrive::new(spec);
    let failed: Vec<u64> =
        (0..32).filter(|sector| read(&drive, sector * 512, 512).outcome == Outcome::Failed).collect();
    assert_eq!(failed, (16..24).collect::<Vec<_>>());
}

// Source: by hand. A track is 104,857,600 bytes/s x 10 ms = 1 MiB; a band of 4 MiB is four tracks.
#[test]
fn a_scratch_has_one_bad_sector_on_each_track_of_one_surface() {
    let drive = two_heads(vec![Ailment::Scratch { at: MIB + 4096, tracks: 5, slant: 1 }]);
    let bad: Vec<u64> =
        (0..64 * 2048).filter(|n| read(&drive, n * 512, 512).outcome == Outcome::Failed).map(|n| n * 512).collect();
    let from = |band: u64, track: u64, sector: u64| band * 4 * MIB + track * MIB + sector * 512;
    // Three tracks in the first band of head 0, then on in its next band, at the third.
    assert_eq!(bad, [from(0, 1, 8), from(0, 2, 9), from(0, 3, 10), from(2, 0, 0), from(2, 1, 1)]);
}

// Source: by hand: 4 MiB in 40 ms, of which 1 MiB takes ten times as long.
#[test]
fn a_slow_place_takes_its_times_as_long() {
    let place = Extent::between(MIB, 2 * MIB);
    let drive = two_heads(vec![Ailment::SlowPlace { extent: place, slowness: 10.0 }]);
    assert_takes(read(&drive, 0, 4 * MIB), 0.5 + 30.0 + 100.0);
    // A seek back within the band, 4 of 64 MiB (1 + 9 x root(0.0625 / 0.33333) = 4.897 ms), or rather twice that way: the
    // band lies across the group, 8 of 64 MiB, which makes 6.511 ms.
    assert_takes(read(&drive, 0, 512), 0.5 + 6.511 + 5.0 + 0.005);
}

#[test]
fn a_late_sector_answers_after_its_failures() {
    let drive = two_heads(vec![Ailment::LateSectors(vec![(4096, 3), (8192, 1)])]);
    let outcomes: Vec<bool> = (0..6).map(|_| read(&drive, 0, MIB).outcome == Outcome::Delivered).collect();
    // Three tries reach the first sector only; the fourth passes it and meets the second.
    assert_eq!(outcomes, [false, false, false, false, true, true]);
}

#[test]
fn a_weak_head_fails_in_its_share_of_tries_and_is_slow() {
    let zone = Zone { bytes: 1 << 30, rate: 104_857_600.0, bands: vec![128 * MIB, 128 * MIB] };
    let weak = Ailment::WeakHead { head: 1, fails: 0.1, slowness: 4.0 };
    let drive = SickDrive::new(spec(vec![zone], vec![weak]));
    assert!((0..2048).all(|n| read(&drive, n * UNIT, UNIT).outcome == Outcome::Delivered));
    let failed: Vec<u64> = (2048..4096).filter(|n| read(&drive, n * UNIT, UNIT).outcome == Outcome::Failed).collect();
    // 2,048 draws of 0.1: 205 with a standard deviation of root(2048 x 0.1 x 0.9) = 13.6.
    assert!((150..260).contains(&failed.len()), "{}", failed.len());
    let again = failed.iter().filter(|n| read(&drive, *n * UNIT, UNIT).outcome == Outcome::Failed).count();
    assert!(again * 3 < failed.len(), "most answer when they are tried again: {again} of {}", failed.len());
    let sound = (2048..4096).find(|n| !failed.contains(n) && !failed.contains(&(n + 1))).unwrap();
    read(&drive, sound * UNIT, UNIT);
    // A unit is 0.625 ms, four times as long.
    assert_takes(read(&drive, (sound + 1) * UNIT, UNIT), 0.5 + 2.5);
}

#[test]
fn damage_grows_with_time_and_with_failures() {
    let growth = Growth {
        middle: 32 * MIB,
        first_bytes: MIB,
        bytes_an_hour: 2 * MIB,
        bytes_a_read: 0,
        bytes_a_failure: MIB,
        most_bytes: 5 * MIB,
    };
    let drive = two_heads(vec![Ailment::Growing(growth)]);
    let fails = |byte| read(&drive, byte, 512).outcome == Outcome::Failed;
    assert!(!fails(31 * MIB + MIB / 2 - 512));
    assert!(fails(32 * MIB + MIB / 2 - 512));
    // 2 MiB by now, 4 after an hour, and one more for the failure after it: 5, and no more.
    assert!(!fails(31 * MIB - MIB / 4));
    drive.clock().sleep(Duration::from_secs(3600));
    assert!(fails(30 * MIB));
    assert!(fails(32 * MIB + 5 * MIB / 2 - 512));
    assert!(!fails(32 * MIB + 5 * MIB / 2));
}

#[test]
fn damage_grows_with_reads() {
    let growth = Growth {
        middle: 32 * MIB,
        first_bytes: 0,
        bytes_an_hour: 0,
        bytes_a_read: 4096,
        bytes_a_failure: 0,
        most_bytes: MIB,
    };
    let drive = two_heads(vec![Ailment::Growing(growth)]);
    assert_eq!(read(&drive, 32 * MIB, 512).outcome, Outcome::Delivered);
    // After 100 reads 400 KiB, half of them on either side.
    (1..100).for_each(|_| assert_eq!(read(&drive, 0, 512).outcome, Outcome::Delivered));
    assert_eq!(read(&drive, 32 * MIB + 200 * 1024, 512).outcome, Outcome::Delivered);
    assert_eq!(read(&drive, 32 * MIB + 200 * 1024, 512).outcome, Outcome::Failed);
}

#[test]
fn a_drive_that_hangs_is_late_as_often_as_told() {
    let time = Duration::from_secs(30);
    let drive = two_heads(vec![Ailment::Hanging { once_in: 20, time }]);
    let hung = (0..4000).filter(|n| read(&drive, n % 64 * MIB, 512).took > time).count();
    // 4,000 draws of 1/20: 200 with a standard deviation of 13.8.
    assert!((140..260).contains(&hung), "{hung}");
}

#[test]
fn a_drive_that_vanished_needs_its_power_taken() {
    let drive = two_heads(vec![Ailment::Vanishing { failures: 3 }, Ailment::BadSectors(vec![0])]);
    let outcomes: Vec<Outcome> = (0..4).map(|_| read(&drive, 0, 512).outcome).collect();
    assert_eq!(outcomes, [Outcome::Failed, Outcome::Failed, Outcome::Failed, Outcome::Gone]);
    assert!(!drive.is_present());
    assert_eq!(read(&drive, MIB, 512).outcome, Outcome::Gone);
    let before = drive.clock().now();
    drive.power_cycle(Duration::from_secs(60));
    assert_eq!(drive.clock().since(before), Duration::from_secs(60));
    assert!(drive.is_present());
    assert_eq!(read(&drive, MIB, 512).outcome, Outcome::Delivered);
    // As the reader sees it: the third failure is the vanishing, which is no bad sector.
    let reader = Reader::new(Box::new(drive.twin()), None);
    let sector = Extent::between(0, 512);
    let mut buffer = vec![0; 512];
    assert!((0..2).all(|_| reader.attempt(sector, &mut buffer).unwrap().failure.is_some()));
    assert!(matches!(reader.attempt(sector, &mut buffer), Err(SourceLost::Gone { .. })));
}

#[test]
fn a_drive_that_died_stays_dead() {
    let drive = two_heads(vec![Ailment::Dying { after: Duration::from_secs(60) }]);
    assert_eq!(read(&drive, 0, 512).outcome, Outcome::Delivered);
    drive.clock().sleep(Duration::from_secs(60));
    assert!(!drive.is_present());
    assert_eq!(read(&drive, 0, 512).outcome, Outcome::Gone);
    drive.power_cycle(Duration::from_secs(60));
    assert!(!drive.is_present());
    assert_eq!(read(&drive, 0, 512).outcome, Outcome::Gone);
    assert_eq!(read(&drive.twin(), 0, 512).outcome, Outcome::Delivered, "a twin is new");
}

// Source: Newton's law of cooling; reading for one time constant brings 1 - 1/e = 63.2 % of 40 degrees, rest takes as much of it.
#[test]
fn the_thermometer_rises_by_reading_and_falls_by_rest() {
    let zone = Zone { bytes: 64 * MIB, rate: 1024.0 * 1024.0, bands: vec![64 * MIB] };
    let mut spec = spec(vec![zone], vec![]);
    spec.heat = Heat { ambient: 20.0, reading: 40.0, failing: 50.0, minutes: 1.0 };
    let drive = SickDrive::new(spec);
    for n in 0..60 {
        read(&drive, n * MIB, MIB);
    }
    assert!((drive.celsius() - (20.0 + 25.3)).abs() < 0.3, "{}", drive.celsius());
    drive.clock().sleep(Duration::from_secs(60));
    assert!((drive.celsius() - (20.0 + 9.3)).abs() < 0.3, "{}", drive.celsius());
}

#[test]
fn bytes_delivered_are_the_contents() {
    let image: Vec<u8> = (0..3 * MIB).map(|n| u8::try_from(n / 512 % 251).unwrap()).collect();
    let held = Content::Of(Arc::new(MemorySource::new(image.clone(), SectorSize::S512)));
    for content in [Content::Numbers, Content::Marks, held] {
        let zone = Zone { bytes: 8 * MIB, rate: 1e8, bands: vec![8 * MIB] };
        let is_image = matches!(content, Content::Of(_));
        let all = !matches!(content, Content::Marks);
        let drive = SickDrive::new(DriveSpec { content, ..spec(vec![zone], vec![]) });
        let mut buffer = vec![0xA5; 2 << 20];
        drive.read_at(Extent::between(2 * MIB, 4 * MIB).start, &mut buffer).unwrap();
        let own = if is_image { 1 << 20 } else { 0 };
        assert!(buffer[..own] == image[2 << 20..(2 << 20) + own]);
        for (sector, bytes) in (4096_u64..).zip(buffer.chunks_exact(512)).skip(own / 512) {
            let expected = sector.to_le_bytes();
            assert!(bytes[..8] == expected && (!all || bytes.chunks_exact(8).all(|word| word == expected)), "{sector}");
        }
    }
}

fn assert_same_counts(reader: ReadTotals, log: &[Request]) {
    let witness = LogTotals::of(log);
    assert_eq!(
        (reader.requests, reader.failed_requests, reader.bytes),
        (witness.requests, witness.failed, witness.bytes)
    );
    assert_eq!((reader.repeated_bytes, witness.repeated_bytes), (0, 0));
    assert!((reader.seconds - witness.time.as_secs_f64()).abs() < 1e-6);
}

// The drive's log and the reader's own counts are made by different code, on either side of the source.
#[test]
fn the_log_agrees_with_what_the_reader_counts() {
    for (number, illness) in (0..).zip(Illness::ALL) {
        let drive = SickDrive::new(illness.draw(&model(), 4 << 30, number));
        let reader = Reader::new(Box::new(drive.clone()), None);
        let places = [Extent::between(0, 64 * MIB), Extent::between(1 << 30, (1 << 30) + 700 * MIB)];
        let mut seen = 0;
        let streamed = reader.stream(&places, |block| {
            seen += block.extent.bytes;
            ControlFlow::Continue(())
        });
        // A drive that vanishes ends it.
        if streamed.is_ok() {
            assert_eq!(seen, 764 * MIB);
        }
        let log: Vec<Request> = drive.log().into_iter().filter(|request| request.outcome != Outcome::Gone).collect();
        assert_same_counts(reader.totals(), &log);
    }
}

// However long the parser takes, a stream that it ends has read what it has seen.
#[test]
fn a_stream_reads_nothing_ahead_on_a_simulated_clock() {
    let drive = two_heads(vec![]);
    let reader = Reader::new(Box::new(drive.clone()), None);
    let mut blocks = 0;
    let each = |_: StreamBlock<'_>| {
        std::thread::sleep(Duration::from_millis(30));
        blocks += 1;
        if blocks == 3 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    };
    reader.stream(&[Extent::between(0, 64 * MIB)], each).unwrap();
    assert_eq!(drive.log().len(), 3);
}

// A survey of a drive on which nothing is found: the samples' time is on the clock, and both runs are the same to the
// nanosecond although a stream is read by a thread of its own.
#[test]
fn surveying_by_the_clock_of_the_drive_is_the_same_each_time() {
    let survey = |illness: Illness, seed| {
        let drive = SickDrive::new(illness.draw(&model(), 16 << 30, seed));
        let reader = Reader::new(Box::new(drive.clone()), None);
        if let Ok(map) = read_drive(&reader) {
            let _ = gleaner::survey::coherence::judge(&map, &reader);
        }
        drive.log()
    };
    let real = Instant::now();
    for illness in [Illness::Several, Illness::SlowPlaces, Illness::Hanging] {
        let log = survey(illness, 5);
        assert!(!log.is_empty());
        assert!(log == survey(illness, 5));
    }
    assert!(real.elapsed() < Duration::from_secs(120), "really waited");
}

#[test]
fn a_seed_draws_one_drive_and_another_seed_another() {
    for illness in Illness::ALL {
        let draw = |seed| illness.draw(&model(), 100_000_000_000, seed);
        let (one, same, other) = (draw(3), draw(3), draw(4));
        assert_eq!((&one.zones, &one.ailments, one.heat), (&same.zones, &same.ailments, same.heat));
        assert_ne!(one.zones, other.zones);
        assert_eq!(SickDrive::new(one).identity().bytes, 100_000_000_000);
        for seed in 0..300 {
            // Every drive that can be drawn can be built.
            let drive = SickDrive::new(draw(seed));
            assert!(drive.geometry().heads() >= 2);
        }
    }
}
