//! Clusters that more than one file holds, whether by chain or in one piece.

use super::findings::CROSS_LINK;
use crate::base::finding::{Finding, Findings};
use crate::base::units::ByteOffset;
use crate::filesystem::{Catalog, ClusterGeometry, ClusterRun, NodeId};

/// Notes each place where a live file's run meets one that began before it.
pub(super) fn note_shared(catalog: &Catalog, geometry: ClusterGeometry, findings: &mut Findings) {
    let live = catalog.nodes().filter(|node| !node.is_deleted());
    let mut runs: Vec<(ClusterRun, NodeId)> =
        live.flat_map(|node| node.streams().flat_map(move |s| s.runs().map(move |run| (run, node.id())))).collect();
    runs.sort_unstable();
    let Some(mut furthest) = runs.first().copied() else { return };
    for (run, node) in runs.drain(1..) {
        let shared = furthest.0.end().min(run.end()).saturating_sub(run.first.0);
        if shared > 0 {
            // Past the findings that are kept, the paths would be made for nothing.
            let told = findings.count(&CROSS_LINK) < Findings::KEPT_PER_CODE;
            let path = |id: NodeId| if told { catalog.node(id).path() } else { String::new() };
            let sentence =
                format!("{:?} and {:?} both have {shared} clusters from {}.", path(furthest.1), path(node), run.first);
            let place = geometry.extent(run).map_or(ByteOffset(geometry.heap_start), |extent| extent.start);
            findings.push(Finding::at(&CROSS_LINK, place, sentence));
        }
        if run.end() > furthest.0.end() {
            furthest = (run, node);
        }
    }
}
