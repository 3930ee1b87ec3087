//! The strategy of copying that the first measurements were made with, frozen: what every later one is compared with.
//!
//! It sweeps a class with jumps that double after each failure, then works on all that the class has skipped, from the
//! edges inward, sector by sector and once more, for as long as its sweep took or 10 minutes; then the next class. It
//! makes the same requests as the product did then. Nothing here is to be improved.

mod nearby;
mod pieces;
mod rounds;
mod sweep;

use crate::play::{Bench, Ending};
use gleaner::base::clock::Moment;
use gleaner::base::extent::Extent;
use gleaner::copy::reading::CopyOptions;
use gleaner::plan::{PassHeader, Plan, read_plan};
use gleaner::source::{AlignedBuffer, CopyStore, Failure, RangeMark, Skip, SourceLost};
use gleaner::survey::allocation::Class;
use nearby::Nearby;
use pieces::{Follower, Kind};
use std::time::Duration;

const FIRST_STEP: u64 = 64 << 10;
const LARGEST_STEP: u64 = 64 << 20;
const RETRIES: u32 = 1;
const TROUBLE_MINIMUM: Duration = Duration::from_secs(600);
const NAP: Duration = Duration::from_millis(50);

/// Why following a plan ends early.
#[derive(Debug)]
enum Halt {
    Over,
    Gone,
    ShareUsedUp,
}

enum Answer {
    Arrived,
    Failed,
}

/// Follows `plan` until it is done, the time is over, or the drive is gone; only through `through` when that is given.
pub fn copy(plan: &[u8], bench: &mut Bench<'_>, through: Option<Class>) -> Ending {
    let mut planned = Planned::default();
    let plan = read_plan(plan).unwrap();
    pieces::follow(&plan, None, &mut planned).expect("counting never halts");
    let unit = bench.reader.identity().physical_sector.bytes();
    let store = bench.store;
    let nearby = Nearby::from_store(bench.reader.identity().bytes, store);
    let size = usize::try_from(bench.options.request_bytes).unwrap();
    let mut run = Run {
        began: bench.reader.clock().now(),
        bench,
        unit,
        nearby,
        buffer: AlignedBuffer::new(size),
        paused: Duration::ZERO,
        class_has_trouble: false,
        any_trouble: planned.skipped(store),
        trouble_until: None,
        looked: None,
    };
    match follow_all(&plan, &mut run, &planned, through) {
        Ok(()) => Ending::Complete,
        Err(Halt::Over) => Ending::Over,
        Err(Halt::Gone) => Ending::Gone,
        Err(Halt::ShareUsedUp) => unreachable!("dealt with where they arise"),
    }
}

/// The planned pieces by class.
#[derive(Default)]
struct Planned {
    class: usize,
    pieces: [Vec<Extent>; Class::ALL.len()],
}

impl Planned {
    fn skipped_of(&self, class: usize, store: &dyn CopyStore) -> bool {
        self.pieces[class].iter().any(|piece| !store.skipped(*piece).is_empty())
    }

    fn skipped(&self, store: &dyn CopyStore) -> bool {
        (0..Class::ALL.len()).any(|class| self.skipped_of(class, store))
    }
}

impl Follower for Planned {
    fn begin(&mut self, pass: &PassHeader) {
        self.class = pass.class as usize;
    }

    fn piece(&mut self, extent: Extent, _: Kind) -> Result<(), Halt> {
        self.pieces[self.class].push(extent);
        Ok(())
    }
}

fn follow_all(plan: &Plan, run: &mut Run<'_, '_>, planned: &Planned, through: Option<Class>) -> Result<(), Halt> {
    let mut cut_short = Vec::new();
    let there = |class: &Class| !planned.pieces[*class as usize].is_empty();
    for class in Class::ALL.into_iter().filter(there).filter(|class| through.is_none_or(|last| *class <= last)) {
        run.class_has_trouble = planned.skipped_of(class as usize, run.store());
        let sweep_began = run.working_time();
        pieces::follow(plan, Some(class), &mut sweep::Sweep::new(run))?;
        let sweep_took = run.working_time().saturating_sub(sweep_began);
        if !run.class_has_trouble {
            continue;
        }
        run.trouble_until = Some(run.working_time() + sweep_took.max(TROUBLE_MINIMUM));
        match rounds::rounds(plan, run, Some(class), Kind::Wanted) {
            Err(Halt::ShareUsedUp) => cut_short.push(class),
            other => other?,
        }
        run.trouble_until = None;
    }
    for class in cut_short {
        rounds::rounds(plan, run, Some(class), Kind::Wanted)?;
    }
    if run.any_trouble && through.is_none() {
        rounds::rounds(plan, run, None, Kind::Gap)?;
    }
    Ok(())
}

struct Run<'r, 'b> {
    bench: &'r mut Bench<'b>,
    unit: u64,
    nearby: Nearby,
    buffer: AlignedBuffer,
    began: Moment,
    paused: Duration,
    class_has_trouble: bool,
    any_trouble: bool,
    trouble_until: Option<Duration>,
    looked: Option<Moment>,
}

impl<'b> Run<'_, 'b> {
    fn store(&self) -> &'b dyn CopyStore {
        self.bench.store
    }

    fn request_bytes(&self) -> u64 {
        self.bench.options.request_bytes
    }

    fn working_time(&self) -> Duration {
        self.bench.reader.clock().since(self.began).saturating_sub(self.paused)
    }

    fn attempt(&mut self, extent: Extent) -> Result<Answer, Halt> {
        self.check_over()?;
        if self.trouble_until.is_some_and(|until| self.working_time() >= until) {
            return Err(Halt::ShareUsedUp);
        }
        self.mind_the_heat()?;
        let bytes = &mut self.buffer.bytes_mut()[..usize::try_from(extent.bytes).unwrap()];
        let attempt = self.bench.reader.attempt(extent, bytes).map_err(|lost| match lost {
            SourceLost::Gone { .. } => Halt::Gone,
            other => panic!("{other}"),
        })?;
        if attempt.failure.is_none() {
            self.bench.store.keep(extent, bytes).unwrap();
            Ok(Answer::Arrived)
        } else {
            self.nearby.mark(extent);
            Ok(Answer::Failed)
        }
    }

    fn check_over(&self) -> Result<(), Halt> {
        if self.bench.reader.clock().now().0 >= self.bench.until { Err(Halt::Over) } else { Ok(()) }
    }

    fn skip(&mut self, extent: Extent) {
        self.store().mark(RangeMark::Skipped { extent, why: Skip::Near, failure: Failure::default() }).unwrap();
        self.class_has_trouble = true;
        self.any_trouble = true;
    }

    fn give_up(&mut self, extent: Extent) {
        self.store().mark(RangeMark::Unreadable { extent, tries: 1, failure: Failure::default() }).unwrap();
    }

    fn mind_the_heat(&mut self) -> Result<(), Halt> {
        let clock = self.bench.reader.clock().clone();
        let every = self.bench.options.temperature_every;
        let is_due = |looked: Option<Moment>| looked.is_none_or(|at| clock.since(at) >= every);
        let limit = self.bench.options.hot_limit;
        if !is_due(self.looked) {
            return Ok(());
        }
        self.looked = Some(clock.now());
        if (self.bench.thermometer)() <= limit {
            return Ok(());
        }
        let began = clock.now();
        loop {
            clock.sleep(NAP);
            self.check_over()?;
            if is_due(self.looked) {
                self.looked = Some(clock.now());
                if (self.bench.thermometer)() <= limit - CopyOptions::COOLING {
                    self.paused += clock.since(began);
                    return Ok(());
                }
            }
        }
    }
}
