//! The drives that strategies are promised for.

use crate::class_maps;
use crate::layouts::{FilePiece, Layout};
use crate::layouts::{to_f64, whole};
use crate::scene::Scene;
use crate::volume::{Shape, Volume};
use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::drive::model::{DriveModel, preset};
use gleaner::drive::sick::{Ailment, Content, DriveSpec, HeadOrder, Heat, Zone};
use gleaner::plan::{BridgeRule, PlanRequest, Scope};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};
use std::sync::Arc;

const MIB: u64 = 1 << 20;
const TB: u64 = 1_000_000_000_000;

/// A fixed sequence of numbers (Knuth's MMIX constants).
pub struct Numbers(pub u64);

impl Numbers {
    /// From 0 up to, not including, 1.
    pub fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(self.0 >> 32).unwrap()) / 4_294_967_296.0
    }

    fn below(&mut self, limit: u64) -> u64 {
        whole(self.share() * to_f64(limit))
    }
}

fn model(kind: &str) -> DriveModel {
    DriveModel { failed_seconds: 7.0, ..preset(kind).unwrap().model() }
}

fn spec(model: DriveModel, zones: Vec<Zone>, ailments: Vec<Ailment>) -> DriveSpec {
    DriveSpec {
        zones,
        order: HeadOrder::Same,
        model,
        logical_sector: SectorSize::S512,
        physical_sector: SectorSize::S512,
        ailments,
        heat: Heat::OPEN_BENCH,
        seed: 11,
        content: Content::Marks,
    }
}

/// 4.3 GB with four heads, of which one is dead, in bands of 8 to 16 MB; one NTFS volume of 4,016 files, whose file table
/// lies partly under that head.
pub fn small_volume() -> (DriveSpec, Arc<Volume>) {
    with_dead_head(&Shape { bytes: 4_300_000_256, files: 4016, table_at: 26 << 20, full: 0.5, wanted_one_in: 10 })
}

/// The same for a volume of another shape.
pub fn with_dead_head(shape: &Shape) -> (DriveSpec, Arc<Volume>) {
    let volume = Arc::new(Volume::new(shape));
    let model = model("notebook-5400");
    let mut zones = Zone::in_steps(&model, shape.bytes, 8, 16e6 / 1.05, &[1.0, 0.9, 1.05, 0.97]);
    // Rates halve from the outside in; bands are nowhere shorter than 8 MB.
    for band in zones.iter_mut().flat_map(|zone| &mut zone.bands) {
        *band = (*band).max(8_003_584);
    }
    let mut spec = spec(model, zones, vec![Ailment::DeadHead { head: 2 }]);
    spec.content = Content::Of(Arc::clone(&volume) as _);
    (spec, volume)
}

/// Four heads, of which one is dead, in bands that shrink from 16 to 8 MB from the first to the last: none is as long as the one before. Its
/// bytes are numbers.
pub fn shrinking_bands(bytes: u64, dead: usize) -> DriveSpec {
    let model = model("notebook-5400");
    let mut zones = Vec::new();
    let (mut at, mut next) = (0, 0);
    while next < bytes {
        let begins = next;
        let mut band = || {
            let length = whole(16e6 - 8e6 * to_f64(at) / to_f64(bytes)) / 512 * 512;
            at += length;
            length
        };
        let bands: Vec<u64> = (0..4).map(|_| band()).collect();
        next = at.min(bytes);
        let rate = model.first_rate + (model.last_rate - model.first_rate) * to_f64(begins) / to_f64(bytes);
        zones.push(Zone { bytes: next - begins, rate, bands });
    }
    spec(model, zones, vec![Ailment::DeadHead { head: dead }])
}

/// 32 GB with an NTFS volume of 100,000 files, of whose file table the first 40 MB fail.
pub fn dead_table() -> (DriveSpec, Arc<Volume>) {
    let bytes = 32_000_000_000;
    let shape = Shape { bytes, files: 100_000, table_at: 3 << 30, full: 0.2, wanted_one_in: 10 };
    let volume = Arc::new(Volume::new(&shape));
    let model = model("notebook-5400");
    let zones = Zone::in_steps(&model, bytes, 16, 64.0 * to_f64(MIB), &[1.0, 0.95]);
    let place = Extent::new(volume.table.start.0, 40_000_000).unwrap();
    let mut spec = spec(model, zones, vec![Ailment::DeadPlace(place)]);
    spec.content = Content::Of(Arc::clone(&volume) as _);
    (spec, volume)
}

/// 1 TB of which 45 % are planned at random, in files of 64 KiB to 256 MiB.
pub fn random_plan() -> Scene {
    let mut numbers = Numbers(45);
    let mut runs = vec![ClassRun { extent: Extent::between(0, MIB), class: Class::Tables, lane: 0, area: 0 }];
    let mut pieces = Vec::new();
    let mut at = MIB;
    while at < TB {
        let bytes = (whole(65_536.0 * 4096_f64.powf(numbers.share())) / 4096 * 4096).min(TB - at);
        let class = if numbers.share() < 0.45 { Class::Files } else { Class::Free };
        let extent = Extent::between(at, at + bytes);
        if class == Class::Files {
            pieces.push(FilePiece { extent, file: u32::try_from(pieces.len()).unwrap() });
        }
        runs.push(ClassRun { extent, class, lane: 0, area: 0 });
        at = extent.end();
    }
    let files = u32::try_from(pieces.len()).unwrap();
    let layout =
        Layout { map: ClassMap::from_runs(runs), pieces, wanted: Vec::new(), wanted_records: Vec::new(), files };
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::from_model(&model("desktop-7200"), TB);
    Scene::planned(&layout, &class_maps::plan(&layout.map, &request))
}

/// 1 TB with four heads in bands of so many MiB, 10 % apart by head, shrinking over 24 zones.
fn terabyte(band_mib: u64, ailments: Vec<Ailment>) -> DriveSpec {
    let model = model("desktop-7200");
    let shares = [1.05, 0.95, 1.0 + 0.05 / 3.0, 1.0 - 0.05 / 3.0];
    let zones = Zone::in_steps(&model, TB, 24, to_f64(band_mib * MIB), &shares);
    spec(model, zones, ailments)
}

/// One of the four heads is dead.
pub fn dead_head(band_mib: u64) -> DriveSpec {
    terabyte(band_mib, vec![Ailment::DeadHead { head: 1 }])
}

/// A hundred bad sectors at random, all of them planned.
pub fn hundred_sectors(scene: &Scene) -> DriveSpec {
    let mut numbers = Numbers(100);
    let list = &scene.belongings.pieces;
    let sector = |_| {
        // Each byte is as likely as the next: a place at random until a file lies there.
        loop {
            let byte = numbers.below(TB);
            let next = list.partition_point(|(piece, _)| piece.end() <= byte);
            if list.get(next).is_some_and(|(piece, _)| piece.start.0 <= byte) {
                return byte;
            }
        }
    };
    terabyte(128, vec![Ailment::BadSectors((0..100).map(sector).collect())])
}
