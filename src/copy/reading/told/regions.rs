//! Failed requests, gathered into the regions of the drive they fell in.

use crate::base::extent::Extent;
use crate::copy::reading::BadRegion;
use crate::copy::reading::plan_walk::WINDOW;
use crate::source::CopyStore;
use std::collections::BTreeMap;

/// More regions than these are counted, not listed: some 3 MiB of memory.
const MOST: usize = 65_536;

/// Regions by their first byte, with end and number of failed requests. No two overlap or touch.
#[derive(Default)]
pub(in crate::copy::reading) struct Regions {
    regions: BTreeMap<u64, (u64, u64)>,
    unlisted: u64,
}

impl Regions {
    /// Notes that a request for `extent` failed.
    pub(in crate::copy::reading) fn failed(&mut self, extent: Extent) {
        let (mut start, mut end, mut failed) = (extent.start.0, extent.end(), 1);
        while let Some((&at, &(until, count))) = self.regions.range(..=end).next_back().filter(|(_, r)| r.0 >= start) {
            self.regions.remove(&at);
            start = start.min(at);
            end = end.max(until);
            failed += count;
        }
        if self.regions.len() < MOST {
            self.regions.insert(start, (end, failed));
        } else {
            self.unlisted += failed;
        }
    }

    /// Failed requests in no listed region.
    pub(in crate::copy::reading) fn unlisted(&self) -> u64 {
        self.unlisted
    }

    /// The regions, ascending, with what of them is unreadable by the store, in sectors of `unit` bytes.
    pub(in crate::copy::reading) fn list(&self, store: &dyn CopyStore, unit: u64) -> Vec<BadRegion> {
        let region = |(&start, &(end, failed_requests)): (&u64, &(u64, u64))| {
            let whole = Extent::between(start, end);
            let (mut unreadable_bytes, mut unreadable_sectors) = (0, 0);
            let mut hull: Option<Extent> = None;
            for lost in whole.pieces(WINDOW).flat_map(|window| store.unreadable(window)) {
                unreadable_bytes += lost.bytes;
                unreadable_sectors += lost.aligned_to(unit).bytes / unit;
                hull = Some(Extent::between(hull.map_or(lost.start.0, |h| h.start.0), lost.end()));
            }
            BadRegion { extent: hull.unwrap_or(whole), failed_requests, unreadable_bytes, unreadable_sectors }
        };
        self.regions.iter().map(region).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_that_overlap_or_touch_are_one_region() {
        let mut regions = Regions::default();
        let failed = |regions: &mut Regions, start, bytes| regions.failed(Extent::new(start, bytes).unwrap());
        failed(&mut regions, 1000, 100);
        failed(&mut regions, 5000, 100);
        failed(&mut regions, 1050, 10);
        failed(&mut regions, 1100, 100);
        failed(&mut regions, 3000, 100);
        assert_eq!(
            regions.regions.clone().into_iter().collect::<Vec<_>>(),
            [(1000, (1200, 3)), (3000, (3100, 1)), (5000, (5100, 1))]
        );
        failed(&mut regions, 900, 4000);
        assert_eq!(regions.regions.into_iter().collect::<Vec<_>>(), [(900, (4900, 5)), (5000, (5100, 1))]);
    }
}
