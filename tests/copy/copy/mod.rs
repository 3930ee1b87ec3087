//! Copying by a plan, on drives that misbehave by script and into a store that checks every byte.

use crate::class_maps;

mod checks;
mod clean;
mod damage;
mod device;
mod interruptions;
mod scripted;
mod store;
mod told;
mod troubles;

use class_maps::{SECTOR, written};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::copy::reading::{Controls, CopyError, CopyOptions, CopyOutcome, End, Event, RequestLog, copy};
use gleaner::plan::Plan;
use gleaner::plan::read_plan;
use gleaner::source::Reader;
use scripted::{Request, Script, Scripted};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};
use store::MemoryStore;

/// A drive, a plan for it, and where its bytes go: everything but the copying.
struct Bench {
    plan: Vec<u8>,
    planned: ExtentSet,
    script: Arc<Mutex<Script>>,
    reader: Reader,
    store: MemoryStore,
    stop: Arc<AtomicBool>,
    events: Vec<Event>,
    /// What a kernel's log would tell.
    request_log: Option<scripted::Log>,
}

impl Bench {
    /// `physical` is the physical sector in bytes.
    fn new(plan: &Plan, physical: u64) -> Bench {
        let stop = Arc::new(AtomicBool::new(false));
        let source = Scripted::new(plan.header.source.bytes, physical, Arc::clone(&stop));
        let script = source.script();
        Bench {
            plan: written(plan),
            planned: plan.ascending().collect(),
            script,
            reader: Reader::new(Box::new(source), None),
            store: MemoryStore::default(),
            stop,
            events: Vec::new(),
            request_log: None,
        }
    }

    fn script(&self, change: impl FnOnce(&mut Script)) {
        change(&mut self.script.lock().unwrap());
    }

    fn copy(&mut self, options: &CopyOptions) -> Result<CopyOutcome, CopyError> {
        self.copy_with(options, None)
    }

    fn copy_with(
        &mut self,
        options: &CopyOptions,
        mut thermometer: Option<Box<dyn FnMut() -> Option<f64> + '_>>,
    ) -> Result<CopyOutcome, CopyError> {
        self.stop.store(false, std::sync::atomic::Ordering::Relaxed);
        let plan = read_plan(self.plan.as_slice()).unwrap();
        let events = &mut self.events;
        let mut listen = |event: &Event| events.push(event.clone());
        let thermometer = thermometer.as_mut().map(|ask| ask as &mut dyn FnMut() -> Option<f64>);
        let request_log = self.request_log.as_mut().map(|log| log as &mut dyn RequestLog);
        let controls = Controls { stop: &self.stop, thermometer, request_log, events: &mut listen };
        copy(&plan, &self.reader, &self.store, options, controls)
    }

    fn log(&self) -> Vec<Request> {
        self.script.lock().unwrap().log.clone()
    }

    fn arrived(&self) -> Vec<Extent> {
        self.log().into_iter().filter(|request| request.arrived).map(|request| request.extent).collect()
    }

    fn failed(&self) -> u64 {
        self.log().iter().filter(|request| !request.arrived).count() as u64
    }

    /// The end of every copy that went through: all of the plan but `bad` is held, of that nothing was read twice,
    /// `bad` is given up, nothing else was requested.
    fn assert_complete(&self, outcome: &CopyOutcome, bad: &ExtentSet) {
        assert_eq!(outcome.end, End::Complete);
        let lost: ExtentSet = self.planned.extents().iter().flat_map(|extent| bad.intersection(*extent)).collect();
        let sound: ExtentSet = self.planned.extents().iter().flat_map(|extent| bad.missing_from(*extent)).collect();
        assert_eq!(self.store.held_set(), sound);
        assert_eq!(self.store.given_up_set(), lost);
        assert!(self.store.deferred_set().is_empty());
        assert!(self.store.is_committed());
        let arrived: ExtentSet = self.arrived().into_iter().collect();
        assert_eq!(arrived, sound);
        assert_eq!(self.arrived().iter().map(|extent| extent.bytes).sum::<u64>(), sound.bytes(), "a byte read twice");
        assert!(self.log().iter().all(|request| self.planned.covers(request.extent)), "asked beyond the plan");
        assert_eq!(outcome.totals(), (self.planned.bytes(), sound.bytes(), 0, lost.bytes()));
        let checks = self.script.lock().unwrap().checks.clone();
        assert!(checks.len() as u64 >= outcome.checks.requests);
        let unreadable: u64 = outcome.bad_regions.iter().map(|region| region.unreadable_bytes).sum();
        assert!(unreadable <= lost.bytes());
        let failed: u64 = outcome.bad_regions.iter().map(|region| region.failed_requests).sum();
        assert_eq!(failed + outcome.failed_requests_unlisted, outcome.failed_requests);
    }
}

/// Every sector is tried.
fn to_the_end() -> CopyOptions {
    CopyOptions { to_the_end: true, ..CopyOptions::default() }
}

/// Options at the scale of drives of a few hundred sectors.
fn small() -> CopyOptions {
    CopyOptions { request_bytes: 64 * SECTOR, ..to_the_end() }
}

fn sectors(start: u64, count: u64) -> Extent {
    Extent::new(start * SECTOR, count * SECTOR).unwrap()
}

const MIB: u64 = 1 << 20;
