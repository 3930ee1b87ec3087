//! What a log comes to for the client: bytes and whole files over time.

use gleaner::base::extent::Extent;
use gleaner::drive::sick::{Outcome, Request, SickDrive, SpeedBound};
use rangemap::RangeSet;
use std::time::Duration;

/// What the client has on the drive.
pub struct Belongings {
    /// The bytes of wanted and other files, ascending, no two touching or overlapping.
    pub bytes: Vec<Extent>,
    /// The files' pieces, ascending.
    pub pieces: Vec<(Extent, u32)>,
    pub files: u32,
}

/// What is safe at a moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Safe {
    pub failed: u64,
    pub bytes: u64,
    pub files: u64,
}

/// Goes through a log, request by request.
struct Ledger<'b> {
    belongings: &'b Belongings,
    delivered: RangeSet<u64>,
    /// Bytes of each file that are not there yet.
    missing: Vec<u64>,
    safe: Safe,
}

/// What of an ascending list lies in a range.
fn overlapping<T>(list: &[T], extent: Extent, of: impl Fn(&T) -> Extent) -> impl Iterator<Item = (&T, u64)> {
    let first = list.partition_point(|item| of(item).end() <= extent.start.0);
    list[first..].iter().map_while(move |item| Some((item, of(item).intersection(&extent)?.bytes)))
}

impl<'b> Ledger<'b> {
    fn new(belongings: &'b Belongings) -> Ledger<'b> {
        let mut missing = vec![0; belongings.files as usize];
        belongings.pieces.iter().for_each(|(extent, file)| missing[*file as usize] += extent.bytes);
        Ledger { belongings, delivered: RangeSet::new(), missing, safe: Safe::default() }
    }

    fn take(&mut self, request: &Request) {
        match request.outcome {
            Outcome::Gone => {}
            Outcome::Failed => self.safe.failed += 1,
            Outcome::Delivered => {
                let range = request.extent.start.0..request.extent.end();
                let new: Vec<_> = self.delivered.gaps(&range).collect();
                self.delivered.insert(range);
                new.into_iter().for_each(|new| self.arrived(Extent::between(new.start, new.end)));
            }
        }
    }

    fn arrived(&mut self, extent: Extent) {
        self.safe.bytes += overlapping(&self.belongings.bytes, extent, |own| *own).map(|(_, bytes)| bytes).sum::<u64>();
        for ((_, file), bytes) in overlapping(&self.belongings.pieces, extent, |(piece, _)| *piece) {
            let missing = &mut self.missing[*file as usize];
            *missing -= bytes;
            self.safe.files += u64::from(*missing == 0);
        }
    }
}

/// What was safe at each of `moments`, which ascend.
pub fn at_moments(log: &[Request], belongings: &Belongings, moments: &[Duration]) -> Vec<Safe> {
    let mut ledger = Ledger::new(belongings);
    let mut rest = log.iter().peekable();
    let safe_at = |moment: &Duration| {
        while let Some(request) = rest.next_if(|request| request.ended().0 <= *moment) {
            ledger.take(request);
        }
        ledger.safe
    };
    moments.iter().map(safe_at).collect()
}

/// When so many bytes were safe, and after how many failed reads; `None` when they never were.
pub fn when_safe(log: &[Request], belongings: &Belongings, bytes: u64) -> Option<(Duration, u64)> {
    let mut ledger = Ledger::new(belongings);
    log.iter().find_map(|request| {
        ledger.take(request);
        (ledger.safe.bytes >= bytes).then(|| (request.ended().0, ledger.safe.failed))
    })
}

/// Bytes that were safe when so many reads had failed, or at the end.
pub fn after_failures(log: &[Request], belongings: &Belongings, failures: u64) -> u64 {
    let mut ledger = Ledger::new(belongings);
    for request in log {
        ledger.take(request);
        if ledger.safe.failed > failures {
            break;
        }
    }
    ledger.safe.bytes
}

/// Holds a log against the bound: at no moment were more bytes safe than the time of the reads that brought
/// bytes can have brought.
pub fn assert_within_bound(log: &[Request], drive: &SickDrive, belongings: &Belongings, who: &str) {
    let bound = SpeedBound::of(drive, &belongings.bytes);
    let mut ledger = Ledger::new(belongings);
    let mut reading = Duration::ZERO;
    for request in log {
        ledger.take(request);
        if request.outcome == Outcome::Delivered {
            reading += request.took;
            let most = bound.bytes_after(reading);
            assert!(ledger.safe.bytes <= most, "{who}: {} bytes after {reading:?}, bound {most}", ledger.safe.bytes);
        }
    }
}

/// The drive's own bookkeeping: one request after the other, none in less than no time, none beyond the end.
pub fn assert_orderly(log: &[Request], drive_bytes: u64, who: &str) {
    assert!(log.windows(2).all(|pair| pair[0].ended() <= pair[1].began), "{who}: requests overlap in time");
    assert!(log.iter().all(|request| request.extent.end() <= drive_bytes && !request.took.is_zero()), "{who}");
}
