//! The two maps of what is used, compared: the allocation map (volume bitmap or FAT) and the files' own runs. What is planned of each follows in `classify`.

use super::doubt::doubtful;
use crate::base::extent::Extent;
use crate::filesystem::{ClusterRun, ClusterSet, FsKind, Purpose, VolumeMap};
use serde::Serialize;

/// A number of clusters, and the same in bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Share {
    /// Clusters.
    pub clusters: u64,
    /// Bytes.
    pub bytes: u64,
}

impl Share {
    /// So many clusters of a volume.
    pub fn of(clusters: u64, cluster_bytes: u64) -> Share {
        Share { clusters, bytes: clusters.saturating_mul(cluster_bytes) }
    }
}

/// What the comparison of a volume's two maps gave.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct MapComparison {
    /// All clusters of the volume.
    pub total: Share,
    /// Marked as in use by the allocation map, clusters marked bad among them.
    pub allocated: Share,
    /// Owned by existing files and folders and by the file system's own files.
    pub owned: Share,
    /// In both maps.
    pub both: Share,
    /// Marked as in use, of no known file, not marked bad.
    pub only_allocated: Share,
    /// Owned, yet marked free (or their mark is not known).
    pub only_owned: Share,
    /// Owned by more than one file.
    pub shared: Share,
    /// Marked bad.
    pub bad: Share,
    /// Their mark could not be read.
    pub unknown: Share,
    /// Marked free, yet planned as in use: their marks stand beside marks that existing files contradict.
    pub doubtful: Share,
    /// What all that suggests, in a sentence or two.
    pub suggests: String,
}

/// The sets behind a [`MapComparison`].
#[derive(Debug)]
pub struct TwoMaps {
    /// Clusters owned by existing files.
    pub owned: ClusterSet,
    /// The figures.
    pub figures: MapComparison,
}

/// Compares the two maps of a volume.
pub fn compare_maps(volume: &VolumeMap) -> TwoMaps {
    let mut runs: Vec<ClusterRun> = Vec::new();
    for node in volume.catalog.nodes().filter(|n| !n.is_deleted() && n.purpose() != Purpose::BadClusters) {
        runs.extend(node.streams().flat_map(|stream| stream.runs()).filter(|run| volume.geometry.holds(*run)));
    }
    runs.sort_unstable();
    let shared = overlaps(&runs);
    let owned: ClusterSet = runs.into_iter().collect();
    let map = &volume.allocation;
    let both = map.allocated.intersection(&owned);
    let only_allocated = map.allocated.without(&owned).without(&map.bad);
    let only_owned = owned.without(&map.allocated);
    let share = |clusters: u64| Share::of(clusters, volume.geometry.cluster_bytes);
    let mut figures = MapComparison {
        total: share(volume.geometry.cluster_count),
        allocated: share(map.allocated.count()),
        owned: share(owned.count()),
        both: share(both.count()),
        only_allocated: share(only_allocated.count()),
        only_owned: share(only_owned.count()),
        shared: share(shared.count()),
        bad: share(map.bad.count()),
        unknown: share(map.unknown.count()),
        doubtful: share(if only_owned.is_empty() { 0 } else { doubtful(volume).without(&owned).count() }),
        suggests: String::new(),
    };
    figures.suggests = suggestion(volume, &figures);
    TwoMaps { owned, figures }
}

/// What more than one of these runs (sorted by start) covers.
pub(super) fn overlaps(sorted: &[ClusterRun]) -> ClusterSet {
    let mut reach = 0;
    let mut shared = Vec::new();
    for run in sorted {
        if run.first.0 < reach {
            shared.push(ClusterRun::new(run.first.0, reach.min(run.end()) - run.first.0));
        }
        reach = reach.max(run.end());
    }
    shared.into_iter().collect()
}

fn suggestion(volume: &VolumeMap, figures: &MapComparison) -> String {
    let map_name = match volume.kind {
        FsKind::Ntfs => "volume bitmap",
        FsKind::ExFat => "allocation bitmap",
        FsKind::Fat12 | FsKind::Fat16 | FsKind::Fat32 => "FAT",
    };
    let mut said = Vec::new();
    if figures.unknown.clusters > 0 {
        said.push(format!(
            "the marks of {} clusters were not read from the {map_name}: the files' own runs stand in for them{}",
            figures.unknown.clusters,
            if volume.catalog_incomplete {
                ", and since file records are missing too, they are planned as in use"
            } else {
                ""
            }
        ));
    }
    if figures.only_owned.clusters > 0 {
        said.push(format!(
            "{} clusters belong to existing files but are marked free: the {map_name} is older than the file records or \
             damaged, so the files' runs are planned as well",
            figures.only_owned.clusters
        ));
    }
    if figures.doubtful.clusters > 0 {
        said.push(format!(
            "{} further clusters are planned as in use although marked free, because their marks stand beside wrong ones",
            figures.doubtful.clusters
        ));
    }
    if figures.only_allocated.clusters > 0 {
        let cause = if volume.catalog_incomplete {
            "some file records could not be used, so these may be their files' content: keep them in the plan"
        } else if volume.kind == FsKind::Ntfs {
            "space set aside by an interrupted write, or files whose records are lost"
        } else if volume.kind == FsKind::ExFat {
            "space set aside by an interrupted write, or content whose folder entry is gone"
        } else {
            "lost chains: content whose folder entry is gone"
        };
        said.push(format!(
            "{} clusters are marked in use but no file owns them: {cause}",
            figures.only_allocated.clusters
        ));
    }
    if figures.shared.clusters > 0 {
        said.push(format!(
            "{} clusters are claimed by more than one file: at most one of the claims is right, check those files after copying",
            figures.shared.clusters
        ));
    }
    if said.is_empty() {
        return format!("the {map_name} and the files' own runs agree: both can be trusted");
    }
    said.join("; ")
}

/// The bytes of the drive that a set of clusters covers, in ascending order.
pub fn extents_of<'v>(volume: &'v VolumeMap, set: &'v ClusterSet) -> impl Iterator<Item = Extent> + 'v {
    let places = set.runs().iter().filter_map(|run| volume.geometry.extent(*run));
    places.flat_map(|place| volume.on_drive(place))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shared_is_what_two_runs_or_more_cover() {
        let runs =
            |runs: &[(u64, u64)]| runs.iter().map(|(first, count)| ClusterRun::new(*first, *count)).collect::<Vec<_>>();
        let shared = |of: &[(u64, u64)]| overlaps(&runs(of)).runs().to_vec();
        assert_eq!(shared(&[(2, 10), (12, 3), (20, 1)]), []);
        assert_eq!(shared(&[(2, 10), (7, 10), (16, 2)]), runs(&[(7, 5), (16, 1)]));
        // One inside another, and three at one place.
        assert_eq!(shared(&[(2, 30), (7, 4), (9, 1), (31, 4)]), runs(&[(7, 4), (31, 1)]));
    }
}
