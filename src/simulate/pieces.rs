//! A plan as a list of ranges, each of one pass and planned for one reason.

use crate::base::extent::Extent;
use crate::drive::model::to_f64;
use crate::plan::{PassHeader, Plan};
use crate::survey::allocation::Class;

/// A range that a pass reads, wholly asked for or wholly a gap read through: 24 bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Piece {
    /// Where it lies.
    pub extent: Extent,
    tag: u32,
}

const GAP: u32 = 1 << 31;

impl Piece {
    /// A piece of the pass of index `pass` (below 2^31).
    pub fn new(extent: Extent, pass: u32, is_gap: bool) -> Piece {
        Piece { extent, tag: pass | if is_gap { GAP } else { 0 } }
    }

    /// Index of its pass.
    pub fn pass(&self) -> usize {
        (self.tag & !GAP) as usize
    }

    /// Whether it is read only because that is cheaper than a seek.
    pub fn is_gap(&self) -> bool {
        self.tag & GAP != 0
    }
}

/// A pass without its extents.
#[derive(Clone, PartialEq, Debug)]
pub struct PassShape {
    /// Its number, from 1.
    pub number: u32,
    /// The class it reads.
    pub class: Class,
    /// The pattern it serves, for `wanted`.
    pub pattern: Option<String>,
    /// Bytes it reads.
    pub bytes: u64,
    /// How much of its gaps is of each class and asked for, as a share of all its gap bytes. A plan says this of a pass
    /// as a whole, so each gap is taken to be the pass's mean.
    pub gap_mix: [f64; Class::ALL.len()],
}

/// All that a plan reads.
#[derive(Clone, PartialEq, Debug)]
pub struct Pieces {
    /// Bytes of the drive.
    pub drive_bytes: u64,
    /// The largest gap that is read through.
    pub gap_bytes: u64,
    /// The passes.
    pub passes: Vec<PassShape>,
    /// The pieces, in reading order. Pieces that touch and follow one another are read in one go.
    pub list: Vec<Piece>,
}

impl Pieces {
    /// Of a plan: 24 bytes an extent and 48 a gap.
    pub fn of_plan(plan: &Plan) -> Pieces {
        let header = &plan.header;
        // For each class the share of its bridged bytes that were requested.
        let mut asked = [0.0; Class::ALL.len()];
        for total in header.totals.iter().filter(|total| total.bridged_bytes > 0) {
            let unasked = to_f64(total.unasked_bytes) / to_f64(total.bridged_bytes);
            asked[total.class as usize] = 1.0 - unasked;
        }
        let (mut passes, mut list) = (Vec::new(), Vec::new());
        for (number, pass) in (0_u32..).zip(&plan.passes) {
            passes.push(PassShape::of(&pass.header, &asked));
            for planned in pass.planned() {
                list.extend(planned.parts().map(|(part, is_gap)| Piece::new(part, number, is_gap)));
            }
        }
        Pieces { drive_bytes: header.source.bytes, gap_bytes: header.bridge.gap_bytes, passes, list }
    }
}

impl PassShape {
    fn of(pass: &PassHeader, asked: &[f64; Class::ALL.len()]) -> PassShape {
        let mut gap_mix = [0.0; Class::ALL.len()];
        for held in &pass.bridged {
            let class = held.class as usize;
            gap_mix[class] = super::share(to_f64(held.bytes) * asked[class], pass.bridged_bytes);
        }
        PassShape { number: pass.number, class: pass.class, pattern: pass.pattern.clone(), bytes: pass.bytes, gap_mix }
    }
}
