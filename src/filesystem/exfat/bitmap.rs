//! The allocation bitmap (7.1): one bit for each cluster, the lowest bit of the first byte for cluster 2; 1 means not
//! free, in use or bad (7.1.5).

use super::entry::Special;
use super::findings::{BITMAP_LOST, BITMAP_PARTLY, BITMAP_SHORT};
use super::table::ExFatTable;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::bits::{BitmapMarks, Scan};
use crate::filesystem::chain::Chain;
use crate::filesystem::folder_tree::{FolderFormat, FolderTree, Heap, Subject};
use crate::filesystem::{AllocationMap, ClusterRun, ClusterSet};
use crate::source::SourceLost;

/// What the root folder says of a bitmap, with its chain.
pub(super) struct Bitmap {
    pub special: Special,
    pub chain: Chain,
}

/// Follows the chains of the bitmaps.
pub(super) fn follow<F: FolderFormat>(specials: Vec<Special>, tree: &mut FolderTree<'_, F>) -> Vec<Bitmap> {
    let with_chain = |special: Special| {
        let wanted = special.bytes.div_ceil(tree.heap.geometry.cluster_bytes);
        let chain = tree.chains.follow(special.first_cluster, wanted);
        let subject = Subject { name: "the allocation bitmap", place: special.place };
        tree.note_chain(&chain, special.first_cluster, subject);
        Bitmap { special, chain }
    };
    specials.into_iter().map(with_chain).collect()
}

/// Reads the bitmaps given; a cluster counts as in use if any of them says so. With none of them every mark is unknown.
pub(super) fn read(
    bitmaps: &[&Bitmap],
    heap: &mut Heap<'_>,
    table: &ExFatTable,
    findings: &mut Findings,
) -> Result<AllocationMap, SourceLost> {
    let clusters = heap.geometry.cluster_count;
    let first = heap.geometry.first_number;
    let mut allocated = ClusterSet::new();
    let mut known_to_none: ClusterSet = [heap.geometry.all()].into_iter().collect();
    for bitmap in bitmaps {
        let marks = read_one(bitmap, heap, findings)?;
        let numbered = |set: &ClusterSet| -> ClusterSet {
            set.runs().iter().map(|run| ClusterRun::new(run.first.0 + first, run.count)).collect()
        };
        allocated = allocated.union(&numbered(&marks.allocated));
        known_to_none = known_to_none.intersection(&numbered(&marks.unknown));
    }
    let unknown = known_to_none.without(&allocated);
    if bitmaps.is_empty() {
        let place = heap.window.absolute(0);
        let sentence =
            format!("The allocation bitmap was not found: the marks of all {clusters} clusters are unknown.");
        findings.push(Finding::at(&BITMAP_LOST, place, sentence));
    } else if let Some(run) = unknown.runs().first() {
        let sentence = format!(
            "The marks of {} of {clusters} clusters were not read, the first is {}.",
            unknown.count(),
            run.first
        );
        findings.push(Finding::at(&BITMAP_PARTLY, bitmaps[0].special.place, sentence));
    }
    let bad = table.bad().intersection(&allocated);
    Ok(AllocationMap { allocated, bad, unknown })
}

fn read_one(bitmap: &Bitmap, heap: &mut Heap<'_>, findings: &mut Findings) -> Result<BitmapMarks, SourceLost> {
    let clusters = heap.geometry.cluster_count;
    let needed = clusters.div_ceil(8);
    if bitmap.special.bytes < needed {
        let sentence = format!("The bitmap has {} bytes where {needed} are needed.", bitmap.special.bytes);
        findings.push(Finding::at(&BITMAP_SHORT, bitmap.special.place, sentence));
    }
    let mut runs = bitmap.chain.runs.clone();
    let reads = heap.take(&mut runs, needed.min(bitmap.special.bytes));
    let mut scan = Scan::new(clusters);
    scan.read(heap.window, &reads.parts)?;
    scan.skip_to(clusters);
    Ok(scan.finish())
}
