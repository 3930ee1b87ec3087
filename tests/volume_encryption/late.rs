//! Structure that does not answer for the survey and answers while copying.

use super::{PASSWORD, keys, prepared, sector_of};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::ByteOffset;
use gleaner::case::Case;
use gleaner::copy::follow_plan::copy_case;
use gleaner::copy::reading::{Controls, CopyOptions, Event};
use gleaner::copy::session::Session;
use gleaner::plan::{Plan, PlanRequest, Scope, load_plan, make, write_plan};
use gleaner::source::{Keys, MemorySource, ReadError, Reader, Source, SourceIdentity};
use gleaner::store::image::ImageForm;
use gleaner::survey::allocation::{Class, read_drive};
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const FIXTURE: &str = "ntfs-cluster-512";

/// A volume some places of which answer only once `awake` is set.
struct Waking {
    inner: MemorySource,
    asleep: ExtentSet,
    awake: Arc<AtomicBool>,
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
        self.inner.read_at(start, buffer)
    }
}

fn session(folder: &Path, source: Waking, keys: &Arc<Keys>) -> Session {
    let case = Case::open_or_create(&folder.join("case"), source.identity(), ImageForm::Raw).unwrap();
    let reader = Reader::new(Box::new(source), None).with_store(Arc::clone(case.store()) as _);
    let mut session = Session::over(Arc::new(reader.with_keys(Arc::clone(keys))), case);
    session.sources.keys = Arc::clone(keys);
    session
}

fn request() -> PlanRequest {
    PlanRequest::new(Scope::Allocated)
}

/// Surveys and plans with the key while `asleep` does not answer, then copies with `keys` when all answers: the plan before, the plan
/// after, and what was told.
fn copied(image: &[u8], asleep: ExtentSet, keys_of_copy: &Arc<Keys>) -> (Plan, Plan, Vec<Event>) {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let awake = Arc::new(AtomicBool::new(false));
    let source = || Waking {
        inner: MemorySource::new(image.to_vec(), sector_of(FIXTURE)),
        asleep: asleep.clone(),
        awake: Arc::clone(&awake),
    };
    let before = {
        let mut session = session(folder.path(), source(), &keys(&[PASSWORD.as_bytes()]));
        let drive = session.read_drive().unwrap();
        let plan = make(&session.reader, &drive, &request(), &[]).unwrap();
        let case = session.case.as_mut().unwrap();
        let path = case.next_plan_path();
        write_plan(&plan, &mut std::fs::File::create_new(&path).unwrap()).unwrap();
        case.set_plan(&path).unwrap();
        plan
    };
    awake.store(true, Ordering::Relaxed);
    let mut session = session(folder.path(), source(), keys_of_copy);
    let mut told = Vec::new();
    let stop = AtomicBool::new(false);
    let controls =
        Controls { stop: &stop, thermometer: None, request_log: None, events: &mut |event| told.push(event.clone()) };
    let outcome = copy_case(&mut session, &CopyOptions::default(), controls).unwrap();
    assert!(outcome.copy.has_all(), "{outcome:?}");
    let after = load_plan(&session.case.as_ref().unwrap().plan_path().unwrap()).unwrap();
    (before, after, told)
}

fn reads(plan: &Plan) -> Vec<(Class, Vec<Extent>)> {
    plan.passes.iter().map(|pass| (pass.header.class, pass.extents().to_vec())).collect()
}

fn healthy(image: &[u8], keys: &Arc<Keys>) -> Plan {
    let source = MemorySource::new(image.to_vec(), sector_of(FIXTURE));
    let reader = Reader::new(Box::new(source), None).with_keys(Arc::clone(keys));
    make(&reader, &read_drive(&reader).unwrap(), &request(), &[]).unwrap()
}

#[test]
fn metadata_that_arrive_late_open_the_volume_while_copying() {
    let (plain, recipe) = prepared(FIXTURE, 0x8004);
    let image = recipe.encrypt(&plain);
    let asleep = recipe.metadata.iter().map(|at| Extent::new(*at, 65536).unwrap()).collect();
    let key = keys(&[PASSWORD.as_bytes()]);
    let (before, after, told) = copied(&image, asleep, &key);
    assert_eq!(before.bytes(), image.len() as u64, "nothing was known at first");
    assert!(told.iter().any(|event| matches!(event, Event::PlanRevised { .. })));
    assert_eq!(reads(&after), reads(&healthy(&image, &key)));
}

#[test]
fn without_the_key_a_copy_keeps_the_plan_that_was_made_with_it() {
    let (plain, recipe) = prepared(FIXTURE, 0x8004);
    let image = recipe.encrypt(&plain);
    let key = keys(&[PASSWORD.as_bytes()]);
    let sound = healthy(&image, &key);
    let structure = sound.passes.iter().find(|pass| pass.header.class == Class::Structure).unwrap().extents();
    let known: ExtentSet = recipe.zeros(&plain).iter().map(|(from, to)| Extent::between(*from, *to)).collect();
    let surveyed =
        Reader::new(Box::new(MemorySource::new(image.clone(), sector_of(FIXTURE))), None).with_keys(key.clone());
    read_drive(&surveyed).unwrap();
    let asked = structure.iter().flat_map(|extent| surveyed.asked().intersection(*extent));
    let records = asked.flat_map(|extent| known.missing_from(extent)).max_by_key(|extent| extent.bytes).unwrap();
    let asleep: ExtentSet = [Extent::between(records.start.0 + 8192, records.start.0 + 12288)].into_iter().collect();
    let (before, after, told) = copied(&image, asleep.clone(), &keys(&[]));
    assert!(told.iter().any(|event| matches!(event, Event::PlanKept { volume: 1 })), "{told:?}");
    assert_eq!(reads(&after), reads(&before));
    // With it the plan is made again.
    let (_, after, told) = copied(&image, asleep, &key);
    assert!(!told.iter().any(|event| matches!(event, Event::PlanKept { .. })));
    assert_eq!(reads(&after), reads(&sound));
}
