//! Request sizes where all that is left is read sector by sector, from the largest down to one sector. Before that,
//! `Engine::enter_failed` and the steps of `worth` narrow down what failed.

use crate::base::extent::Extent;

/// The sizes, falling. Steps of 16 keep failures few, each of which can cost seconds: halving from 1 MiB to 512 bytes
/// would take 11 failures to find one bad sector, this takes 3.
pub(super) struct RequestSizes {
    sizes: Vec<u64>,
}

/// The size at which a direction of reading is.
pub(super) struct CurrentSize {
    at: usize,
    /// Bytes in a row that arrived at this size.
    streak: u64,
}

impl RequestSizes {
    /// From `request` bytes to the physical sector, `unit`.
    pub(super) fn new(request: u64, unit: u64) -> RequestSizes {
        let between = [64 << 10, 4 << 10].into_iter().filter(|size| unit < *size && *size < request);
        let sizes = std::iter::once(request).chain(between).chain((unit < request).then_some(unit)).collect();
        RequestSizes { sizes }
    }

    fn last(&self) -> usize {
        self.sizes.len() - 1
    }

    /// One physical sector, in bytes.
    pub(super) fn unit(&self) -> u64 {
        self.sizes[self.last()]
    }

    /// Single sectors.
    pub(super) fn smallest(&self) -> CurrentSize {
        CurrentSize { at: self.last(), streak: 0 }
    }

    /// The first request of `place`. It ends on a multiple of its size, so a bad sector lies in one request.
    pub(super) fn next_request(&self, current: &CurrentSize, place: Extent) -> Extent {
        let size = self.sizes[current.at];
        Extent::between(place.start.0, place.end().min((place.start.0 / size + 1).saturating_mul(size)))
    }

    /// Whether a request lies in one physical sector, so that nothing smaller can be requested.
    pub(super) fn is_single(&self, request: Extent) -> bool {
        request.start.0 / self.unit() == (request.end() - 1) / self.unit()
    }

    /// After a request that arrived: one size up when as many bytes in a row arrived as the next size has.
    pub(super) fn arrived(&self, current: &mut CurrentSize, request: Extent) {
        current.streak += request.bytes;
        if current.at > 0 && current.streak >= self.sizes[current.at - 1] {
            *current = CurrentSize { at: current.at - 1, streak: 0 };
        }
    }

    /// After a request that failed: down to the first size that is smaller than what was requested.
    pub(super) fn failed(&self, current: &mut CurrentSize, request: Extent) {
        let smaller = self.sizes.iter().position(|size| *size < request.bytes).unwrap_or(self.last());
        *current = CurrentSize { at: smaller.max(current.at + 1).min(self.last()), streak: 0 };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_fall_from_the_request_to_the_sector() {
        assert_eq!(RequestSizes::new(1 << 20, 512).sizes, [1 << 20, 64 << 10, 4 << 10, 512]);
        assert_eq!(RequestSizes::new(1 << 20, 4096).sizes, [1 << 20, 64 << 10, 4 << 10]);
        assert_eq!(RequestSizes::new(64 << 10, 65536).sizes, [64 << 10]);
        assert_eq!(RequestSizes::new(4 << 10, 512).sizes, [4 << 10, 512]);
        assert_eq!(RequestSizes::new(24 << 10, 8192).sizes, [24 << 10, 8192]);
    }

    #[test]
    fn requests_keep_to_multiples_and_to_their_place() {
        let sizes = RequestSizes::new(1 << 20, 512);
        let place = Extent::between(1000 << 10, 2100 << 10);
        let top = CurrentSize { at: 0, streak: 0 };
        assert_eq!(sizes.next_request(&top, place), Extent::between(1000 << 10, 1 << 20));
        let small = Extent::between(512, 1024);
        assert_eq!(sizes.next_request(&top, small), small);
        assert!(sizes.is_single(small));
        assert!(!sizes.is_single(Extent::between(512, 1536)));
    }

    #[test]
    fn a_failure_never_leads_to_the_same_request() {
        let sizes = RequestSizes::new(1 << 20, 512);
        let mut current = CurrentSize { at: 0, streak: 0 };
        let place = Extent::between(8192, 8192 + 4096);
        let request = sizes.next_request(&current, place);
        sizes.failed(&mut current, request);
        assert_eq!(sizes.next_request(&current, place).bytes, 512);
    }

    #[test]
    fn after_a_failure_the_size_is_the_first_that_is_smaller_than_the_request() {
        let sizes = RequestSizes::new(1 << 20, 512);
        for (at, bytes, next) in [
            (0, 1 << 20, 1),
            (0, 100 << 10, 1),
            (0, 64 << 10, 2),
            (0, 4 << 10, 3),
            (1, 512, 3),
            (2, 64 << 10, 3),
            (3, 512, 3),
        ] {
            let mut current = CurrentSize { at, streak: 7 };
            sizes.failed(&mut current, Extent::between(1 << 20, (1 << 20) + bytes));
            assert_eq!((current.at, current.streak), (next, 0), "{bytes} bytes at size {at}");
        }
    }
}
