//! A drive with what is on it: what is planned of it, and what of that is the client's.

use crate::class_maps;
use crate::layouts::{FilePiece, Kind, Layout};
use crate::score::Belongings;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope};
use gleaner::survey::allocation::Class;

/// What is on a drive, however sick that is.
pub struct Scene {
    pub plan: Vec<u8>,
    /// The plan's extents by class, in reading order.
    pub classes: Vec<Vec<Extent>>,
    pub belongings: Belongings,
}

/// The extents of a plan by class, in reading order.
pub fn by_class(plan: &Plan) -> Vec<Vec<Extent>> {
    let of = |class: Class| {
        let passes = plan.passes.iter().filter(move |pass| pass.header.class == class);
        passes.flat_map(|pass| pass.extents().to_vec()).collect::<Vec<Extent>>()
    };
    Class::ALL.into_iter().map(of).collect()
}

impl Scene {
    /// A drive of `kind`, planned as a technician plans it who wants two folders and then all that is allocated.
    pub fn of(kind: &Kind) -> Scene {
        let layout = kind.layout(false, true);
        let mut request = PlanRequest::new(Scope::Allocated);
        request.bridge = BridgeRule::from_model(&kind.model(), kind.drive_bytes);
        request.wants = vec!["/Documents/**".to_owned(), "*.xlsx".to_owned()];
        Scene::planned(&layout, &class_maps::plan(&layout.map, &request))
    }

    pub fn planned(layout: &Layout, plan: &Plan) -> Scene {
        let is_clients = |class: Class| matches!(class, Class::Wanted | Class::Files);
        let own = layout.map.runs().iter().filter(|run| is_clients(run.class)).map(|run| run.extent);
        let bytes: ExtentSet = own.collect();
        let piece = |piece: &FilePiece| (piece.extent, piece.file);
        let mut pieces: Vec<(Extent, u32)> = layout.pieces.iter().chain(&layout.wanted).map(piece).collect();
        pieces.sort_unstable();
        let belongings = Belongings { bytes: bytes.extents().to_vec(), pieces, files: layout.files };
        Scene { plan: class_maps::written(plan), classes: by_class(plan), belongings }
    }
}
