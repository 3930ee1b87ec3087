//! Volumes of which the allocation map alone is read: the plan of scope `allocated`, with gaps never read through, is exactly what the
//! file system's own tools say is in use, and where the map is damaged it is never less.

#[path = "../support/common/mod.rs"]
mod common;
mod ext;
mod hfs_plus;
mod hfs_plus_journal;
mod planned;
#[path = "../support/unpack.rs"]
mod unpack;

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Findings;
use gleaner::filesystem::SpaceMap;
use gleaner::plan::{BridgeRule, Fingerprint, PlanRequest, PlanSource, Scope, Sweeps, build};
use gleaner::source::{ReadTotals, Reader, Source};
use gleaner::survey::allocation::{Choices, Class, ClassMap, DriveMap, classify, read_drive};

/// What was read of a drive, and what is planned of it.
struct Surveyed {
    drive: DriveMap,
    map: ClassMap,
    planned: ExtentSet,
    totals: ReadTotals,
    asked: ExtentSet,
}

impl Surveyed {
    fn of(source: Box<dyn Source>) -> Surveyed {
        let reader = Reader::new(source, None);
        let drive = read_drive(&reader).unwrap();
        let map = classify(&drive, &Choices::default());
        let request = PlanRequest { bridge: BridgeRule::OFF, ..PlanRequest::new(Scope::Allocated) };
        let request = request.widened(drive.layout.outside_unexplained);
        let source = PlanSource::new(reader.identity(), Fingerprint::default());
        let plan = build(&Sweeps::new(&map), &request, source, Vec::new(), &Findings::new()).unwrap();
        let planned = plan.passes.iter().flat_map(|pass| pass.extents().iter().copied()).collect();
        Surveyed { drive, map, planned, totals: reader.totals(), asked: reader.asked() }
    }

    /// The one volume that was read by its map.
    fn space(&self) -> &SpaceMap {
        let findings = self.drive.all_findings();
        self.drive.mapped().next().unwrap_or_else(|| panic!("no map was read: {:?}", findings.kept())).1
    }

    fn codes(&self) -> Vec<&'static str> {
        common::codes(&self.drive.all_findings())
    }

    /// Bytes of `used` that are not planned.
    fn missing(&self, used: &ExtentSet) -> u64 {
        used.extents().iter().flat_map(|extent| self.planned.missing_from(*extent)).map(|extent| extent.bytes).sum()
    }

    /// Bytes that are planned and neither in `used` nor the drive's last sector, which is planned on every drive.
    fn beyond(&self, used: &ExtentSet) -> u64 {
        let mut used = used.clone();
        used.extend(self.drive.identity.last_sector());
        self.planned.extents().iter().flat_map(|extent| used.missing_from(*extent)).map(|extent| extent.bytes).sum()
    }

    /// That nothing was read twice, and nothing but tables and structure.
    fn check_reading(&self, what: &str) {
        assert_eq!(self.totals.repeated_bytes, 0, "{what}: bytes were requested twice");
        let first = self.map.runs().iter().filter(|run| run.class <= Class::Structure).map(|run| run.extent);
        let first: ExtentSet = first.collect();
        let elsewhere = self.asked.extents().iter().flat_map(|extent| first.missing_from(*extent));
        // The beginning, in which every kind of volume is looked for, and the end, where tables of two sector sizes may stand.
        let end = self.drive.identity.bytes / 4096 * 4096 - 4096;
        let elsewhere: u64 =
            elsewhere.filter(|extent| (68 << 10..end).contains(&extent.start.0)).map(|extent| extent.bytes).sum();
        assert_eq!(elsewhere, 0, "{what}: bytes were read that are neither tables nor structure");
    }
}

/// All of a drive but `free`.
fn all_but(bytes: u64, free: &ExtentSet) -> ExtentSet {
    free.missing_from(Extent::between(0, bytes)).into_iter().collect()
}
