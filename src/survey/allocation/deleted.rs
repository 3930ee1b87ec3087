//! How much of a deleted file can still be there.

use crate::filesystem::{ClusterRun, ClusterSet, Node, Purpose, VolumeMap};
use serde::Serialize;

/// What became of a deleted file's clusters.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Remains {
    /// Clusters its runs name, in bytes.
    pub bytes: u64,
    /// Of those, in clusters that are free and that no live file owns: the content may still be there.
    pub free_bytes: u64,
    /// Of the free ones, named by another deleted file too: at most one of the two is right.
    pub disputed_bytes: u64,
}

/// A volume's deleted files counted by what is left of them.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct DeletedCensus {
    /// Deleted files whose runs are known.
    pub with_runs: u64,
    /// Of those, all in free clusters that no other deleted file names.
    pub whole: u64,
    /// All in free clusters, some of them named by another deleted file too.
    pub disputed: u64,
    /// Partly in free clusters.
    pub partly: u64,
    /// Nothing left: every cluster was overwritten.
    pub gone: u64,
    /// Deleted files without clusters: their content, if any, lies in their record, or where it lay is forgotten.
    pub without_runs: u64,
    /// Bytes in free clusters, each counted once.
    pub free_bytes: u64,
}

/// Looks deleted files up in what is free.
pub struct Leftovers<'v> {
    volume: &'v VolumeMap,
    /// Marked free or not known, and owned by no live file.
    free: ClusterSet,
    /// Named by more than one deleted file.
    disputed: ClusterSet,
}

impl<'v> Leftovers<'v> {
    /// Takes a volume; `owned` are the clusters that existing files own.
    pub fn new(volume: &'v VolumeMap, owned: &ClusterSet) -> Leftovers<'v> {
        let all: ClusterSet = [volume.geometry.all()].into_iter().collect();
        let free = all.without(&volume.allocation.allocated).without(owned);
        let mut named: Vec<ClusterRun> = deleted(volume).flat_map(|node| runs(volume, &node)).collect();
        named.sort_unstable();
        let disputed = super::two_maps::overlaps(&named);
        Leftovers { volume, free, disputed }
    }

    /// What is left of a deleted file.
    pub fn of(&self, node: &Node<'_>) -> Remains {
        // A file's own runs may overlap when its record is damaged; each cluster counts once.
        let clusters: ClusterSet = runs(self.volume, node).into_iter().collect();
        let bytes = |count: u64| count.saturating_mul(self.volume.geometry.cluster_bytes);
        let count = |set: &ClusterSet| clusters.runs().iter().map(|run| set.count_in(*run)).sum();
        let shared = |run: &ClusterRun| {
            let one: ClusterSet = [*run].into_iter().collect();
            one.intersection(&self.free).runs().iter().map(|part| self.disputed.count_in(*part)).sum::<u64>()
        };
        let disputed = if self.disputed.is_empty() { 0 } else { clusters.runs().iter().map(shared).sum() };
        Remains {
            bytes: bytes(clusters.count()),
            free_bytes: bytes(count(&self.free)),
            disputed_bytes: bytes(disputed),
        }
    }

    /// Counts all deleted files of the volume.
    pub fn census(&self) -> DeletedCensus {
        let mut counts = DeletedCensus::default();
        let mut named: Vec<ClusterRun> = Vec::new();
        for node in deleted(self.volume) {
            let remains = self.of(&node);
            if remains.bytes == 0 {
                counts.without_runs += 1;
                continue;
            }
            named.extend(runs(self.volume, &node));
            counts.with_runs += 1;
            if remains.free_bytes == 0 {
                counts.gone += 1;
            } else if remains.free_bytes < remains.bytes {
                counts.partly += 1;
            } else if remains.disputed_bytes > 0 {
                counts.disputed += 1;
            } else {
                counts.whole += 1;
            }
        }
        let named: ClusterSet = named.into_iter().collect();
        counts.free_bytes = named.intersection(&self.free).count().saturating_mul(self.volume.geometry.cluster_bytes);
        counts
    }
}

fn deleted(volume: &VolumeMap) -> impl Iterator<Item = Node<'_>> {
    volume.catalog.nodes().filter(|node| node.is_deleted() && node.purpose() != Purpose::BadClusters)
}

fn runs(volume: &VolumeMap, node: &Node<'_>) -> Vec<ClusterRun> {
    let all = node.streams().flat_map(|stream| stream.runs());
    all.filter(|run| run.count > 0 && volume.geometry.holds(*run)).collect()
}
