//! The least time in which a set of extents can be read, whatever the order.
//!
//! Let p1, p2, ... be the extents by place and g the gap before one of them. Whoever reads them all, in whatever order,
//! in whole or in parts, and whatever else they read, has passed over every byte of g at the rate there (read or waited
//! out), or not. If not, what is read in one go and holds the start of that extent begins inside g, and the head came
//! there by a seek of its own:
//!
//! - forward, over at least all of g (what is read of g before it leaves takes longer than it spares: the seek curve
//!   below is concave and the transfer linear, so the cheapest way is one or the other, not both);
//! - or backward from behind some later extent, over at least this extent, the next gap and the next extent;
//! - or from somewhere that was read in between for this purpose, or that was cut out of an extent and left the rest of it
//!   for later: a further seek that nothing else needs.
//!
//! So each gap costs at least the least of: its bytes at the best rate in it; half a turn and a seek over the shorter of
//! the first two ways; two shortest seeks. Different gaps are paid for by different bytes and seeks. Transfer of
//! the extents themselves is added; and the requests, of which there are at least as many as seeks and at least as many
//! as it takes for the bytes (any weighted mean of the two is a bound; the best of five is taken).
//!
//! The cheapest way into each extent is counted for itself, as if all were possible at once, so the true least time lies
//! above this, mostly by the difference between two seeks of similar length.

use super::pieces::Pieces;
use super::play::Played;
use crate::base::extent::Extent;
use crate::drive::model::{DriveModel, to_f64};
use crate::survey::allocation::Class;
use serde::Serialize;

/// The bound for a class and all before it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct PrefixBound {
    /// The class.
    pub class: Class,
    /// No order can read it and all before it in less, in seconds. What is read in gaps of earlier passes is left out, as
    /// the plan does not say where in them it lies.
    pub least_seconds: f64,
    /// The same for orders that read nothing else before they have all tables and structure: nothing tells sooner where
    /// the rest lies. The least time of structure, and that of the rest for a head that may then stand anywhere.
    pub least_seconds_structure_first: f64,
    /// When the plan has it and all before it, in seconds; `None` when some was lost.
    pub plan_seconds: Option<f64>,
}

impl PrefixBound {
    /// The plan's time as a multiple of the least; `None` for nothing.
    pub fn ratio(&self) -> Option<f64> {
        self.over(self.least_seconds)
    }

    /// The plan's time as a multiple of the least for orders that begin with structure; `None` for nothing.
    pub fn ratio_structure_first(&self) -> Option<f64> {
        self.over(self.least_seconds_structure_first)
    }

    fn over(&self, least: f64) -> Option<f64> {
        self.plan_seconds.filter(|_| least > 0.0).map(|seconds| seconds / least)
    }
}

/// The bounds of all classes of a plan whose pieces ascend, beside what `played` took for them.
pub fn bounds(pieces: &Pieces, model: &DriveModel, request_bytes: u64, played: &Played) -> Vec<PrefixBound> {
    let least = |from: Option<Class>, to: Class| {
        let asked = pieces.list.iter().filter(|piece| {
            let class = pieces.passes[piece.pass()].class;
            !piece.is_gap() && class <= to && from.is_none_or(|from| class > from)
        });
        let at = if from.is_none() { Start::FirstByte } else { Start::Anywhere };
        least_seconds(model, pieces.drive_bytes, request_bytes, at, asked.map(|piece| piece.extent))
    };
    let structure = least(None, Class::Structure);
    let bound = |class: Class| {
        let least_seconds = least(None, class);
        let structure_first =
            if class <= Class::Structure { least_seconds } else { structure + least(Some(Class::Structure), class) };
        PrefixBound {
            class,
            least_seconds,
            least_seconds_structure_first: structure_first.max(least_seconds),
            plan_seconds: played.prefix_after(class),
        }
    };
    played.classes.iter().map(|of| bound(of.class)).collect()
}

/// Weights of the two counts of requests.
const WEIGHTS: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];

/// Where the head stands at first.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Start {
    /// At the drive's first byte.
    FirstByte,
    /// Wherever is best.
    Anywhere,
}

/// The least seconds in which a head can read `extents` (ascending, without overlap) in requests
/// of at most `request_bytes`. No order takes less.
pub fn least_seconds(
    model: &DriveModel,
    drive_bytes: u64,
    request_bytes: u64,
    start: Start,
    extents: impl IntoIterator<Item = Extent>,
) -> f64 {
    let mut sum = Sum { model, drive_bytes, request_bytes: to_f64(request_bytes.max(1)), totals: [0.0; 5] };
    // The extent last met and the gap before it: what it costs is known only with the one behind it.
    let mut open: Option<(Extent, u64)> = None;
    for next in extents.into_iter().filter(|extent| !extent.is_empty()) {
        open = Some(match open {
            None => (next, if start == Start::FirstByte { next.start.0 } else { 0 }),
            Some((extent, gap)) => match next.start.0.saturating_sub(extent.end()) {
                0 => (Extent::between(extent.start.0, next.end()), gap),
                behind => {
                    sum.add(extent, gap, Some(extent.bytes + behind + next.bytes));
                    (next, behind)
                }
            },
        });
    }
    if let Some((extent, gap)) = open {
        sum.add(extent, gap, None);
    }
    sum.totals.into_iter().fold(0.0, f64::max)
}

struct Sum<'m> {
    model: &'m DriveModel,
    drive_bytes: u64,
    request_bytes: f64,
    totals: [f64; 5],
}

impl Sum<'_> {
    /// An extent, the gap before it, and how far it is to its start from the end of the one behind it.
    fn add(&mut self, extent: Extent, gap: u64, back: Option<u64>) {
        let transfer = self.model.transfer_seconds(extent, self.drive_bytes);
        let request = self.model.request_ms / 1000.0;
        let requests = to_f64(extent.bytes) / self.request_bytes;
        let (over, seek) = self.ways(extent.start.0, gap, back);
        for (total, weight) in self.totals.iter_mut().zip(WEIGHTS) {
            // A first read at the head's own place needs no seek, but a request all the same: left out.
            *total += transfer + (1.0 - weight) * request * requests;
            if gap > 0 {
                let for_bytes = (1.0 - weight) * request * to_f64(gap) / self.request_bytes;
                let for_seek = weight * request;
                *total += (over + for_bytes.min(for_seek)).min(seek + for_seek);
            }
        }
    }

    /// Seconds for the bytes of a gap that ends at `to`, and for the cheapest seek over it.
    fn ways(&self, to: u64, gap: u64, back: Option<u64>) -> (f64, f64) {
        let rate = self.model.rate_at(to - gap, self.drive_bytes).max(self.model.rate_at(to, self.drive_bytes));
        let nearest = back.map_or(gap, |back| gap.min(back));
        let seek = self.concave_seek_ms(to_f64(nearest) / to_f64(self.drive_bytes.max(1)));
        let reposition = (seek + self.model.turn_ms / 2.0) / 1000.0;
        (to_f64(gap) / rate, reposition.min(2.0 * self.model.least_reposition_seconds()))
    }

    /// The seek curve, with its long part made no steeper than its short part is where they meet: nowhere above the curve,
    /// and concave.
    fn concave_seek_ms(&self, share: f64) -> f64 {
        let seek = &self.model.seek;
        let line = (seek.average_ms + 1.5 * (seek.average_ms - seek.shortest_ms) * (share - 1.0 / 3.0)).max(0.0);
        let curve = seek.milliseconds(share);
        if share > 1.0 / 3.0 { curve.min(line) } else { curve }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::model::{Head, PRESETS, preset};
    use proptest::prelude::*;

    fn orders(count: usize) -> Vec<Vec<usize>> {
        if count == 0 {
            return vec![Vec::new()];
        }
        let shorter = orders(count - 1);
        let insert = |at: usize| shorter.iter().map(move |order| [&order[..at], &[count - 1], &order[at..]].concat());
        // Every order of fewer, with the last put in at every place that it has.
        (0..count).flat_map(insert).collect()
    }

    fn seconds(model: &DriveModel, drive_bytes: u64, request: u64, reads: impl Iterator<Item = Extent>) -> f64 {
        let mut head = Head { at: 0, drive_bytes };
        reads.fold(0.0, |sum, extent| {
            let (took, behind) = model.read_seconds(head, extent, request);
            head = behind;
            sum + took
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        // Source: all orders, by brute force: a bound is one only if none of them beats it. Extents are read whole; with
        // some gaps read through (`through`, a bit a gap); and with one of them cut in two.
        #[test]
        fn no_order_beats_the_bound(list in prop::collection::vec((0u32..26, 1u32..22), 1..=7), kind in 0usize..5,
                                    request in 12u32..24, through in 0u32..64, cut in 0usize..7) {
            let model = PRESETS[kind].model();
            let mut at = 0;
            let extents: Vec<Extent> = list.iter().map(|&(gap, bytes)| {
                let start = at + if gap == 0 { 0 } else { 1 << (gap + 8) };
                at = start + (1 << (bytes + 6));
                Extent::between(start, at)
            }).collect();
            let drive = at + 4096;
            let request = 1 << request;
            let bound = least_seconds(&model, drive, request, Start::FirstByte, extents.iter().copied());
            let mut joined: Vec<Extent> = Vec::new();
            for (index, extent) in extents.iter().enumerate() {
                match joined.last_mut() {
                    Some(last) if through >> index & 1 == 1 => *last = Extent::between(last.start.0, extent.end()),
                    _ => joined.push(*extent),
                }
            }
            let mut parted = extents.clone();
            let whole = parted[cut % extents.len()];
            parted[cut % extents.len()].bytes = whole.bytes / 2;
            parted.push(Extent::between(whole.start.0 + whole.bytes / 2, whole.end()));
            parted.truncate(7);
            let complete = if extents.len() < 7 { vec![extents.clone(), joined, parted] } else { vec![extents.clone(), joined] };
            for reads in complete {
                for order in orders(reads.len()) {
                    let took = seconds(&model, drive, request, order.iter().map(|index| reads[*index]));
                    prop_assert!(took >= bound - 1e-9, "{order:?} takes {took}, bound {bound}");
                }
            }
        }
    }

    // Source: by hand. 120 MB at 120 MB/s are 1 s; two places a third of the stroke apart (12 ms) with half a turn of 5.56 ms.
    #[test]
    fn two_places_by_hand() {
        let mut model = preset("notebook-5400").unwrap().model();
        (model.first_rate, model.last_rate, model.request_ms) = (120e6, 120e6, 0.0);
        let drive = 300_000_000_000;
        let (a, b) = (Extent::between(0, 60_000_000), Extent::between(100_060_000_000, 100_120_000_000));
        let least = least_seconds(&model, drive, 1 << 20, Start::FirstByte, [a, b]);
        // Two shortest seeks, 2 x (1.0 + 5.56), are less than one of 12 + 5.56.
        assert!((least - 1.013_11).abs() < 1e-4, "{least}");
        let sweep = seconds(&model, drive, 1 << 20, [a, b].into_iter());
        assert!((sweep - 1.017_56).abs() < 1e-4, "{sweep}");
    }
}
