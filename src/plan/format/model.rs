//! A plan in memory: 16 bytes an extent, 16 a bridged gap.

use crate::base::extent::Extent;
use crate::plan::{ClassBytes, PlanHeader};
use crate::survey::allocation::Class;
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// What is read, in which order, and why.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Plan {
    /// Everything but the extents.
    pub header: PlanHeader,
    /// The passes, in reading order; none is empty and no byte is in two.
    pub passes: Vec<Pass>,
}

/// A pass without its extents.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PassHeader {
    /// Its place in reading order, from 1.
    pub number: u32,
    /// The class it reads.
    pub class: Class,
    /// Order within the class; see [`crate::survey::allocation::ClassRun::lane`].
    pub lane: u16,
    /// The pattern that chose it, for `wanted`.
    pub pattern: Option<String>,
    /// Number of extents.
    pub extent_count: u64,
    /// Bytes read, bridged ones included.
    pub bytes: u64,
    /// Of those, bytes that are read only because that is cheaper than a seek.
    pub bridged_bytes: u64,
    /// What the bridged bytes are, in order of class.
    pub bridged: Vec<ClassBytes>,
}

/// One ascending sweep over the drive.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Pass {
    /// Which class, and how much.
    pub header: PassHeader,
    pub(in crate::plan) extents: Vec<Extent>,
    /// All gaps of all extents. Each lies inside one extent, so walking both lists at once finds whose it is.
    pub(in crate::plan) gaps: Vec<Extent>,
}

/// An extent of a pass with what is bridged in it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PlannedExtent<'p> {
    /// What is read in one go.
    pub extent: Extent,
    /// The parts that are read only because that is cheaper than a seek: ascending, neither at its start nor at its end.
    pub gaps: &'p [Extent],
}

impl PlannedExtent<'_> {
    /// The extent cut at its gaps, each part with whether it is a gap. None is empty.
    pub fn parts(self) -> impl Iterator<Item = (Extent, bool)> {
        let mut at = self.extent.start.0;
        let gaps = self.gaps.iter().flat_map(move |gap| {
            let before = Extent::between(at, gap.start.0);
            at = gap.end();
            [(before, false), (*gap, true)]
        });
        let behind = self.gaps.last().map_or(self.extent.start.0, Extent::end);
        gaps.chain([(Extent::between(behind, self.extent.end()), false)]).filter(|(part, _)| !part.is_empty())
    }
}

impl Pass {
    /// The extents, ascending; no two overlap or touch.
    pub fn extents(&self) -> &[Extent] {
        &self.extents
    }

    /// The bridged gaps of all extents, ascending.
    pub fn gaps(&self) -> &[Extent] {
        &self.gaps
    }

    /// The extents with their gaps.
    pub fn planned(&self) -> impl Iterator<Item = PlannedExtent<'_>> {
        let mut gaps = self.gaps.as_slice();
        self.extents.iter().map(move |&extent| {
            let count = gaps.iter().take_while(|gap| gap.start.0 < extent.end()).count();
            let (inside, rest) = gaps.split_at(count);
            gaps = rest;
            PlannedExtent { extent, gaps: inside }
        })
    }
}

impl Plan {
    /// Bytes read by all passes.
    pub fn bytes(&self) -> u64 {
        self.passes.iter().map(|pass| pass.header.bytes).sum()
    }

    /// Number of extents in all passes.
    pub fn extent_count(&self) -> u64 {
        self.passes.iter().map(|pass| pass.header.extent_count).sum()
    }

    /// The extents of all passes in ascending order. Needs no memory beyond a few bytes a pass, because each pass
    /// ascends.
    pub fn ascending(&self) -> impl Iterator<Item = Extent> + '_ {
        let first = |pass: usize| self.passes[pass].extents.first().map(|e| Reverse((*e, pass, 0)));
        let mut heap: BinaryHeap<Reverse<(Extent, usize, usize)>> = (0..self.passes.len()).filter_map(first).collect();
        std::iter::from_fn(move || {
            let Reverse((extent, pass, index)) = heap.pop()?;
            if let Some(next) = self.passes[pass].extents.get(index + 1) {
                heap.push(Reverse((*next, pass, index + 1)));
            }
            Some(extent)
        })
    }

    /// The first two extents of different passes that share bytes, if there are any.
    pub fn find_overlap(&self) -> Option<(Extent, Extent)> {
        let mut last: Option<Extent> = None;
        self.ascending().find_map(|extent| {
            let before = last.replace(extent).filter(|before| before.end() > extent.start.0);
            before.map(|before| (before, extent))
        })
    }
}
