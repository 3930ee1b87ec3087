//! How far the head travels, in bytes of address: the yardstick that no order of reads can beat.

use crate::extent::Extent;

/// The least travel of a head at `head` that visits all of `span`: its length and the way to the nearer end,
/// (b-a) + min(|h-a|, |b-h|). Every plan of one sweep that claims less is wrong.
pub fn least_travel(head: u64, span: Extent) -> u64 {
    let (a, b) = (span.start.0, span.end());
    span.bytes.saturating_add(head.abs_diff(a).min(head.abs_diff(b)))
}

/// The travel of a head at `head` that reads `extents` in the order given, each from its start to its end, and where it
/// is afterwards.
pub fn sweep_travel(head: u64, extents: impl IntoIterator<Item = Extent>) -> (u64, u64) {
    extents.into_iter().fold((0_u64, head), |(travel, at), extent| {
        let way = at.abs_diff(extent.start.0).saturating_add(extent.bytes);
        (travel.saturating_add(way), extent.end())
    })
}
