//! The oracle and the bound by hand.

use super::{MIB, model, three_zones, two_heads};
use gleaner::base::extent::Extent;
use gleaner::drive::sick::{Ailment, Illness, Outcome, Request, SickDrive, SpeedBound, Technician, oracle};
use gleaner::source::Source;
use std::time::Duration;

fn mib(from: u64, to: u64) -> Extent {
    Extent::between(from * MIB, to * MIB)
}

fn line(request: &Request) -> (Extent, bool) {
    (request.extent, request.outcome == Outcome::Delivered)
}

// Source: by hand, from the oracle's own description. Head 1 has 4 to 8 and 12 to 16 MiB.
#[test]
fn the_oracle_reads_what_is_easy_then_what_is_difficult() {
    let bad = Extent::new(MIB + 4096, 512).unwrap();
    let drive = two_heads(vec![
        Ailment::DeadHead { head: 1 },
        Ailment::BadSectors(vec![bad.start.0]),
        Ailment::DeadPlace(Extent::between(2 * MIB, 2 * MIB + 65_536)),
        Ailment::SlowPlace { extent: mib(9, 10), slowness: 100.0 },
        Ailment::LateSectors(vec![(10 * MIB, 2)]),
    ]);
    let classes = [vec![mib(0, 8)], vec![mib(8, 16)]];
    let log = oracle(&drive, &classes, &Technician::default());
    let late = Extent::new(10 * MIB, 512).unwrap();
    let expected = [
        // Easy, class by class.
        (mib(0, 1), true),
        (Extent::between(2 * MIB + 65_536, 3 * MIB), true),
        (mib(3, 4), true),
        (mib(8, 9), true),
        (Extent::between(late.end(), 11 * MIB), true),
        (mib(11, 12), true),
        // The first class's lone sector, met once, and what is around it.
        (Extent::between(MIB, bad.start.0), true),
        (bad, false),
        (Extent::between(bad.end(), 2 * MIB), true),
        // A mebibyte in a second comes before a sector for two failures.
        (mib(9, 10), true),
        (late, false),
        (late, false),
        (late, true),
    ];
    assert_eq!(log.iter().map(line).collect::<Vec<_>>(), expected);
    assert!(drive.log().is_empty(), "it reads a twin");
    assert_eq!(log, oracle(&drive, &classes, &Technician::default()));
}

#[test]
fn the_oracle_takes_the_power_off_and_rests_when_it_is_warm() {
    let sectors = (0..6).map(|n| n * 2 * MIB).collect();
    let drive = two_heads(vec![Ailment::Vanishing { failures: 2 }, Ailment::BadSectors(sectors)]);
    let technician = Technician { power_cycle: Duration::from_secs(1000), ..Technician::default() };
    let log = oracle(&drive, &[vec![mib(0, 16)]], &technician);
    let count = |outcome| log.iter().filter(|request| request.outcome == outcome).count();
    assert_eq!((count(Outcome::Failed), count(Outcome::Gone)), (6, 3));
    let took = log.last().unwrap().ended().0.as_secs_f64();
    assert!((3042.0..3044.0).contains(&took), "six failures and three power cycles: {took}");

    let warm = SickDrive::new(Illness::Warm.draw(&model(), 200_000_000_000, 9));
    let whole = [vec![Extent::between(0, 200_000_000_000)]];
    let hottest = Technician { hot_limit: 1000.0, ..Technician::default() };
    let resting = oracle(&warm, &whole, &Technician::default());
    let on_and_on = oracle(&warm, &whole, &hottest);
    assert_eq!(resting.len(), on_and_on.len());
    assert!(resting.last().unwrap().ended() > on_and_on.last().unwrap().ended());
}

// Source: by hand. 102.4 MB each at 102.4, 51.2 and 25.6 MB/s.
#[test]
fn the_speed_bound_takes_the_fastest_first() {
    let drive = three_zones(vec![Ailment::SlowPlace { extent: Extent::between(0, 51_200_000), slowness: 8.0 }]);
    let bound = SpeedBound::of(&drive, &[Extent::between(0, 102_400_000), Extent::between(204_800_000, 307_200_000)]);
    // 51.2 MB at full speed in 0.5 s; then 102.4 MB at 25.6 MB/s in 4 s; then the slow 51.2 MB at 12.8 MB/s in 4 s.
    for (milliseconds, bytes) in [(500, 51_200_000), (1500, 76_800_000), (4500, 153_600_000), (6500, 179_200_000)] {
        let bound = bound.bytes_after(Duration::from_millis(milliseconds));
        assert!(bound.abs_diff(bytes) < 200_000, "{milliseconds} ms: {bound}");
    }
    assert_eq!(bound.bytes_after(Duration::from_secs(9)), 204_800_000);
    assert!(drive.is_present());
}
