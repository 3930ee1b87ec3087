//! The order of reading: a pass for each class and lane, each one ascending sweep.
//!
//! Everything here works on the runs of a class map where they lie. A gap between two runs of a pass is made of whole
//! runs, so what was read is one bit a run; a drive of twenty million runs takes 80 MB beside its map.

use crate::base::extent::{Extent, ExtentSet};
use crate::survey::allocation::{Class, ClassMap, ClassRun};
use std::collections::BTreeSet;
use std::ops::Range;

/// What is to be read, and which gaps may be read with it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Choice {
    /// The classes to read.
    pub classes: BTreeSet<Class>,
    /// The areas to keep to; `None` for all. Runs of [`ClassRun::NO_AREA`] are always chosen.
    pub areas: Option<BTreeSet<u32>>,
    /// The largest gap that is read through, in bytes; 0 for none.
    pub gap_bytes: u64,
    /// Whether what later passes want is picked up on the way.
    pub pick_up: bool,
}

impl Choice {
    /// Whether a run is wanted.
    pub fn takes(&self, run: &ClassRun) -> bool {
        self.classes.contains(&run.class) && self.takes_area(run.area)
    }

    /// Whether an area is chosen.
    pub fn takes_area(&self, area: u32) -> bool {
        area == ClassRun::NO_AREA || self.areas.as_ref().is_none_or(|areas| areas.contains(&area))
    }
}

/// Receives passes as they are made. Calls come as `begin`, then for each extent its `gap`s (with a `bridged` for each
/// run in it) before the `extent` itself.
pub trait PassSink {
    /// A pass starts. Passes come in order of class and lane, and none is empty.
    fn begin(&mut self, class: Class, lane: u16);
    /// An extent of the pass, ascending; it neither overlaps nor touches the one before.
    fn extent(&mut self, extent: Extent);
    /// A part of the next extent that is read only because that is cheaper than a seek.
    fn gap(&mut self, gap: Extent);
    /// A run that lies in the last gap; `asked` when a later pass would have read it.
    fn bridged(&mut self, run: &ClassRun, asked: bool);
    /// A run that no pass reads. These come last, ascending.
    fn left_out(&mut self, run: &ClassRun);
}

/// The runs of a class map, sorted into lanes. Made once, it serves any number of choices.
pub struct Sweeps<'m> {
    pub(in crate::plan) runs: &'m [ClassRun],
    pub(in crate::plan) order: Vec<u32>,
    pub(in crate::plan) lanes: Vec<(Class, u16, Range<usize>)>,
    /// Where nothing is read beyond the scope.
    avoided: ExtentSet,
}

/// How near to a range that failed, in bytes, no gap is read through. Damage lies in neighbourhoods: a scratch or a bad head
/// spoils what is next to it (common practice, no source).
pub const NEIGHBOURHOOD: u64 = 10 << 20;

/// Where the file system knows bad clusters. Reading there can cost a failing drive minutes, so such runs come last and
/// no gap that holds one is read through.
pub(in crate::plan) fn is_known_bad(class: Class, lane: u16) -> bool {
    class == Class::Unclaimed && lane > 0
}

impl<'m> Sweeps<'m> {
    /// Sorts the runs of a map by class and lane; time and memory grow linearly with their number.
    ///
    /// # Panics
    /// From 2^32 runs on, which as a map would fill 96 GiB.
    pub fn new(map: &'m ClassMap) -> Sweeps<'m> {
        let runs = map.runs();
        let count = u32::try_from(runs.len()).expect("a map of 2^32 runs does not fit in memory");
        let lanes_each = runs.iter().map(|run| usize::from(run.lane) + 1).max().unwrap_or(1);
        let key = |run: &ClassRun| run.class as usize * lanes_each + usize::from(run.lane);
        let mut next = vec![0_u32; Class::ALL.len() * lanes_each];
        for run in runs {
            next[key(run)] += 1;
        }
        let mut lanes = Vec::new();
        let mut start = 0;
        for (class, of_class) in Class::ALL.into_iter().zip(next.chunks_exact_mut(lanes_each)) {
            for (lane, slot) in (0..=u16::MAX).zip(of_class) {
                let count = std::mem::replace(slot, start);
                if count > 0 {
                    lanes.push((class, lane, start as usize..(start + count) as usize));
                    start += count;
                }
            }
        }
        let mut order = vec![0_u32; runs.len()];
        for (index, run) in (0..count).zip(runs) {
            let place = &mut next[key(run)];
            order[*place as usize] = index;
            *place += 1;
        }
        Sweeps { runs, order, lanes, avoided: ExtentSet::new() }
    }

    /// Reads no gap through that holds a range which failed, or lies within [`NEIGHBOURHOOD`] of one: reading there costs
    /// seconds, and may cost the drive.
    #[must_use]
    pub fn avoiding(mut self, failed: &ExtentSet) -> Sweeps<'m> {
        let around = |place: &Extent| {
            Extent::between(place.start.0.saturating_sub(NEIGHBOURHOOD), place.end().saturating_add(NEIGHBOURHOOD))
        };
        self.avoided = failed.extents().iter().map(around).collect();
        self
    }

    /// The class and lane of every pass that choosing everything would give.
    pub fn lanes(&self) -> impl Iterator<Item = (Class, u16)> + '_ {
        self.lanes.iter().map(|(class, lane, _)| (*class, *lane))
    }

    /// All runs of the map.
    pub fn runs(&self) -> &'m [ClassRun] {
        self.runs
    }

    /// Makes the passes of a choice.
    pub fn run(&self, choice: &Choice, sink: &mut impl PassSink) {
        let mut read = Bits::new(self.runs.len());
        for (class, lane, range) in &self.lanes {
            if choice.classes.contains(class) {
                let limit = if is_known_bad(*class, *lane) { 0 } else { choice.gap_bytes };
                let chosen = self.order[range.clone()].iter().map(|index| *index as usize);
                let mut pass = PassMaking { sweeps: self, choice, own: (*class, *lane), read: &mut read, sink };
                pass.sweep(chosen, limit);
            }
        }
        for (index, run) in self.runs.iter().enumerate() {
            if !read.has(index) {
                sink.left_out(run);
            }
        }
    }

    /// Whether anything near an extent failed.
    pub(in crate::plan) fn is_avoided(&self, extent: Extent) -> bool {
        !self.avoided.is_empty() && self.avoided.bytes_within(extent) > 0
    }

    /// Whether none of the gap's runs was read in an earlier pass, none is known to be bad, and nothing near it failed.
    fn can_bridge(&self, gap: Extent, between: Range<usize>, read: &Bits) -> bool {
        !self.is_avoided(gap)
            && between.into_iter().all(|index| {
                let run = &self.runs[index];
                !read.has(index) && !is_known_bad(run.class, run.lane)
            })
    }
}

/// A pass being made.
struct PassMaking<'p, S> {
    sweeps: &'p Sweeps<'p>,
    choice: &'p Choice,
    own: (Class, u16),
    /// Which runs are read, by this pass and those before it.
    read: &'p mut Bits,
    sink: &'p mut S,
}

impl<S: PassSink> PassMaking<'_, S> {
    /// Makes the extents of the runs at `indices`, over gaps of at most `limit` bytes.
    fn sweep(&mut self, indices: impl Iterator<Item = usize>, limit: u64) {
        // The extent being made, and the index behind its last run.
        let mut open: Option<(Extent, usize)> = None;
        for index in indices {
            let run = &self.sweeps.runs[index];
            if self.read.has(index) || !self.choice.takes_area(run.area) {
                continue;
            }
            let start = match open {
                None => {
                    self.sink.begin(self.own.0, self.own.1);
                    run.extent.start.0
                }
                Some((extent, behind)) => {
                    let gap = Extent::between(extent.end(), run.extent.start.0);
                    if gap.is_empty() {
                        extent.start.0
                    } else if gap.bytes <= limit && self.sweeps.can_bridge(gap, behind..index, self.read) {
                        self.read_gap(gap, behind..index);
                        extent.start.0
                    } else {
                        let end = self.draw_on(extent, behind..index);
                        self.draw_back(run.extent.start.0, end, behind..index)
                    }
                }
            };
            self.read.set(index);
            open = Some((Extent::between(start, run.extent.end()), index + 1));
        }
        if let Some((extent, behind)) = open {
            self.draw_on(extent, behind..self.sweeps.runs.len());
        }
    }

    /// Hands over an extent, drawn out over what is picked up behind it; its end.
    fn draw_on(&mut self, extent: Extent, behind: Range<usize>) -> u64 {
        let from = behind.start;
        let runs = behind.map(|index| (index, &self.sweeps.runs[index]));
        let Some(picked) = self.sweeps.pick_up(self.own, runs, self.choice, self.read) else {
            self.sink.extent(extent);
            return extent.end();
        };
        let gap = Extent::between(extent.end(), extent.end() + picked.bytes);
        self.read_gap(gap, from..from + picked.runs);
        self.sink.extent(Extent::between(extent.start.0, gap.end()));
        gap.end()
    }

    /// The start of an extent, drawn out over what is picked up before it; never up to `end`, where the last one ends.
    fn draw_back(&mut self, start: u64, end: u64, before: Range<usize>) -> u64 {
        let to = before.end;
        let runs = before.rev().map(|index| (index, &self.sweeps.runs[index]));
        let runs = runs.take_while(|(_, run)| run.extent.start.0 > end);
        let Some(picked) = self.sweeps.pick_up(self.own, runs, self.choice, self.read) else { return start };
        let gap = Extent::between(start - picked.bytes, start);
        self.read_gap(gap, to - picked.runs..to);
        gap.start.0
    }

    fn read_gap(&mut self, gap: Extent, runs: Range<usize>) {
        self.sink.gap(gap);
        for index in runs {
            self.read.set(index);
            let run = &self.sweeps.runs[index];
            self.sink.bridged(run, self.choice.takes(run));
        }
    }
}

pub(in crate::plan) struct Bits(Vec<u64>);

impl Bits {
    fn new(count: usize) -> Bits {
        Bits(vec![0; count.div_ceil(64)])
    }

    pub(in crate::plan) fn has(&self, index: usize) -> bool {
        self.0[index / 64] >> (index % 64) & 1 == 1
    }

    fn set(&mut self, index: usize) {
        self.0[index / 64] |= 1 << (index % 64);
    }
}
