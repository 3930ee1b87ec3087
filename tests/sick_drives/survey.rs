//! Drives with a real volume on them: survey, plan and copy, as a technician runs them one after the other.

use crate::baseline;
use crate::play::{Bench, Ending};
use crate::scene::by_class;
use crate::score::Belongings;
use crate::store::PlayStore;
use crate::volume::{Volume, WANTED};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::case::Case;
use gleaner::copy::follow_plan::copy_case;
use gleaner::copy::reading::{Controls, CopyOptions, End, Event, StopAfter};
use gleaner::copy::session::{Session, SessionError};
use gleaner::drive::sick::{DriveSpec, Request, SickDrive, Technician};
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope, make, make_again, write_plan};
use gleaner::source::{CopyStore, Reader, Source, SourceLost};
use gleaner::store::image::ImageForm;
use gleaner::survey::allocation::{Choices, Class, DriveMap, read_drive};
use gleaner::survey::coherence;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

/// What a volume's files are to the client.
pub fn belongings(volume: &Volume) -> Belongings {
    let bytes: ExtentSet = volume.files.iter().flatten().copied().collect();
    let numbered = (0..).zip(&volume.files);
    let mut pieces: Vec<(Extent, u32)> =
        numbered.flat_map(|(file, runs)| runs.iter().map(move |run| (*run, file))).collect();
    pieces.sort_unstable();
    let files = u32::try_from(volume.files.len()).unwrap();
    Belongings { bytes: bytes.extents().to_vec(), pieces, files }
}

fn request(drive: &SickDrive, spec: &DriveSpec) -> PlanRequest {
    let bytes = drive.identity().bytes;
    PlanRequest {
        bridge: BridgeRule::from_model(&spec.model, bytes),
        wants: vec![WANTED.to_owned()],
        ..PlanRequest::new(Scope::Allocated)
    }
}

/// What would be planned of the drive if nothing were wrong with it, by class: what the oracle reads.
pub fn healthy_classes(spec: &DriveSpec) -> Vec<Vec<Extent>> {
    let drive = SickDrive::new(DriveSpec { ailments: Vec::new(), ..spec.clone() });
    let reader = Reader::new(Box::new(drive.clone()), None);
    let map = read_drive(&reader).unwrap();
    by_class(&make(&reader, &map, &request(&drive, spec), &[]).unwrap())
}

/// Whether a drive has vanished; anything else that ends a survey is a mistake here.
fn is_gone(lost: &SourceLost) -> bool {
    assert!(matches!(lost, SourceLost::Gone { .. }), "{lost}");
    true
}

/// The log of a survey alone, and its verdict by its name in JSON.
pub fn alone(spec: &DriveSpec) -> (Vec<Request>, String) {
    let drive = SickDrive::new(spec.clone());
    let reader = Reader::new(Box::new(drive.clone()), None);
    let map = read_drive(&reader).unwrap();
    let judged = coherence::judge(&map, &reader).unwrap();
    let verdict = serde_json::to_value(judged.verdict).unwrap();
    (drive.log(), verdict.as_str().unwrap().to_owned())
}

/// The log of the product on the drive: a case, a survey, a plan, a copy in requests of so many bytes.
pub fn product(spec: &DriveSpec, until: Duration, request_bytes: u64) -> Vec<Request> {
    let drive = SickDrive::new(spec.clone());
    let power_cycle = || drive.power_cycle(Technician::default().power_cycle);
    let folder = tempfile::tempdir().unwrap();
    let case = Case::open_or_create(&folder.path().join("case"), drive.identity(), ImageForm::Raw).unwrap();
    let store = Arc::clone(case.store());
    let reader = Arc::new(Reader::new(Box::new(drive.clone()), None).with_store(store));
    let mut session = Session::over(reader, case);
    let map = loop {
        match survey_session(&mut session) {
            Ok(map) => break map,
            Err(SessionError::Lost(lost)) if is_gone(&lost) => power_cycle(),
            Err(error) => panic!("{error}"),
        }
    };
    let plan = make(&session.reader, &map, &request(&drive, spec), &[]).unwrap();
    let case = session.case.as_mut().unwrap();
    let path = case.next_plan_path();
    write_plan(&plan, &mut std::fs::File::create_new(&path).unwrap()).unwrap();
    case.set_plan(&path).unwrap();
    loop {
        let left = until.saturating_sub(drive.clock().now().0);
        if left.is_zero() {
            return drive.log();
        }
        let options = CopyOptions {
            stop_after: StopAfter { time: Some(left), ..StopAfter::default() },
            request_bytes,
            ..CopyOptions::default()
        };
        let stop = AtomicBool::new(false);
        let mut ask = || Some(drive.celsius());
        let controls =
            Controls { stop: &stop, thermometer: Some(&mut ask), request_log: None, events: &mut |_: &Event| {} };
        match copy_case(&mut session, &options, controls).unwrap().copy.end {
            End::Gone { .. } => power_cycle(),
            _ => return drive.log(),
        }
    }
}

fn survey_session(session: &mut Session) -> Result<DriveMap, SessionError> {
    let map = session.read_drive()?;
    session.judge_and_classify(&map, &Choices::default())?;
    Ok(map)
}

/// The log of the baseline on the drive: the product's survey and plan, then the baseline's copy, in which structure comes
/// first and the plan is made again when more of it was read.
pub fn baseline(spec: &DriveSpec, until: Duration) -> Vec<Request> {
    let drive = SickDrive::new(spec.clone());
    let technician = Technician::default();
    let store = Arc::new(PlayStore::new(drive.content().clone()));
    let reader = Reader::new(Box::new(drive.clone()), None).with_store(Arc::clone(&store) as Arc<dyn CopyStore>);
    let survey = || {
        let map = read_drive(&reader)?;
        coherence::judge(&map, &reader)?;
        Ok(map)
    };
    let map = loop {
        match survey() {
            Ok(map) => break map,
            Err(lost) if is_gone(&lost) => drive.power_cycle(technician.power_cycle),
            Err(_) => unreachable!("only a vanished drive is passed over"),
        }
    };
    let mut plan = make(&reader, &map, &request(&drive, spec), &[]).unwrap();
    let whole = drive.identity().extent();
    let pending = || store.skipped(whole);
    let mut structure_first = !pending().is_empty();
    let mut thermometer = || drive.celsius();
    let options = CopyOptions::default();
    let mut bench = Bench { reader: &reader, store: &store, options: &options, thermometer: &mut thermometer, until };
    while drive.clock().now().0 < until {
        let before = pending();
        let through = structure_first.then_some(Class::Structure);
        let mut written = Vec::new();
        write_plan(&plan, &mut written).unwrap();
        match baseline::copy(&written, &mut bench, through) {
            Ending::Over => break,
            Ending::Gone => {
                drive.power_cycle(technician.power_cycle);
                structure_first = !pending().is_empty();
                continue;
            }
            Ending::Complete => {}
        }
        let mut revised = false;
        if before.iter().any(|place| !store.held(*place).is_empty()) {
            reader.forget();
            if let Ok(map) = read_drive(&reader) {
                let next = make_again(&reader, &map, &plan.header).unwrap();
                revised = reads(&next) != reads(&plan);
                plan = if revised { next } else { plan };
            }
        }
        if !revised && !structure_first {
            break;
        }
        structure_first = revised && !pending().is_empty();
    }
    drive.log()
}

fn reads(plan: &Plan) -> Vec<(Class, u16, Vec<Extent>)> {
    plan.passes.iter().map(|pass| (pass.header.class, pass.header.lane, pass.extents().to_vec())).collect()
}
