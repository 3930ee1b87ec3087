//! The equal parts of the drive that its picture shows.

use crate::report::values::Places;

/// Places of the strip.
pub(super) const PLACES: usize = 360;

/// The places of the strip on a drive of `bytes` bytes.
pub(super) fn drive_places(bytes: u64) -> Places {
    Places::of_size(bytes.div_ceil(PLACES as u64).max(1), PLACES, bytes)
}
