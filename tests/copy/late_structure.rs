//! Structure that does not answer for the survey and answers later: the plan is made anew, and in the end nothing is
//! missing that a healthy drive would have given.
//!
//! The yardstick is the plan of the same volume without damage, whose extents the other tests hold against reference
//! parsers.

use crate::common;

use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::case::Case;
use gleaner::copy::follow_plan::{CaseCopyOutcome, copy_case};
use gleaner::copy::reading::{Controls, CopyOptions, End, Event, StopReason};
use gleaner::copy::session::Session;
use gleaner::plan::{Plan, PlanRequest, Scope, load_plan, make, write_plan};
use gleaner::source::{CopyStore, MemorySource, ReadError, Reader, Source, SourceIdentity};
use gleaner::store::image::ImageForm;
use gleaner::survey::allocation::{Choices, Class, classify};
use std::io;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// A volume some places of which answer only once `awake` is set.
struct Waking {
    inner: MemorySource,
    asleep: ExtentSet,
    awake: Arc<AtomicBool>,
    log: Arc<Mutex<Vec<Extent>>>,
    stop: Arc<AtomicBool>,
    /// The technician stops it during the request with this number in the log.
    stop_at: Arc<AtomicUsize>,
}

impl Source for Waking {
    fn identity(&self) -> &SourceIdentity {
        self.inner.identity()
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let extent = Extent::new(start.0, buffer.len() as u64).unwrap();
        if !self.awake.load(Ordering::Relaxed) && self.asleep.bytes_within(extent) > 0 {
            return Err(ReadError::Unreadable(io::Error::other("no answer yet")));
        }
        let mut log = self.log.lock().unwrap();
        log.push(extent);
        if log.len() == self.stop_at.load(Ordering::Relaxed) {
            self.stop.store(true, Ordering::Relaxed);
        }
        self.inner.read_at(start, buffer)
    }
}

struct Bench {
    session: Session,
    awake: Arc<AtomicBool>,
    log: Arc<Mutex<Vec<Extent>>>,
    stop: Arc<AtomicBool>,
    stop_at: Arc<AtomicUsize>,
    request: PlanRequest,
    folder: tempfile::TempDir,
}

fn request(scope: Scope) -> PlanRequest {
    PlanRequest { bulk: vec!["pagefile.sys".to_owned()], ..PlanRequest::new(scope) }
}

impl Bench {
    /// Survey and plan while `asleep` does not answer.
    fn new(image: Vec<u8>, asleep: ExtentSet, scope: Scope) -> Bench {
        let awake = Arc::new(AtomicBool::new(false));
        let log = Arc::new(Mutex::new(Vec::new()));
        let inner = MemorySource::new(image, SectorSize::S512);
        let folder = tempfile::tempdir().unwrap();
        let case = Case::open_or_create(&folder.path().join("case"), inner.identity(), ImageForm::Raw).unwrap();
        let (stop, stop_at) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicUsize::new(0)));
        let source = Waking {
            inner,
            asleep,
            awake: Arc::clone(&awake),
            log: Arc::clone(&log),
            stop: Arc::clone(&stop),
            stop_at: Arc::clone(&stop_at),
        };
        let store = Arc::clone(case.store());
        let reader = Arc::new(Reader::new(Box::new(source), None).with_store(store).with_stop(Arc::clone(&stop)));
        let mut session = Session::over(reader, case);
        let request = request(scope);
        let drive = session.read_drive().unwrap();
        let plan = make(&session.reader, &drive, &request, &[]).unwrap();
        let case = session.case.as_mut().unwrap();
        let path = case.next_plan_path();
        write_plan(&plan, &mut std::fs::File::create_new(&path).unwrap()).unwrap();
        case.set_plan(&path).unwrap();
        Bench { session, awake, log, stop, stop_at, request, folder }
    }

    fn copy(&mut self, options: &CopyOptions) -> (CaseCopyOutcome, usize) {
        let stop = Arc::clone(&self.stop);
        let mut revised = 0;
        let events = &mut |event: &Event| revised += usize::from(matches!(event, Event::PlanRevised { .. }));
        let outcome = copy_case(
            &mut self.session,
            options,
            Controls { stop: &stop, thermometer: None, request_log: None, events },
        );
        (outcome.unwrap(), revised)
    }

    fn current_plan(&self) -> Plan {
        let path = self.session.case.as_ref().unwrap().plan_path().unwrap();
        load_plan(&path).unwrap()
    }
}

/// The plan of the undamaged volume.
fn healthy(image: &[u8], request: &PlanRequest) -> Plan {
    let reader = Reader::new(Box::new(MemorySource::new(image.to_vec(), SectorSize::S512)), None);
    let drive = gleaner::survey::allocation::read_drive(&reader).unwrap();
    make(&reader, &drive, request, &[]).unwrap()
}

fn reads(plan: &Plan) -> Vec<(Class, Vec<Extent>)> {
    plan.passes.iter().map(|pass| (pass.header.class, pass.extents().to_vec())).collect()
}

/// Part of the structure of a volume: every `every`th stretch of 4 KiB of it.
fn some_structure(image: &[u8], every: usize) -> ExtentSet {
    let reader = Reader::new(Box::new(MemorySource::new(image.to_vec(), SectorSize::S512)), None);
    let drive = gleaner::survey::allocation::read_drive(&reader).unwrap();
    let map = classify(&drive, &Choices::default());
    let structure = map.runs().iter().filter(|run| run.class == Class::Structure);
    let pieces = structure.flat_map(|run| {
        let ends = (run.extent.start.0..run.extent.end()).step_by(4096);
        ends.map(move |start| Extent::between(start, (start + 4096).min(run.extent.end())))
    });
    // Only what the survey asks for can be missed by it.
    let asked = reader.asked();
    pieces.step_by(every).flat_map(|piece| asked.intersection(piece)).collect()
}

#[test]
fn after_late_structure_the_plan_is_that_of_the_healthy_drive() {
    for (name, every) in [
        ("ntfs-rich", 3),
        ("ntfs-mft-list", 2),
        ("ntfs-cluster-64k", 1),
        ("fat16", 1),
        ("fat32-clusters-512", 2),
        ("exfat-clusters-4k", 1),
        ("drive-gpt", 2),
    ] {
        let image = fixture(name);
        for scope in [Scope::Files, Scope::Allocated] {
            let asleep = some_structure(&image, every);
            assert!(asleep.bytes() > 0, "{name}");
            let mut bench = Bench::new(image.clone(), asleep.clone(), scope);
            let first = bench.current_plan();
            let wanted = healthy(&image, &bench.request);
            assert_ne!(reads(&first), reads(&wanted), "{name}: what slept must matter");
            bench.awake.store(true, Ordering::Relaxed);
            let (outcome, revised) = bench.copy(&CopyOptions { to_the_end: true, ..CopyOptions::default() });
            assert_eq!(outcome.copy.end, End::Complete, "{name}");
            assert!(!outcome.revisions.is_empty(), "{name}");
            assert_eq!(outcome.revisions.len(), revised, "{name}");
            assert_eq!(reads(&bench.current_plan()), reads(&wanted), "{name}, {scope}");
            let store = bench.session.case.as_ref().unwrap().store();
            for extent in wanted.ascending() {
                assert_eq!(store.held(extent), [extent], "{name}, {scope}");
                let mut bytes = vec![0; usize::try_from(extent.bytes).unwrap()];
                store.load(extent, &mut bytes).unwrap();
                let from = usize::try_from(extent.start.0).unwrap();
                assert_eq!(bytes, image[from..from + bytes.len()], "{name}: the image at {}", extent.start.0);
            }
            let mut asked = ExtentSet::new();
            let mut repeated = 0;
            for extent in bench.log.lock().unwrap().iter() {
                repeated += asked.bytes_within(*extent);
                asked.insert(*extent);
            }
            assert_eq!(
                repeated, outcome.copy.checks.bytes,
                "{name}: more arrived twice than the sectors of the checks"
            );
            assert!(outcome.copy.checks.requests <= 10, "{name}: {:?}", outcome.copy.checks);
            // Files that the first plan could not know come after structure, before what it would have read later.
            assert!(bench.folder.path().join("case/plan.jsonl").exists(), "{name}: the first plan stays");
        }
    }
}

#[test]
fn places_that_never_answer_change_nothing() {
    let image = fixture("ntfs-rich");
    let asleep = some_structure(&image, 3);
    let mut bench = Bench::new(image, asleep, Scope::Allocated);
    // What the survey left beside the bad places arrives, once.
    let (outcome, revised) = bench.copy(&CopyOptions::default());
    assert_eq!(outcome.copy.end, End::Complete);
    assert!(revised <= 1, "{revised} revisions");
    let first = bench.current_plan();
    let (outcome, revised) = bench.copy(&CopyOptions { to_the_end: true, ..CopyOptions::default() });
    assert_eq!((outcome.copy.end, revised), (End::Complete, 0));
    assert!(outcome.revisions.is_empty());
    assert_eq!(reads(&bench.current_plan()), reads(&first));
}

#[test]
fn limits_count_over_all_parts_of_a_copy() {
    let image = fixture("ntfs-rich");
    let asleep = some_structure(&image, 3);
    let mut bench = Bench::new(image, asleep, Scope::Allocated);
    bench.awake.store(true, Ordering::Relaxed);
    let mut options = CopyOptions { request_bytes: 64 << 10, to_the_end: true, ..CopyOptions::default() };
    options.stop_after.bytes = Some(3 << 20);
    let (outcome, _) = bench.copy(&options);
    assert!(matches!(outcome.copy.end, End::Stopped { .. }));
    let arrived = outcome.copy.arrived_bytes;
    assert!((3 << 20..(3 << 20) + (64 << 10)).contains(&arrived), "{arrived} bytes");
    // The same call goes on.
    let (outcome, _) = bench.copy(&CopyOptions { to_the_end: true, ..CopyOptions::default() });
    assert_eq!(outcome.copy.end, End::Complete);
}

/// Stopped at any request, also while the structure is read again: it ends as stopped, and can go on.
#[test]
fn stopped_while_the_structure_is_read_again_it_is_stopped_and_not_failed() {
    let image = fixture("ntfs-mft-list");
    let new = || {
        let bench = Bench::new(image.clone(), some_structure(&image, 2), Scope::Allocated);
        bench.awake.store(true, Ordering::Relaxed);
        bench
    };
    let mut whole = new();
    let before = whole.log.lock().unwrap().len();
    whole.copy(&CopyOptions::default());
    let requests = whole.log.lock().unwrap().len() - before;
    assert!(requests > 10);
    for at in (1..requests).step_by(requests / 40 + 1).chain(1..20.min(requests)) {
        let mut bench = new();
        bench.stop_at.store(before + at, Ordering::Relaxed);
        let (outcome, _) = bench.copy(&CopyOptions::default());
        assert_eq!(outcome.copy.end, End::Stopped { reason: StopReason::Asked }, "at request {at} of {requests}");
        bench.stop.store(false, Ordering::Relaxed);
        bench.stop_at.store(0, Ordering::Relaxed);
        let (outcome, _) = bench.copy(&CopyOptions::default());
        assert!(outcome.copy.end.is_own(), "{:?}", outcome.copy.end);
    }
}
