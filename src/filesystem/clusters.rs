//! Clusters: runs, sets of them, and where they lie on the drive.

use crate::base::extent::Extent;
use crate::base::units::Lcn;
use serde::Serialize;

/// `count` clusters from `first`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
pub struct ClusterRun {
    /// First cluster.
    pub first: Lcn,
    /// Number of clusters.
    pub count: u64,
}

impl ClusterRun {
    /// `count` clusters from number `first`.
    pub fn new(first: u64, count: u64) -> ClusterRun {
        ClusterRun { first: Lcn(first), count }
    }

    /// The first cluster number behind the run; saturates at 2^64-1.
    pub fn end(&self) -> u64 {
        self.first.0.saturating_add(self.count)
    }
}

/// A set of clusters, kept as ascending runs that neither overlap nor touch.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
#[serde(transparent)]
pub struct ClusterSet {
    runs: Vec<ClusterRun>,
}

impl ClusterSet {
    /// The empty set.
    pub fn new() -> ClusterSet {
        ClusterSet::default()
    }

    /// The runs, ascending, with a gap between each two.
    pub fn runs(&self) -> &[ClusterRun] {
        &self.runs
    }

    /// Number of clusters.
    pub fn count(&self) -> u64 {
        self.runs.iter().map(|r| r.count).sum()
    }

    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// Whether a cluster is in the set.
    pub fn contains(&self, cluster: Lcn) -> bool {
        let at = self.runs.partition_point(|r| r.end() <= cluster.0);
        self.runs.get(at).is_some_and(|r| r.first <= cluster)
    }

    /// How many clusters of a run are in the set.
    pub fn count_in(&self, run: ClusterRun) -> u64 {
        let from = self.runs.partition_point(|r| r.end() <= run.first.0);
        let inside = self.runs[from..].iter().take_while(|r| r.first.0 < run.end());
        inside.map(|r| r.end().min(run.end()) - r.first.0.max(run.first.0)).sum()
    }

    /// Adds a run that starts at or behind the end of all runs so far (what a scan of a map from its start gives).
    ///
    /// # Panics
    /// When the run starts before that: a mistake in the caller.
    pub fn push(&mut self, run: ClusterRun) {
        if run.count == 0 {
            return;
        }
        match self.runs.last_mut() {
            Some(last) if last.end() == run.first.0 => last.count += run.count,
            Some(last) => {
                assert!(last.end() < run.first.0, "runs must be pushed in ascending order");
                self.runs.push(run);
            }
            None => self.runs.push(run),
        }
    }

    /// The clusters in both sets.
    pub fn intersection(&self, other: &ClusterSet) -> ClusterSet {
        let mut shared = ClusterSet::new();
        let (mut a, mut b) = (0, 0);
        while let (Some(x), Some(y)) = (self.runs.get(a), other.runs.get(b)) {
            let first = x.first.0.max(y.first.0);
            let end = x.end().min(y.end());
            if first < end {
                shared.push(ClusterRun::new(first, end - first));
            }
            if x.end() <= y.end() { a += 1 } else { b += 1 }
        }
        shared
    }

    /// The clusters of this set that are not in `other`.
    pub fn without(&self, other: &ClusterSet) -> ClusterSet {
        let mut left = ClusterSet::new();
        let mut b = 0;
        for run in &self.runs {
            let mut at = run.first.0;
            while b > 0 && other.runs.get(b - 1).is_some_and(|r| r.end() > at) {
                b -= 1;
            }
            while let Some(cut) = other.runs.get(b).filter(|r| r.first.0 < run.end()) {
                if cut.first.0 > at {
                    left.push(ClusterRun::new(at, cut.first.0 - at));
                }
                at = at.max(cut.end());
                if cut.end() > run.end() {
                    break;
                }
                b += 1;
            }
            if at < run.end() {
                left.push(ClusterRun::new(at, run.end() - at));
            }
        }
        left
    }

    /// The clusters in either set.
    pub fn union(&self, other: &ClusterSet) -> ClusterSet {
        self.runs.iter().chain(&other.runs).copied().collect()
    }
}

impl FromIterator<ClusterRun> for ClusterSet {
    /// Collects runs in any order; they may overlap.
    fn from_iter<I: IntoIterator<Item = ClusterRun>>(runs: I) -> ClusterSet {
        let mut sorted: Vec<ClusterRun> = runs.into_iter().filter(|r| r.count > 0).collect();
        sorted.sort_unstable();
        // Merged in place: a catalog of millions of runs must not be held twice.
        let mut kept = 0;
        for at in 1..sorted.len() {
            let run = sorted[at];
            let last = &mut sorted[kept];
            if run.first.0 <= last.end() {
                last.count = last.end().max(run.end()) - last.first.0;
            } else {
                kept += 1;
                sorted[kept] = run;
            }
        }
        sorted.truncate(if sorted.is_empty() { 0 } else { kept + 1 });
        ClusterSet { runs: sorted }
    }
}

/// Where the clusters of a volume lie on the drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct ClusterGeometry {
    /// Byte on the drive where the cluster numbered `first_number` starts.
    pub heap_start: u64,
    /// Bytes in a cluster: a power of two, 512 bytes to 2 MiB on sound volumes.
    pub cluster_bytes: u64,
    /// The lowest cluster number: 0 for NTFS, 2 for FAT.
    pub first_number: u64,
    /// Number of clusters.
    pub cluster_count: u64,
}

impl ClusterGeometry {
    /// The first number behind the last cluster.
    pub fn end_number(&self) -> u64 {
        self.first_number + self.cluster_count
    }

    /// All clusters of the volume.
    pub fn all(&self) -> ClusterRun {
        ClusterRun::new(self.first_number, self.cluster_count)
    }

    /// Whether all of a run lies in the volume.
    pub fn holds(&self, run: ClusterRun) -> bool {
        run.first.0 >= self.first_number && run.end() <= self.end_number()
    }

    /// The place of a run on the drive, or `None` when it does not lie in the volume.
    pub fn extent(&self, run: ClusterRun) -> Option<Extent> {
        if !self.holds(run) {
            return None;
        }
        let from = (run.first.0 - self.first_number).checked_mul(self.cluster_bytes)?;
        Extent::new(self.heap_start.checked_add(from)?, run.count.checked_mul(self.cluster_bytes)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn set(list: &[(u64, u64)]) -> (ClusterSet, BTreeSet<u64>) {
        (list.iter().map(|&(f, c)| ClusterRun::new(f, c)).collect(), list.iter().flat_map(|&(f, c)| f..f + c).collect())
    }

    fn members(set: &ClusterSet) -> BTreeSet<u64> {
        for pair in set.runs().windows(2) {
            assert!(pair[0].end() < pair[1].first.0, "runs touch or overlap: {pair:?}");
        }
        set.runs().iter().flat_map(|r| r.first.0..r.end()).collect()
    }

    proptest! {
        #[test]
        fn sets_agree_with_sets_of_numbers(a in prop::collection::vec((0u64..100, 0u64..20), 0..15),
                                           b in prop::collection::vec((0u64..100, 0u64..20), 0..15)) {
            let ((x, xs), (y, ys)) = (set(&a), set(&b));
            prop_assert_eq!(members(&x), xs.clone());
            prop_assert_eq!(members(&x.intersection(&y)), &xs & &ys);
            prop_assert_eq!(members(&x.without(&y)), &xs - &ys);
            prop_assert_eq!(members(&x.union(&y)), &xs | &ys);
            for n in 0..125 {
                let run = ClusterRun::new(n, 7);
                prop_assert_eq!(x.count_in(run), (n..n + 7).filter(|c| xs.contains(c)).count() as u64);
                prop_assert_eq!(x.contains(Lcn(n)), xs.contains(&n));
            }
        }
    }
}
