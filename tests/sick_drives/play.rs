//! Playing a strategy on a drive until a time is over.

use crate::baseline;
use crate::store::PlayStore;
use gleaner::copy::reading::{Controls, CopyOptions, End, Event, StopAfter, copy};
use gleaner::drive::sick::{Request, SickDrive, Technician};
use gleaner::plan::read_plan;
use gleaner::source::{Reader, Source};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

/// Everything that a strategy works with.
pub struct Bench<'b> {
    pub reader: &'b Reader,
    pub store: &'b PlayStore,
    pub options: &'b CopyOptions,
    /// Degrees Celsius of the drive.
    pub thermometer: &'b mut dyn FnMut() -> f64,
    /// The time on the reader's clock at which it must stop.
    pub until: Duration,
}

/// How a strategy ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ending {
    /// It has nothing left to do.
    Complete,
    /// The time was over.
    Over,
    /// The drive vanished; it is to be called again when that is back.
    Gone,
}

/// A way to copy: a name, and what follows a plan.
#[derive(Clone, Copy)]
pub struct Strategy {
    pub name: &'static str,
    pub copy: fn(&[u8], &mut Bench<'_>) -> Ending,
}

/// The product's own.
pub const PRODUCT: Strategy = Strategy { name: "gleaner", copy: product };

/// What it is compared with.
pub const BASELINE: Strategy = Strategy { name: "baseline", copy: |plan, bench| baseline::copy(plan, bench, None) };

fn product(plan: &[u8], bench: &mut Bench<'_>) -> Ending {
    let left = bench.until.saturating_sub(bench.reader.clock().now().0);
    let options =
        CopyOptions { stop_after: StopAfter { time: Some(left), ..StopAfter::default() }, ..bench.options.clone() };
    let stop = AtomicBool::new(false);
    let mut ask = || Some((bench.thermometer)());
    let controls =
        Controls { stop: &stop, thermometer: Some(&mut ask), request_log: None, events: &mut |_: &Event| {} };
    let outcome = copy(&read_plan(plan).unwrap(), bench.reader, bench.store, &options, controls).unwrap();
    match outcome.end {
        End::Complete | End::LittleLeft { .. } => Ending::Complete,
        End::Stopped { .. } => Ending::Over,
        // The technician switches it off and on.
        End::Gone { .. } | End::Silent { .. } => Ending::Gone,
        End::Changed { .. } | End::NoRoom { .. } | End::Failed => unreachable!("not on these drives, or an error"),
    }
}

/// The drive's log of a strategy that follows `plan` until `until`.
pub fn play(drive: &SickDrive, plan: &[u8], strategy: Strategy, until: Duration) -> Vec<Request> {
    play_into(drive, plan, strategy, until).0
}

/// The same, with what it left in its store.
pub fn play_into(
    drive: &SickDrive,
    plan: &[u8],
    strategy: Strategy,
    until: Duration,
) -> (Vec<Request>, Arc<PlayStore>) {
    play_in_runs(drive, plan, strategy, &[until])
}

/// The same in several runs, one after the other, each of which ends at a moment.
pub fn play_in_runs(
    drive: &SickDrive,
    plan: &[u8],
    strategy: Strategy,
    ends: &[Duration],
) -> (Vec<Request>, Arc<PlayStore>) {
    let technician = Technician::default();
    let drive = drive.twin();
    let store = Arc::new(PlayStore::new(drive.content().clone()));
    let reader = Reader::new(Box::new(drive.clone()), None);
    let mut thermometer = || drive.celsius();
    let options = CopyOptions::default();
    assert_eq!((options.request_bytes, options.hot_limit), (technician.request_bytes, technician.hot_limit));
    for until in ends.iter().copied() {
        let mut bench =
            Bench { reader: &reader, store: &store, options: &options, thermometer: &mut thermometer, until };
        while drive.clock().now().0 < until && (strategy.copy)(plan, &mut bench) == Ending::Gone {
            drive.power_cycle(technician.power_cycle);
        }
    }
    (drive.log(), store)
}
