//! Many small places of a volume, read in the order in which they lie on the drive, neighbours in one request.

use crate::base::extent::{Extent, ExtentSet};
use crate::source::{Reader, SourceLost, bytes_of};
use std::collections::VecDeque;
use std::ops::ControlFlow;

/// Reads `places`, sorted by where they lie, and hands each with its key to `each` once all of it has arrived. Nothing is kept; memory is one place and what overlaps it.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read_places<K: Copy + Ord>(
    reader: &Reader,
    what: &'static str,
    mut places: Vec<(Extent, K)>,
    mut each: impl FnMut(K, Place<'_>),
) -> Result<(), SourceLost> {
    places.sort_unstable();
    // Whole sectors: two places in one sector are then one request.
    let sector = reader.identity().logical_sector.bytes();
    let aligned =
        places.iter().filter_map(|(place, _)| place.aligned_to(sector).intersection(&reader.identity().extent()));
    let requests: ExtentSet = aligned.collect();
    reader.announce(what, requests.bytes());
    let mut next = 0;
    let mut open: VecDeque<Open<K>> = VecDeque::new();
    reader.stream(requests.extents(), |block| {
        while let Some((place, key)) = places.get(next).filter(|(place, _)| place.start.0 < block.extent.end()) {
            next += 1;
            open.push_back(Open { place: *place, key: *key, bytes: Vec::new(), unreadable: ExtentSet::new() });
        }
        for part in &mut open {
            let Some(shared) = part.place.intersection(&block.extent) else { continue };
            part.bytes.extend_from_slice(&block.bytes[bytes_of(shared, block.extent)]);
            part.unreadable.extend(block.unreadable.intersection(shared));
        }
        while open.front().is_some_and(|part| part.place.end() <= block.extent.end()) {
            let Some(done) = open.pop_front() else { break };
            each(done.key, Place { extent: done.place, bytes: &done.bytes, unreadable: &done.unreadable });
        }
        ControlFlow::Continue(())
    })
}

/// A place that has arrived.
pub(super) struct Place<'b> {
    /// Where it lies on the drive.
    pub extent: Extent,
    /// Its bytes; zero where they could not be read.
    pub bytes: &'b [u8],
    /// What of it was not read.
    pub unreadable: &'b ExtentSet,
}

/// A place of which part has arrived.
struct Open<K> {
    place: Extent,
    key: K,
    bytes: Vec<u8>,
    unreadable: ExtentSet,
}
