//! What this drive has told: how its reads turn out, which ranges are skipped, and whether it still gives its own bytes.

pub(super) mod check;
pub(super) mod known_sectors;
pub(super) mod learned;
pub(super) mod skipped_ranges;
