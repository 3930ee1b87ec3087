//! Where the allocation map is not believed: a live file owns a cluster that the map calls free.
//!
//! One of the two is wrong. A drive that fails, or a volume that was not closed, damages or misses whole sectors of
//! the map rather than single bits, so what stands beside a wrong mark is doubted too: all clusters whose marks share
//! its 4 KiB are planned as in use, so that no content that only the map knew is left behind. Where a FAT's chains break off
//! and the map has too few clusters in use for what they lack, no mark of a free cluster is believed.

use crate::base::units::Lcn;
use crate::filesystem::{ClusterRun, ClusterSet, FsKind, Purpose, Role, VolumeMap};

/// How much of the map is doubted for one wrong mark, in bytes: a physical sector of today's drives (4 KiB; common
/// practice, no source).
pub const DOUBTED_BYTES: u64 = 4096;

/// The clusters that are planned as in use for that reason alone: marked free, in doubted parts of the map.
pub fn doubtful(volume: &VolumeMap) -> ClusterSet {
    let map = &volume.allocation;
    let all_known = map.unknown.is_empty();
    let settled = if all_known { &map.allocated } else { &map.allocated.union(&map.unknown) };
    if chains_end_in_free_space(volume, settled) {
        return [volume.geometry.all()].into_iter().collect::<ClusterSet>().without(settled);
    }
    let mut cursor = Cursor { runs: settled.runs(), at: 0 };
    let live = volume.catalog.nodes().filter(|node| !node.is_deleted() && node.purpose() != Purpose::BadClusters);
    let mut against: Vec<ClusterRun> = Vec::new();
    for node in live {
        for stream in node.streams() {
            against.extend(stream.runs().filter(|run| volume.geometry.holds(*run) && !cursor.covers(*run)));
        }
    }
    if against.is_empty() {
        return ClusterSet::new();
    }
    let wrong = against.into_iter().collect::<ClusterSet>().without(settled);
    let blocks: ClusterSet = wrong.runs().iter().map(|run| with_neighbours(volume, *run)).collect();
    blocks.without(settled)
}

/// Whether chains of existing files break off and what they lack is not to be found among the clusters in use without an
/// owner. It then lies among those marked free, anywhere: marks and chains of a FAT are the same entries.
fn chains_end_in_free_space(volume: &VolumeMap, settled: &ClusterSet) -> bool {
    if !matches!(volume.kind, FsKind::Fat12 | FsKind::Fat16 | FsKind::Fat32) {
        return false;
    }
    let live = || volume.catalog.nodes().filter(|node| !node.is_deleted() && node.purpose() != Purpose::BadClusters);
    let mut lacking = 0u64;
    for stream in live().flat_map(|node| node.streams()).filter(|stream| stream.is_incomplete()) {
        if stream.role() == Role::FolderIndex {
            // How long a folder was, nothing says.
            let last = stream.runs().last().map(|run| Lcn(run.end() - 1));
            if last.is_some_and(|last| !settled.contains(last)) {
                return true;
            }
        } else {
            let has: u64 = stream.runs().map(|run| run.count).sum();
            let wanted = stream.size().div_ceil(volume.geometry.cluster_bytes);
            lacking = lacking.saturating_add(wanted.saturating_sub(has));
        }
    }
    if lacking == 0 {
        return false;
    }
    let owned: ClusterSet = live().flat_map(|node| node.streams()).flat_map(|stream| stream.runs()).collect();
    lacking > settled.without(&owned).without(&volume.allocation.bad).count()
}

/// All clusters whose marks share a block of the map with a run's, cut to the volume.
fn with_neighbours(volume: &VolumeMap, run: ClusterRun) -> ClusterRun {
    let geometry = &volume.geometry;
    // Bits to a mark, and the number of the map's first mark.
    let (bits, base) = match volume.kind {
        FsKind::Ntfs | FsKind::ExFat => (1, geometry.first_number),
        FsKind::Fat12 => (12, 0),
        FsKind::Fat16 => (16, 0),
        FsKind::Fat32 => (32, 0),
    };
    let block_bits = DOUBTED_BYTES * 8;
    let first_block = (run.first.0 - base) * bits / block_bits;
    let end_block = ((run.end() - base) * bits).div_ceil(block_bits);
    // A 12-bit entry may stand in two blocks.
    let from = first_block * block_bits / bits + base;
    let to = (end_block * block_bits).div_ceil(bits) + base;
    let (from, to) = (from.max(geometry.first_number), to.min(geometry.end_number()));
    ClusterRun::new(from, to.saturating_sub(from))
}

/// Looks runs up in a set; fast when they come in nearly ascending order, as files' runs do.
struct Cursor<'s> {
    runs: &'s [ClusterRun],
    at: usize,
}

impl Cursor<'_> {
    fn covers(&mut self, run: ClusterRun) -> bool {
        let holds = |held: &ClusterRun| held.first <= run.first && run.end() <= held.end();
        if run.count == 0 || self.runs.get(self.at).is_some_and(holds) {
            return true;
        }
        self.at = self.runs.partition_point(|held| held.end() <= run.first.0);
        self.runs.get(self.at).is_some_and(holds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_cursor_agrees_with_the_set(set in prop::collection::vec((0u64..100, 1u64..20), 0..12),
                                          asked in prop::collection::vec((0u64..120, 0u64..10), 0..40)) {
            let set: ClusterSet = set.into_iter().map(|(first, count)| ClusterRun::new(first, count)).collect();
            let mut cursor = Cursor { runs: set.runs(), at: 0 };
            for (first, count) in asked {
                let run = ClusterRun::new(first, count);
                let one: ClusterSet = [run].into_iter().collect();
                prop_assert_eq!(cursor.covers(run), one.without(&set).is_empty());
            }
        }
    }
}
